package engine

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// good is an invented site without problems. Tests spoil copies of it.
func good() Site {
	return Site{
		Job:        "barn yard (invented)",
		Air:        Air{TemperatureC: 21, Humidity: 0.4, PressurePa: 98e3},
		Target:     Target{NullHz: 50, Range: Band{LowHz: 34, HighHz: 70}},
		Limits:     Limits{NullDepthDB: 20, NullOffsetHz: 1, SumShortfallDB: 2},
		TestSignal: TestSignal{PeriodSec: 0.5, Band: Band{LowHz: 20, HighHz: 120}},
		Wiring:     Wiring{Profile: "plain-eight", Address: "192.0.2.7:8700"},
		Outputs:    []Output{{Number: 3, Label: "behind"}, {Number: 5, Label: "ahead", MaxGainDB: -2}},
		Sources: []Source{
			{Name: "behind", Row: RowRear, Output: 3},
			{Name: "ahead left", Row: RowFront, At: Point{X: 1.7, Y: 1}, Output: 5},
			{Name: "ahead right", Row: RowFront, At: Point{X: 1.7, Y: -1}, Output: 5},
		},
		Microphones: []Microphone{
			{Name: "desk", Role: RoleFront, At: Point{X: 20, Z: 1}},
			{Name: "gate", Role: RoleRear, At: Point{X: -9, Z: 1}},
		},
		Zones: []Zone{
			{Name: "yard", Kind: ZoneAudience, Corners: []Point{{X: 6, Y: -5}, {X: 25, Y: -5}, {X: 25, Y: 5}}},
			{Name: "lane", Kind: ZoneQuiet, Corners: []Point{{X: -9, Y: -5}, {X: -20, Y: -5}, {X: -20, Y: 5}}},
		},
	}
}

func TestGoodSiteHasNoProblems(t *testing.T) {
	if found := good().Problems(); found != nil {
		t.Fatalf("got %v", found)
	}
}

