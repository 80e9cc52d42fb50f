package engine

import (
	"fmt"
	"math"
	"strconv"
)

// What a site may hold. The limits keep slips of the pen (feet for metres,
// kelvin for Celsius) from becoming settings, and keep every loop bounded.
const (
	maxSources   = 64
	maxCorners   = 64
	maxAwayM     = 1000 // from the origin, along each axis
	minApartM    = 0.1  // closer than this two points are one
	minLines     = 3    // test signal lines inside the range
	maxPeriodSec = 10
	maxLevelDB   = 60
)

// Problems lists everything that keeps a site from being solved, in the order
// of the site file; none means that every other package can rely on it.
func (s Site) Problems() []Problem {
	c := &checker{}
	c.air(s.Air)
	c.target(s.Target, s.TestSignal.Band)
	c.limits(s.Limits)
	c.testSignal(s.TestSignal, s.Target.Range)
	c.wiring(s.Wiring)
	c.outputs(s)
	c.sources(s)
	c.microphones(s)
	c.zones(s.Zones)
	return c.found
}

// checker gathers problems; finding one does not end the search.
type checker struct{ found []Problem }

func (c *checker) add(path, got, want string) {
	c.found = append(c.found, Problem{path, got, want})
}

// number holds a value to a closed range. It also refuses NaN.
func (c *checker) number(path string, v, low, high float64, unit string) bool {
	ok := v >= low && v <= high
	if !ok {
		c.add(path, num(v)+unit, num(low)+" to "+num(high)+unit)
	}
	return ok
}

func (c *checker) positive(path string, v float64, unit string) {
	if !(v > 0) || math.IsInf(v, 1) {
		c.add(path, num(v)+unit, "more than 0"+unit)
	}
}

func (c *checker) band(path string, b Band, low, high float64) bool {
	ok := b.LowHz >= low && b.HighHz <= high && rising(b)
	if !ok {
		c.add(path, bandWords(b), "two rising frequencies from "+num(low)+" to "+num(high)+" Hz")
	}
	return ok
}

func (c *checker) air(a Air) {
	c.number("air.temperature", a.TemperatureC, -40, 60, " °C")
	c.number("air.humidity", a.Humidity, 0, 1, "")
	c.number("air.pressure", a.PressurePa, 50e3, 110e3, " Pa")
}

func (c *checker) target(t Target, signal Band) {
	if !c.band("target.range", t.Range, 1, 1000) {
		return
	}
	c.number("target.null", t.NullHz, t.Range.LowHz, t.Range.HighHz, " Hz")
	if rising(signal) && (!signal.Contains(t.Range.LowHz) || !signal.Contains(t.Range.HighHz)) {
		c.add("target.range", bandWords(t.Range), "a range inside the test signal, "+bandWords(signal))
	}
}

func (c *checker) limits(l Limits) {
	c.positive("limits.null_depth", l.NullDepthDB, " dB")
	c.positive("limits.null_offset", l.NullOffsetHz, " Hz")
	c.positive("limits.sum_shortfall", l.SumShortfallDB, " dB")
}

func (c *checker) testSignal(t TestSignal, wanted Band) {
	if !c.band("test_signal.band", t.Band, 1, 1000) {
		return
	}
	samples := t.PeriodSec * SampleRate
	whole := math.Round(samples)
	switch {
	case !(t.PeriodSec > 0 && t.PeriodSec <= maxPeriodSec):
		c.add("test_signal.period", num(t.PeriodSec)+" s", fmt.Sprintf("more than 0 and at most %d s", maxPeriodSec))
	case math.Abs(samples-whole) > 1e-6 || !fiveSmooth(int(whole)):
		c.add("test_signal.period", fmt.Sprintf("%s s, which is %s samples", num(t.PeriodSec), num(samples)),
			fmt.Sprintf("a whole number of samples at %d Hz with no prime factor above 5, e.g. 0.5 s", SampleRate))
	case rising(wanted):
		inside := 0
		for _, f := range t.Lines() {
			if wanted.Contains(f) {
				inside++
			}
		}
		if inside < minLines {
			c.add("test_signal.period", fmt.Sprintf("%s s, which puts %d sines into the range", num(t.PeriodSec), inside),
				fmt.Sprintf("at least %d sines, one every 1/period, inside the range", minLines))
		}
	}
}

func (c *checker) wiring(w Wiring) {
	if w.Profile == "" {
		c.add("processor.profile", "nothing", "the name of a processor profile")
	}
	if w.Address == "" {
		c.add("processor.address", "nothing", "host:port of the processor")
	}
}

