package layout

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"hushback/engine"
	"hushback/engine/air"
)

// Placed is a layout worked out, as the parts of a site that it makes.
type Placed struct {
	Groups  []engine.Group  // one for each block
	Outputs []engine.Output // ascending by number
	Sources []engine.Source // block by block, row by row from the front, from left to right
}

// Expand works a layout out. Rows stand behind each other along the block's
// facing, DepthM apart; those behind an arc are arcs of the same curve. The
// last of several rows is the rear row, all others are front: where the
// treatment is not plain they are delayed by the travel time between them, so
// that they run in step towards the front. A mirrored block has its left
// copy's rows first.
//
// Outputs are numbered in the order of the sources. A row of a mirrored block
// has an output of its own on either side, also PerRow, for the two can need
// different settings. Generated outputs are AsPlaced: the shape is the
// engineer's. Those of a Free block are aligned in front.
//
// A Problem's path starts at the layout: "blocks[0].spacing". With any problem
// nothing is placed. What only the places can tell, such as cabinets that
// overlap, is left to engine.Site.Problems; so is air without a speed of sound.
func Expand(l Layout, cabinets []engine.Cabinet, a engine.Air) (Placed, []engine.Problem) {
	c := &checker{}
	c.blocks(l.Blocks, cabinets)
	if len(c.found) > 0 {
		return Placed{}, c.found
	}
	speed, _ := air.SoundSpeed(a)
	var all Placed
	next := 1
	for i, b := range l.Blocks {
		one := b.place(next, speed)
		c.joins(i, b, all, one)
		all.Groups = append(all.Groups, one.Groups...)
		all.Outputs = append(all.Outputs, one.Outputs...)
		all.Sources = append(all.Sources, one.Sources...)
		next = slices.MaxFunc(all.Outputs, byNumber).Number + 1
	}
	if len(c.found) > 0 {
		return Placed{}, c.found
	}
	slices.SortStableFunc(all.Outputs, byNumber)
	return all, nil
}

func byNumber(a, b engine.Output) int { return cmp.Compare(a.Number, b.Number) }

// place works one block out, its outputs numbered from next unless it says so
// itself.
func (b Block) place(next int, speed float64) Placed {
	placed := Placed{Groups: []engine.Group{{Name: b.Name, Treatment: b.treatment()}}}
	if b.Shape == Free {
		placed.Sources = b.Free
		placed.Outputs = b.freeOutputs()
		return placed
	}
	if b.FirstOutput > 0 {
		next = b.FirstOutput
	}
	sides := []string{""}
	if b.Mirrored {
		sides = []string{"left", "right"}
	}
	for _, side := range sides {
		for _, r := range b.rows(speed) {
			for i, p := range r.places {
				name := words(b.Name, side, r.name, b.placeName(i, len(r.places)))
				if i == 0 || !b.PerRow {
					out := engine.Output{Number: next, Label: name, MaxGainDB: b.MaxGainDB, Group: b.Name, AsPlaced: true, BendSec: r.bend[i]}
					if b.PerRow {
						out.Label = words(b.Name, side, r.name)
					}
					placed.Outputs = append(placed.Outputs, out)
					next++
				}
				placed.Sources = append(placed.Sources, b.source(name, r.row, p, side == "right", next-1))
			}
		}
	}
	return placed
}

// source is a cabinet at a place of the block, or at its mirror image.
func (b Block) source(name string, row engine.Row, p engine.Point, mirror bool, output int) engine.Source {
	at, facing := b.onSite(p), b.FacingRad
	if mirror {
		at.Y, facing = -at.Y, -facing
	}
	return engine.Source{Name: name, Row: row, At: at, LevelDB: b.LevelDB, Output: output, FacingRad: facing, Cabinet: b.Cabinet}
}

// treatment is what the block says, or what goes without saying.
func (b Block) treatment() engine.Treatment {
	switch {
	case b.Treatment != "":
		return b.Treatment
	case b.deep():
		return engine.TreatNull
	}
	return engine.TreatPlain
}

// deep reports whether the block has a row that can cancel behind it.
func (b Block) deep() bool {
	if b.Shape != Free {
		return b.Depth > 1
	}
	rear := func(s engine.Source) bool { return s.Row == engine.RowRear }
	return slices.ContainsFunc(b.Free, rear) && slices.ContainsFunc(b.Free, func(s engine.Source) bool { return !rear(s) })
}

// freeOutputs is the outputs that the sources of a Free block name, labelled
// with what they feed.
func (b Block) freeOutputs() []engine.Output {
	var outputs []engine.Output
	for _, src := range b.Free {
		same := func(o engine.Output) bool { return o.Number == src.Output }
		if i := slices.IndexFunc(outputs, same); i >= 0 {
			outputs[i].Label += ", " + src.Name
			continue
		}
		outputs = append(outputs, engine.Output{Number: src.Output, Label: src.Name, MaxGainDB: b.MaxGainDB, Group: b.Name})
	}
	return outputs
}

// placeName tells the cabinets of a row apart. In a mirrored block left and
// right are the sides, and numbers count from the outside on both.
func (b Block) placeName(i, of int) string {
	switch {
	case of == 1:
		return ""
	case of == 2 && !b.Mirrored:
		return []string{"left", "right"}[i]
	case of == 3 && !b.Mirrored:
		return []string{"left", "centre", "right"}[i]
	}
	return fmt.Sprintf("no. %d", i+1)
}

func words(all ...string) string {
	return strings.Join(slices.DeleteFunc(all, func(s string) bool { return s == "" }), " ")
}
