package engine

import (
	"fmt"
	"math"
	"strconv"
)

// groups checks the parts of the array: each is there to be treated, and has
// the rows that its treatment sets against each other.
func (c *checker) groups(s Site) {
	if !c.few("groups", len(s.Groups)) || len(s.Outputs) > maxSources || len(s.Sources) > maxSources {
		return
	}
	names := map[string]bool{}
	for i, g := range s.Groups {
		path := at("groups", i)
		c.name(path+".name", g.Name, names)
		front, rear := s.rows(g.Name)
		switch g.Treatment {
		case TreatPlain, TreatNull, TreatEndFire, TreatGradient:
		default:
			c.add(path+".treatment", quoted(string(g.Treatment)), `"null", "end-fire", "gradient" or "plain"`)
		}
		switch {
		case front+rear == 0:
			c.add(path+".name", quoted(g.Name)+", which no output belongs to", "a group that some output names")
		case g.Treatment == TreatPlain:
		case front == 0:
			c.add(path+".treatment", quoted(string(g.Treatment))+" without a source in the front row", "at least one in each row, or plain")
		case rear == 0:
			c.add(path+".treatment", quoted(string(g.Treatment))+" without a source in the rear row", "at least one in each row, or plain")
		}
	}
}

// rows counts the sources that a group has in each row.
func (s Site) rows(group string) (front, rear int) {
	for _, out := range s.Outputs {
		if out.Group != group {
			continue
		}
		for _, src := range s.Fed(out.Number) {
			if src.Row == RowRear {
				rear++
			} else {
				front++
			}
		}
	}
	return front, rear
}

func (c *checker) outputs(s Site) {
	if !c.count("outputs", len(s.Outputs), maxSources) || len(s.Sources) > maxSources {
		return
	}
	for i, o := range s.Outputs {
		path := at("outputs", i)
		switch {
		case o.Number < 1:
			c.add(path+".number", strconv.Itoa(o.Number), "1 or more")
		case i > 0 && o.Number == s.Outputs[i-1].Number:
			c.add(path+".number", fmt.Sprintf("%d a second time", o.Number), "every output once")
		case i > 0 && o.Number < s.Outputs[i-1].Number:
			c.add(path+".number", fmt.Sprintf("%d after %d", o.Number, s.Outputs[i-1].Number), "rising numbers")
		}
		c.number(path+".max_gain", o.MaxGainDB, -maxLevelDB, maxLevelDB, " dB")
		c.belongs(path, o, s.Groups)
		c.onProcessor(path, o, s)
		c.feeds(path+".number", s.Fed(o.Number), o.Number)
	}
}

// onProcessor checks where the output is to be found.
func (c *checker) onProcessor(path string, o Output, s Site) {
	known := o.Processor == ""
	for _, w := range s.Further {
		known = known || w.Name == o.Processor
	}
	if !known {
		c.add(path+".processor", quoted(o.Processor), "one of the names listed under further_processors, or none for the first")
	}
	if o.Channel < 0 {
		c.add(path+".channel", strconv.Itoa(o.Channel), "1 or more")
	}
	for _, other := range s.On(o.Processor) {
		if other.Number < o.Number && other.OnChannel() == o.OnChannel() {
			c.add(path+".channel", fmt.Sprintf("channel %d, which is output %d already", o.OnChannel(), other.Number), "a channel of its own")
			return
		}
	}
}

// belongs checks what the output says about its part of the array.
func (c *checker) belongs(path string, o Output, groups []Group) {
	known := len(groups) == 0 && o.Group == ""
	for _, g := range groups {
		known = known || g.Name == o.Group
	}
	if !known {
		c.add(path+".group", quoted(o.Group), "one of the names listed under groups")
	}
	c.number(path+".bend", o.BendSec, 0, maxBendSec, " s")
	if o.BendSec > 0 && !o.AsPlaced {
		c.add(path+".bend", num(o.BendSec)+" s for an output that is aligned in front", "no bend, or the output as placed")
	}
}

// feeds makes sure that an output can be set for one row: sources that share
// an output share its delay, polarity and gain.
func (c *checker) feeds(path string, fed []Source, number int) {
	if len(fed) == 0 {
		c.add(path, fmt.Sprintf("output %d, which feeds no source", number), "an output that some source names")
		return
	}
	for _, src := range fed[1:] {
		if src.Row != fed[0].Row {
			c.add(path, fmt.Sprintf("output %d, which feeds %q in one row and %q in the other", number, fed[0].Name, src.Name),
				"sources of one row only")
			return
		}
	}
}

func (c *checker) sources(s Site) {
	if !c.count("sources", len(s.Sources), maxSources) || len(s.Outputs) > maxSources {
		return
	}
	names := map[string]bool{}
	rows := map[Row]int{}
	for i, src := range s.Sources {
		path := at("sources", i)
		c.name(path+".name", src.Name, names)
		rows[src.Row]++
		if src.Row != RowFront && src.Row != RowRear {
			c.add(path+".row", quoted(string(src.Row)), `"front" or "rear"`)
		}
		c.number(path+".level", src.LevelDB, -maxLevelDB, maxLevelDB, " dB")
		if _, ok := s.Output(src.Output); !ok {
			c.add(path+".output", fmt.Sprintf("output %d, which is not declared", src.Output), "a number listed under outputs")
		}
		c.degrees(path+".facing", src.FacingRad, -2*math.Pi, 2*math.Pi)
		if _, ok := s.Cabinet(src.Cabinet); !ok && src.Cabinet != "" {
			c.add(path+".cabinet", quoted(src.Cabinet), "one of the names listed under cabinets")
		}
		if c.point(path+".at", src.At) && c.apart(path+".at", src.At, s.Sources[:i]) {
			c.room(path+".at", s, i)
		}
	}
	if len(s.Groups) > 0 {
		return // which rows there must be is up to their treatments
	}
	for _, row := range []Row{RowFront, RowRear} {
		if len(s.Sources) > 0 && rows[row] == 0 {
			c.add("sources", fmt.Sprintf("no source in the %s row", row), "at least one in each row")
		}
	}
}
