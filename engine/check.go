package engine

import (
	"fmt"
	"math"
	"slices"
	"strconv"
)

// What a site may hold. The limits keep slips of the pen (feet for metres,
// kelvin for Celsius) from becoming settings, and keep every loop bounded:
// a list that is too long is told once and not looked into.
const (
	maxSources    = 64
	maxProcessors = 16
	maxCorners    = 64
	maxWalls      = 8
	maxEntries    = 256  // of a directivity table, along either axis
	maxAwayM      = 1000 // from the origin, along each axis
	maxSizeM      = 10   // of a cabinet
	minApartM     = 0.1  // closer than this two points are one
	slackM        = 0.001
	minLines      = 3 // test signal lines inside the range
	maxPeriodSec  = 10
	maxBendSec    = 1
	maxLevelDB    = 60
	maxWeight     = 1000
)

// Problems lists everything that keeps a site from being solved, in the order
// of the fields of Site; none means that every other package can rely on it.
func (s Site) Problems() []Problem {
	c := &checker{ground: s.Ground > 0}
	c.air(s.Air)
	c.number("ground.reflection", s.Ground, 0, 1, "")
	c.walls(s)
	c.target(s.Target, s.TestSignal.Band)
	c.limits(s.Limits)
	c.tolerance(s.Tolerance)
	if s.Aim != nil {
		c.aim(*s.Aim)
	}
	c.testSignal(s.TestSignal, s.Target.Range)
	if !slices.Contains([]Series{"", SeriesOutputs, SeriesRows, SeriesBoth}, s.Series) {
		c.add("series", strconv.Quote(string(s.Series)), `"outputs", "rows" or "both"`)
	}
	c.wiring(s)
	c.groups(s)
	c.outputs(s)
	c.cabinets(s.Cabinets)
	c.sources(s)
	c.microphones(s)
	c.zones(s.Zones)
	return c.found
}

// checker gathers problems; finding one does not end the search.
type checker struct {
	found  []Problem
	ground bool // z = 0 reflects
}

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

// degrees holds an angle in radians to a closed range, in words for people.
func (c *checker) degrees(path string, rad, low, high float64) {
	if !(rad >= low && rad <= high) {
		c.add(path, degreeWords(rad), degreeWords(low)+" to "+degreeWords(high))
	}
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
	c.degrees("target.opening", t.OpeningRad, 0, 2*math.Pi)
	c.number("target.side_lobes", t.SideLobeDB, -maxLevelDB, 0, " dB")
	if rising(signal) && (!signal.Contains(t.Range.LowHz) || !signal.Contains(t.Range.HighHz)) {
		c.add("target.range", bandWords(t.Range), "a range inside the test signal, "+bandWords(signal))
	}
}

// limits may be open.
func (c *checker) limits(l Limits) {
	for _, one := range []struct {
		path  string
		value float64
		unit  string
	}{
		{"limits.null_depth", l.NullDepthDB, " dB"},
		{"limits.null_offset", l.NullOffsetHz, " Hz"},
		{"limits.sum_shortfall", l.SumShortfallDB, " dB"},
	} {
		if one.value != 0 {
			c.positive(one.path, one.value, one.unit)
		}
	}
}

func (c *checker) tolerance(t Tolerance) {
	c.number("tolerance.position", t.PositionM, 0, 1, " m")
	c.number("tolerance.microphone", t.MicrophoneM, 0, 1, " m")
	c.number("tolerance.level", t.LevelDB, 0, 12, " dB")
	c.number("tolerance.temperature", t.TemperatureC, 0, 40, " °C")
}

func (c *checker) aim(a Aim) {
	if !(a.HeadroomDB > 0 && a.HeadroomDB <= maxLevelDB) {
		c.add("aim.headroom", num(a.HeadroomDB)+" dB", fmt.Sprintf("more than 0 and at most %d dB", maxLevelDB))
	}
	c.number("aim.evenness", a.EvennessDB, 0, maxLevelDB, " dB")
}

func (c *checker) testSignal(t TestSignal, wanted Band) {
	if !slices.Contains([]SignalKind{"", SignalMultisine, SignalSweep, SignalNoise}, t.Kind) {
		c.add("test_signal.kind", strconv.Quote(string(t.Kind)), `"multisine", "sweep" or "noise"`)
	}
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

func (c *checker) wiring(s Site) {
	c.reached("processor", s.Wiring)
	if len(s.Further) > maxProcessors {
		c.add("further_processors", strconv.Itoa(len(s.Further)), fmt.Sprintf("at most %d", maxProcessors))
		return
	}
	names := map[string]bool{}
	for i, w := range s.Further {
		path := at("further_processors", i)
		c.name(path+".name", w.Name, names)
		c.reached(path, w)
		if len(s.On(w.Name)) == 0 {
			c.add(path+".name", quoted(w.Name)+", which no output names", "a processor that some output belongs to")
		}
		for _, before := range s.Wirings()[:i+1] {
			if w.Address != "" && w.Address == before.Address {
				c.add(path+".address", w.Address+" a second time", "an address of its own")
			}
		}
	}
}

func (c *checker) reached(path string, w Wiring) {
	if w.Profile == "" {
		c.add(path+".profile", "nothing", "the name of a processor profile")
	}
	if w.Address == "" {
		c.add(path+".address", "nothing", "host:port of the processor")
	}
}

// count reports whether a list is short enough to be looked into.
func (c *checker) count(path string, n, most int) bool {
	switch {
	case n == 0:
		c.add(path, "none", "at least one")
	case n > most:
		c.add(path, strconv.Itoa(n), fmt.Sprintf("at most %d", most))
	}
	return n <= most
}

// few is count for a list that may be empty.
func (c *checker) few(path string, n int) bool { return n == 0 || c.count(path, n, maxSources) }

func (c *checker) name(path, name string, seen map[string]bool) {
	switch {
	case name == "":
		c.add(path, "nothing", "a name")
	case seen[name]:
		c.add(path, quoted(name)+" a second time", "a name of its own")
	}
	seen[name] = true
}

func rising(b Band) bool { return b.LowHz < b.HighHz }

func at(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

func num(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

func degreeWords(rad float64) string { return num(rad*180/math.Pi) + "°" }

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