func (c *checker) outputs(s Site) {
	c.count("outputs", len(s.Outputs), maxSources)
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
		c.feeds(path+".number", s.Fed(o.Number), o.Number)
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
	c.count("sources", len(s.Sources), maxSources)
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
		if c.point(path+".at", src.At) {
			c.apart(path+".at", src.At, s.Sources[:i])
		}
	}
	for _, row := range []Row{RowFront, RowRear} {
		if len(s.Sources) > 0 && rows[row] == 0 {
			c.add("sources", fmt.Sprintf("no source in the %s row", row), "at least one in each row")
		}
	}
}

func (c *checker) microphones(s Site) {
	names := map[string]bool{}
	roles := map[Role]int{}
	for i, m := range s.Microphones {
		path := at("microphones", i)
		c.name(path+".name", m.Name, names)
		roles[m.Role]++
		if m.Role != RoleFront && m.Role != RoleRear {
			c.add(path+".role", quoted(string(m.Role)), `"front" or "rear"`)
		}
		if c.point(path+".at", m.At) {
			c.apart(path+".at", m.At, s.Sources)
		}
	}
	for _, role := range []Role{RoleFront, RoleRear} {
		if n := roles[role]; n != 1 {
			c.add("microphones", fmt.Sprintf("%d with the role %q", n, role), "exactly one")
		}
	}
}

func (c *checker) zones(zones []Zone) {
	names := map[string]bool{}
	kinds := map[ZoneKind]int{}
	for i, z := range zones {
		path := at("zones", i)
		c.name(path+".name", z.Name, names)
		kinds[z.Kind]++
		if z.Kind != ZoneAudience && z.Kind != ZoneQuiet {
			c.add(path+".kind", quoted(string(z.Kind)), `"audience" or "quiet"`)
		}
		c.corners(path+".corners", z.Corners)
	}
	for _, kind := range []ZoneKind{ZoneAudience, ZoneQuiet} {
		if kinds[kind] == 0 {
			c.add("zones", fmt.Sprintf("no zone of the kind %q", kind), "at least one")
		}
	}
	if len(zones) > maxSources {
		c.add("zones", fmt.Sprintf("%d zones", len(zones)), fmt.Sprintf("at most %d", maxSources))
	}
}

func (c *checker) corners(path string, corners []Point) {
	if len(corners) < 3 || len(corners) > maxCorners {
		c.add(path, fmt.Sprintf("%d corners", len(corners)), fmt.Sprintf("3 to %d", maxCorners))
		return
	}
	var twice float64 // the enclosed area, by the shoelace formula
	for i, p := range corners {
		if !c.point(at(path, i), p) {
			return
		}
		if p.Z != corners[0].Z {
			c.add(at(path, i), "a height of "+num(p.Z)+" m", "the height of the first corner, "+num(corners[0].Z)+" m")
		}
		next := corners[(i+1)%len(corners)]
		twice += p.X*next.Y - next.X*p.Y
	}
	if math.Abs(twice) < 2*minApartM*minApartM {
		c.add(path, "corners in one line", "corners that enclose some ground")
	}
}

func (c *checker) count(path string, n, most int) {
	switch {
	case n == 0:
		c.add(path, "none", "at least one")
	case n > most:
		c.add(path, strconv.Itoa(n), fmt.Sprintf("at most %d", most))
	}
}

func (c *checker) name(path, name string, seen map[string]bool) {
	switch {
	case name == "":
		c.add(path, "nothing", "a name")
	case seen[name]:
		c.add(path, quoted(name)+" a second time", "a name of its own")
	}
	seen[name] = true
}

func (c *checker) point(path string, p Point) bool {
	for _, v := range []float64{p.X, p.Y, p.Z} {
		if !(math.Abs(v) <= maxAwayM) {
			c.add(path, num(v)+" m", fmt.Sprintf("within %d m of the origin along each axis", maxAwayM))
			return false
		}
	}
	return true
}

func (c *checker) apart(path string, p Point, sources []Source) {
	for _, src := range sources {
		if d := p.Distance(src.At); d < minApartM {
			c.add(path, fmt.Sprintf("a place %s m from source %q", num(d), src.Name),
				fmt.Sprintf("at least %s m between them", num(minApartM)))
			return
		}
	}
}

func rising(b Band) bool { return b.LowHz < b.HighHz }

func at(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

func num(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

func quoted(s string) string { return strconv.Quote(s) }

func bandWords(b Band) string { return num(b.LowHz) + " to " + num(b.HighHz) + " Hz" }

// fiveSmooth reports whether n has no prime factor above 5. Transforms of such
// lengths are fast and exact; a large prime factor makes them neither.
func fiveSmooth(n int) bool {
	for _, p := range []int{2, 3, 5} {
		for n > 0 && n%p == 0 {
			n /= p
		}
	}
	return n == 1
}