// Each row breaks one thing and names the one problem that must come of it.
func TestEveryDefectIsNamedWhereItStands(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	tests := []struct {
		spoil func(*Site)
		want  string // PATH: got GOT
	}{
		{func(s *Site) { s.Air.TemperatureC = 290 }, "air.temperature: got 290 °C"},
		{func(s *Site) { s.Air.TemperatureC = nan }, "air.temperature: got NaN °C"},
		{func(s *Site) { s.Air.Humidity = 40 }, "air.humidity: got 40"},
		{func(s *Site) { s.Air.PressurePa = 980 }, "air.pressure: got 980 Pa"},

		{func(s *Site) { s.Target.NullHz = 71 }, "target.null: got 71 Hz"},
		{func(s *Site) { s.Target.NullHz = nan }, "target.null: got NaN Hz"},
		{func(s *Site) { s.Target.Range = Band{70, 34} }, "target.range: got 70 to 34 Hz"},
		{func(s *Site) { s.Target.Range = Band{34, inf} }, "target.range: got 34 to +Inf Hz"},
		{func(s *Site) { s.Target.Range.LowHz = 19 }, "target.range: got 19 to 70 Hz, want a range inside the test signal, 20 to 120 Hz"},

		{func(s *Site) { s.Limits.NullDepthDB = -20 }, "limits.null_depth: got -20 dB"},
		{func(s *Site) { s.Limits.NullOffsetHz = 0 }, "limits.null_offset: got 0 Hz"},
		{func(s *Site) { s.Limits.SumShortfallDB = inf }, "limits.sum_shortfall: got +Inf dB"},

		{func(s *Site) { s.TestSignal.Band = Band{} }, "test_signal.band: got 0 to 0 Hz"},
		{func(s *Site) { s.TestSignal.PeriodSec = 0 }, "test_signal.period: got 0 s"},
		{func(s *Site) { s.TestSignal.PeriodSec = nan }, "test_signal.period: got NaN s"},
		{func(s *Site) { s.TestSignal.PeriodSec = 11 }, "test_signal.period: got 11 s"},
		{func(s *Site) { s.TestSignal.PeriodSec = 0.7 }, "test_signal.period: got 0.7 s, which is 33600 samples"},
		{func(s *Site) { s.TestSignal.PeriodSec = 0.50001 }, "test_signal.period: got 0.50001 s, which is 24000.5 samples"},
		{func(s *Site) { s.TestSignal.PeriodSec = 0.05 }, "test_signal.period: got 0.05 s, which puts 2 sines into the range"},

		{func(s *Site) { s.Wiring.Profile = "" }, "processor.profile: got nothing"},
		{func(s *Site) { s.Wiring.Address = "" }, "processor.address: got nothing"},

		{func(s *Site) { s.Outputs[0].MaxGainDB = inf }, "outputs[0].max_gain: got +Inf dB"},
		{func(s *Site) { s.Outputs = append(s.Outputs, Output{Number: 6}) }, "outputs[2].number: got output 6, which feeds no source"},
		{func(s *Site) { s.Outputs = append(s.Outputs, s.Outputs[1]) }, "outputs[2].number: got 5 a second time"},
		{func(s *Site) { s.Outputs[0], s.Outputs[1] = s.Outputs[1], s.Outputs[0] }, "outputs[1].number: got 3 after 5"},
		{func(s *Site) { s.Outputs[0].Number, s.Sources[0].Output = 0, 0 }, "outputs[0].number: got 0"},
		{func(s *Site) {
			s.Sources = append(s.Sources, Source{Name: "odd", Row: RowRear, At: Point{X: -1}, Output: 5})
		}, `outputs[1].number: got output 5, which feeds "ahead left" in one row and "odd" in the other`},

		{func(s *Site) { s.Sources[1].Name = "" }, "sources[1].name: got nothing"},
		{func(s *Site) { s.Sources[2].Name = "behind" }, `sources[2].name: got "behind" a second time`},
		{func(s *Site) { s.Sources[2].LevelDB = nan }, "sources[2].level: got NaN dB"},
		{func(s *Site) { s.Sources[2].Output = 4 }, "sources[2].output: got output 4, which is not declared"},
		{func(s *Site) { s.Sources[2].At.Y = nan }, "sources[2].at: got NaN m"},
		{func(s *Site) { s.Sources[2].At.Y = -1001 }, "sources[2].at: got -1001 m"},
		{func(s *Site) { s.Sources[2].At = Point{X: 1.7, Y: 0.95} }, `sources[2].at: got a place 0.05 m from source "ahead left"`},
		{func(s *Site) { s.Sources[0].Row = RowFront }, "sources: got no source in the rear row"},

		{func(s *Site) { s.Microphones[1].Name = "desk" }, `microphones[1].name: got "desk" a second time`},
		{func(s *Site) { s.Microphones[1].At = Point{Z: 0.09} }, `microphones[1].at: got a place 0.09 m from source "behind"`},
		{func(s *Site) { s.Microphones[0].At.Z = inf }, "microphones[0].at: got +Inf m"},
		{func(s *Site) { s.Microphones = s.Microphones[1:] }, `microphones: got 0 with the role "front"`},
		{func(s *Site) {
			s.Microphones = append(s.Microphones, Microphone{Name: "third", Role: RoleRear, At: Point{X: -5}})
		}, `microphones: got 2 with the role "rear"`},

		{func(s *Site) { s.Zones[1].Name = "yard" }, `zones[1].name: got "yard" a second time`},
		{func(s *Site) { s.Zones[0].Corners = s.Zones[0].Corners[:2] }, "zones[0].corners: got 2 corners"},
		{func(s *Site) { s.Zones[0].Corners[1].X = 1e9 }, "zones[0].corners[1]: got 1e+09 m"},
		{func(s *Site) { s.Zones[0].Corners[2].Z = 1 }, "zones[0].corners[2]: got a height of 1 m"},
		{func(s *Site) { s.Zones[0].Corners[2] = Point{X: 15.5, Y: -5} }, "zones[0].corners: got corners in one line"},
		{func(s *Site) { s.Zones = s.Zones[:1] }, `zones: got no zone of the kind "quiet"`},
	}
	for _, test := range tests {
		site := good()
		test.spoil(&site)
		found := site.Problems()
		if len(found) != 1 || !strings.HasPrefix(found[0].String(), test.want) {
			t.Errorf("got %q, want one problem that starts %q", found, test.want)
			continue
		}
		if !strings.Contains(found[0].String(), ", want ") || found[0].Want == "" {
			t.Errorf("%q does not say what is wanted", found[0])
		}
	}
}

// Words that the loader would refuse first still must not pass here.
func TestUnknownWords(t *testing.T) {
	site := good()
	site.Sources[0].Row, site.Microphones[0].Role, site.Zones[0].Kind = "side", "balcony", "bar"
	var all strings.Builder
	for _, p := range site.Problems() {
		all.WriteString(p.String() + "\n")
	}
	for _, want := range []string{`sources[0].row: got "side"`, `microphones[0].role: got "balcony"`, `zones[0].kind: got "bar"`} {
		if !strings.Contains(all.String(), want) {
			t.Errorf("%q is missing from\n%s", want, all.String())
		}
	}
}

func TestTooMany(t *testing.T) {
	site := good()
	for i := range 65 {
		site.Sources = append(site.Sources, Source{Name: strings.Repeat("x", i+1), Row: RowRear, At: Point{X: -1 - float64(i)}, Output: 3})
		site.Zones = append(site.Zones, Zone{Name: strings.Repeat("z", i+1), Kind: ZoneQuiet, Corners: site.Zones[1].Corners})
	}
	found := site.Problems()
	if len(found) != 2 || found[0].Path != "sources" || found[1].Path != "zones" {
		t.Fatalf("got %v", found)
	}
}

