package rehearsal

import (
	"strings"
	"testing"

	"hushback/engine"
)

func TestParseFault(t *testing.T) {
	for _, c := range []struct {
		s    string
		want Fault
	}{
		{"polarity", Fault{Polarity, 0}}, {"polarity=1", Fault{Polarity, 1}},
		{"dead=4", Fault{Dead, 4}}, {"late=3", Fault{Late, 3}}, {"moved=2", Fault{Moved, 2}},
		{"moved", Fault{Moved, 0}}, {"cold", Fault{Cold, 0}}, {"deaf", Fault{Deaf, 0}},
	} {
		got, err := ParseFault(c.s, []int{1, 2, 3, 4})
		if err != nil || got != c.want {
			t.Errorf("%q: %+v, %v; want %+v", c.s, got, err, c.want)
		}
		if got.String() != c.s {
			t.Errorf("%q is spelled %q", c.s, got)
		}
	}
}

func TestParseFaultSaysWhatThereIs(t *testing.T) {
	const kinds = "there are polarity, dead, late, moved, cold and deaf"
	for _, c := range []struct{ s, want string }{
		{"", kinds}, {"dea", kinds}, {"Dead", kinds}, {"=1", kinds}, {"wet=2", kinds},
		{"dead=9", `the site has no output "9", it has 1, 2, 3 and 4`},
		{"dead=0", `no output "0"`}, {"dead=", `no output ""`}, {"dead=two", `no output "two"`}, {"dead=1=2", `no output "1=2"`},
		{"cold=1", "takes no output; an output goes with polarity, dead, late and moved"}, {"deaf=", "takes no output"},
	} {
		got, err := ParseFault(c.s, []int{1, 2, 3, 4})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %+v, %v; want an error with %q", c.s, got, err, c.want)
		}
	}
}

func TestFaultWithoutAnOutputMeansTheFirstFrontOutput(t *testing.T) {
	for _, kind := range []FaultKind{Polarity, Dead, Late, Moved} {
		got, err := Fault{Kind: kind}.settle(testSite())
		if want := (Fault{kind, 2}); err != nil || got != want {
			t.Errorf("%s: %+v, %v; want %+v", kind, got, err, want)
		}
	}
	rearOnly := testSite()
	rearOnly.Sources = rearOnly.Sources[:1]
	if got, err := (Fault{Kind: Dead}).settle(rearOnly); err == nil {
		t.Errorf("a site without front sources: %+v, want an error", got)
	}
}

func TestFaultThatTheSiteCannotHaveIsRefused(t *testing.T) {
	for _, bad := range []Fault{{Dead, 7}, {"wet", 0}, {"wet", 2}, {Cold, 1}, {NoFault, 1}, {Dead, -1}} {
		if got, err := bad.settle(testSite()); err == nil {
			t.Errorf("%+v became %+v, want an error", bad, got)
		}
	}
	for _, good := range []Fault{{}, {Kind: Cold}, {Kind: Deaf}, {Dead, 1}} {
		if got, err := good.settle(testSite()); err != nil || got != good {
			t.Errorf("%+v: %+v, %v", good, got, err)
		}
	}
}

// testSite is an invented job: one rear source, three in front of it on an
// arc.
func testSite() engine.Site {
	source := func(name string, row engine.Row, x, y float64, output int) engine.Source {
		return engine.Source{Name: name, Row: row, At: engine.Point{X: x, Y: y, Z: 0.3}, Output: output}
	}
	return engine.Site{
		Job:        "test yard",
		Air:        engine.Air{TemperatureC: 17.5, Humidity: 0.62, PressurePa: 100900},
		Target:     engine.Target{NullHz: 47, Range: engine.Band{LowHz: 32, HighHz: 68}},
		Limits:     engine.Limits{NullDepthDB: 24, NullOffsetHz: 0.5, SumShortfallDB: 1.5},
		TestSignal: engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Outputs:    []engine.Output{{Number: 1}, {Number: 2}, {Number: 3}, {Number: 4}},
		Sources: []engine.Source{
			source("rear", engine.RowRear, 0, 0, 1),
			source("left front", engine.RowFront, 1.65, 1.75, 2),
			source("centre front", engine.RowFront, 2.1, 0, 3),
			source("right front", engine.RowFront, 1.65, -1.75, 4),
		},
		Microphones: []engine.Microphone{
			{Name: "far", Role: engine.RoleFront, At: engine.Point{X: 24, Z: 1.2}},
			{Name: "back", Role: engine.RoleRear, At: engine.Point{X: -12, Z: 1.2}},
		},
	}
}

// testSheet is the sheet of the test site, solved on its own by hand
// arithmetic: delays that bring all sources to the front microphone together,
// the fronts turned down until their sum behind is as loud as the rear source,
// then shifted to meet it in opposite phase at 47 Hz; speed of sound 341.9 m/s;
// rounded to 0.01 ms and 0.1 dB.
func testSheet() []engine.Setting {
	return []engine.Setting{
		{Output: 1, DelaySec: 0, Polarity: 1, GainDB: 0},
		{Output: 2, DelaySec: 4.70e-3, Polarity: 1, GainDB: -7.8},
		{Output: 3, DelaySec: 6.21e-3, Polarity: 1, GainDB: -7.8},
		{Output: 4, DelaySec: 4.70e-3, Polarity: 1, GainDB: -7.8},
	}
}