// An empty site is nothing but problems, and finding them does not panic.
func TestEmptySite(t *testing.T) {
	paths := map[string]bool{}
	for _, p := range (Site{}).Problems() {
		paths[p.Path] = true
	}
	for _, want := range []string{"air.pressure", "target.range", "limits.null_depth", "test_signal.band", "processor.profile", "outputs", "sources", "microphones", "zones"} {
		if !paths[want] {
			t.Errorf("no problem at %s", want)
		}
	}
}

// Every number of a site, found by reflection so that none is forgotten when
// fields are added, is refused when it is not a number at all.
func TestNoNumberMayBeMissing(t *testing.T) {
	tried := 0
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		site := good()
		for i := range numbers(reflect.ValueOf(&site).Elem()) {
			site := good()
			numbers(reflect.ValueOf(&site).Elem())[i].SetFloat(bad)
			if site.Problems() == nil {
				t.Errorf("number %d of the site may be %g", i, bad)
			}
			tried++
		}
	}
	if tried < 3*40 {
		t.Errorf("tried %d numbers, want every one of the site", tried)
	}
}

// numbers lists every float64 that a value holds.
func numbers(v reflect.Value) []reflect.Value {
	var found []reflect.Value
	switch v.Kind() {
	case reflect.Float64:
		found = append(found, v)
	case reflect.Struct:
		for i := range v.NumField() {
			found = append(found, numbers(v.Field(i))...)
		}
	case reflect.Slice:
		for i := range v.Len() {
			found = append(found, numbers(v.Index(i))...)
		}
	}
	return found
}

// The ends of what is allowed are allowed.
func TestLimitsIncludeTheirEnds(t *testing.T) {
	for i, change := range []func(*Site){
		func(s *Site) { s.Air = Air{TemperatureC: -40, Humidity: 0, PressurePa: 50e3} },
		func(s *Site) { s.Air = Air{TemperatureC: 60, Humidity: 1, PressurePa: 110e3} },
		func(s *Site) { s.Target.NullHz = s.Target.Range.LowHz },
		func(s *Site) { s.Target.NullHz = s.Target.Range.HighHz },
		func(s *Site) { s.Target.Range = s.TestSignal.Band },
		func(s *Site) { s.TestSignal.PeriodSec = 10 },
		func(s *Site) { s.TestSignal.PeriodSec = 0.1 },
		func(s *Site) { s.Microphones[0].At = Point{X: 1000, Y: -1000, Z: 1000} },
		func(s *Site) { s.Microphones[1].At = Point{Z: -0.1} },
		func(s *Site) { s.Sources[1].LevelDB, s.Outputs[1].MaxGainDB = -60, 60 },
	} {
		site := good()
		change(&site)
		if found := site.Problems(); found != nil {
			t.Errorf("change %d: got %v", i, found)
		}
	}
}

// Looking for problems must not change what is looked at.
func TestProblemsLeaveTheSiteAlone(t *testing.T) {
	site := good()
	site.Problems()
	if !reflect.DeepEqual(site, good()) {
		t.Errorf("the site became %+v", site)
	}
}

// All products 2^a·3^b·5^c up to 2000, made by multiplying instead of dividing.
func TestFiveSmooth(t *testing.T) {
	smooth := map[int]bool{}
	for a := 1; a <= 2000; a *= 2 {
		for b := a; b <= 2000; b *= 3 {
			for c := b; c <= 2000; c *= 5 {
				smooth[c] = true
			}
		}
	}
	for n := range 2001 {
		if got := fiveSmooth(n); got != smooth[n] {
			t.Errorf("%d: got %v", n, got)
		}
	}
}

// Several things wrong are all reported, each once, in the order of the file.
func TestAllProblemsComeAtOnce(t *testing.T) {
	site := good()
	site.Air.Humidity = 62
	site.Target.NullHz = 20
	site.Outputs[1].MaxGainDB = 300
	site.Sources[0].At.X = math.NaN()
	site.Microphones[1].Name = ""
	site.Zones[1].Corners = nil
	var paths []string
	for _, p := range site.Problems() {
		paths = append(paths, p.Path)
	}
	want := []string{"air.humidity", "target.null", "outputs[1].max_gain", "sources[0].at", "microphones[1].name", "zones[1].corners"}
	if !slices.Equal(paths, want) {
		t.Errorf("got %v, want %v", paths, want)
	}
}

// Words for people: no scientific notation for everyday numbers, a unit on
// every quantity, and the sentence as it will be printed.
func TestProblemReadsAsASentence(t *testing.T) {
	site := good()
	site.Air.PressurePa = 980
	site.Target.NullHz = 75.5
	want := []string{
		"air.pressure: got 980 Pa, want 50000 to 110000 Pa",
		"target.null: got 75.5 Hz, want 34 to 70 Hz",
	}
	for i, p := range site.Problems() {
		if p.String() != want[i] {
			t.Errorf("got %q, want %q", p, want[i])
		}
	}
}
