package engine

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// good is an invented site without problems that says something about
// everything. Tests spoil copies of it.
func good() Site {
	return Site{
		Job:        "barn yard (invented)",
		Air:        Air{TemperatureC: 21, Humidity: 0.4, PressurePa: 98e3},
		Ground:     0.9,
		Walls:      []Wall{{Name: "barn", From: Point{X: 3, Y: 40}, To: Point{X: -3, Y: 40}}, {Name: "hedge bank", From: Point{X: -40, Y: 9}, To: Point{X: -40, Y: -9}}},
		Target:     Target{NullHz: 50, Range: Band{LowHz: 34, HighHz: 70}, OpeningRad: 1.2, SideLobeDB: -9},
		Limits:     Limits{NullDepthDB: 20, NullOffsetHz: 1, SumShortfallDB: 2},
		Tolerance:  Tolerance{PositionM: 0.05, MicrophoneM: 0.1, LevelDB: 0.5, TemperatureC: 4},
		Aim:        &Aim{HeadroomDB: 3, EvennessDB: 8},
		TestSignal: TestSignal{PeriodSec: 0.5, Band: Band{LowHz: 20, HighHz: 120}},
		Wiring:     Wiring{Profile: "plain-eight", Address: "192.0.2.7:8700"},
		Groups:     []Group{{Name: "yard array", Treatment: TreatNull}},
		Outputs: []Output{
			{Number: 3, Label: "behind", Group: "yard array"},
			{Number: 5, Label: "ahead", MaxGainDB: -2, Group: "yard array", AsPlaced: true, BendSec: 0.002},
		},
		Cabinets: []Cabinet{
			{Name: "crate", WidthM: 1.1, DepthM: 0.8, HeightM: 0.6, Directivity: Directivity{
				FreqHz: []float64{30, 60}, AngleRad: []float64{0, math.Pi / 2, math.Pi}, LevelDB: [][]float64{{0, -0.5, -1}, {0, -1, -2.5}},
			}},
			{Name: "plank", WidthM: 2, DepthM: 0.1, HeightM: 0.3},
		},
		Sources: []Source{
			{Name: "behind", Row: RowRear, At: Point{Z: 0.3}, Output: 3, Cabinet: "crate"},
			{Name: "ahead left", Row: RowFront, At: Point{X: 1.7, Y: 1, Z: 0.3}, Output: 5, FacingRad: 0.2, Cabinet: "crate"},
			{Name: "ahead right", Row: RowFront, At: Point{X: 1.7, Y: -1, Z: 0.3}, Output: 5, FacingRad: -0.2},
		},
		Microphones: []Microphone{
			{Name: "desk", Role: RoleFront, At: Point{X: 20, Z: 1}},
			{Name: "gate", Role: RoleRear, At: Point{X: -9, Z: 1}},
		},
		Zones: []Zone{
			{Name: "yard", Kind: ZoneAudience, Corners: []Point{{X: 6, Y: -5}, {X: 25, Y: -5}, {X: 25, Y: 5}}},
			{Name: "lane", Kind: ZoneQuiet, Corners: []Point{{X: -9, Y: -5}, {X: -20, Y: -5}, {X: -20, Y: 5}}, Weight: 2},
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
		{func(s *Site) { s.Limits.NullOffsetHz = -0.1 }, "limits.null_offset: got -0.1 Hz"},
		{func(s *Site) { s.Limits.NullDepthDB = nan }, "limits.null_depth: got NaN dB"},
		{func(s *Site) { s.Limits.SumShortfallDB = inf }, "limits.sum_shortfall: got +Inf dB"},

		{func(s *Site) { s.Series = "sources" }, `series: got "sources", want "outputs", "rows" or "both"`},

		{func(s *Site) { s.TestSignal.Kind = "hum" }, `test_signal.kind: got "hum", want "multisine", "sweep" or "noise"`},
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
		{func(s *Site) { s.Outputs = append(s.Outputs, Output{Number: 6, Group: "yard array"}) }, "outputs[2].number: got output 6, which feeds no source"},
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
		{func(s *Site) { s.Sources[2].At = Point{X: 1.7, Y: 0.95, Z: 0.3} }, `sources[2].at: got a place 0.05 m from source "ahead left"`},
		{func(s *Site) { s.Sources[2].At.Z = -0.1 }, "sources[2].at: got a height of -0.1 m, want 0 m or more"},
		{func(s *Site) { s.Sources[2].FacingRad = 40 }, "sources[2].facing: got 2291.83°, want -360° to 360°"},
		{func(s *Site) { s.Sources[2].Cabinet = "barrel" }, `sources[2].cabinet: got "barrel", want one of the names listed under cabinets`},
		{func(s *Site) { ungrouped(s); s.Sources[0].Row = RowFront }, "sources: got no source in the rear row"},

		{func(s *Site) { s.Ground = 1.1 }, "ground.reflection: got 1.1, want 0 to 1"},
		{func(s *Site) { s.Walls[1].Name = "barn" }, `walls[1].name: got "barn" a second time`},
		{func(s *Site) { s.Walls[1].From.X = nan }, "walls[1].from: got NaN m"},
		{func(s *Site) { s.Walls[1].To.X = 2000 }, "walls[1].to: got 2000 m"},
		{func(s *Site) { s.Walls[1].To = s.Walls[1].From }, "walls[1].to: got the place the wall comes from"},
		{func(s *Site) { s.Walls[0].From.Y, s.Walls[0].To.Y = 0.5, 0.5 }, `walls[0].from: got wall "barn" with source "ahead left" behind it, seen from source "behind"`},
		{func(s *Site) { s.Walls[0].From.Y, s.Walls[0].To.Y = 1.05, 1.05 }, `walls[0].from: got wall "barn" 0.05 m from source "ahead left"`},
		{func(s *Site) { s.Walls[0].From.Y, s.Walls[0].To.Y = 3, 3 }, `walls[0].from: got wall "barn" with zone "yard" behind it`},
		{func(s *Site) { s.Microphones[1].At.X = -41 }, `walls[1].from: got wall "hedge bank" with microphone "gate" behind it`},
		{func(s *Site) { s.Microphones[1].At.X = -40.0001 }, `walls[1].from: got wall "hedge bank" with microphone "gate" behind it`},
		{func(s *Site) { s.Walls = slices.Repeat(s.Walls, 3000) }, "walls: got 6000, want at most 8"},

		{func(s *Site) { s.Target.OpeningRad = 7 }, "target.opening: got 401.07°, want 0° to 360°"},
		{func(s *Site) { s.Target.OpeningRad = -0.1 }, "target.opening: got -5.72958°"},
		{func(s *Site) { s.Target.SideLobeDB = 6 }, "target.side_lobes: got 6 dB, want -60 to 0 dB"},
		{func(s *Site) { s.Tolerance.PositionM = -0.1 }, "tolerance.position: got -0.1 m, want 0 to 1 m"},
		{func(s *Site) { s.Tolerance.MicrophoneM = 2 }, "tolerance.microphone: got 2 m"},
		{func(s *Site) { s.Tolerance.LevelDB = 13 }, "tolerance.level: got 13 dB"},
		{func(s *Site) { s.Tolerance.TemperatureC = 290 }, "tolerance.temperature: got 290 °C"},
		{func(s *Site) { s.Aim.HeadroomDB = 0 }, "aim.headroom: got 0 dB, want more than 0 and at most 60 dB"},
		{func(s *Site) { s.Aim.HeadroomDB = 61 }, "aim.headroom: got 61 dB"},
		{func(s *Site) { s.Aim.EvennessDB = -1 }, "aim.evenness: got -1 dB"},
		{func(s *Site) { s.Zones[1].Weight = -1 }, "zones[1].weight: got -1"},

		{func(s *Site) { s.Groups[0].Treatment = "salt" }, `groups[0].treatment: got "salt", want "null", "end-fire", "gradient" or "plain"`},
		{func(s *Site) { s.Groups[0].Treatment, s.Sources[0].Row = TreatEndFire, RowFront }, `groups[0].treatment: got "end-fire" without a source in the rear row`},
		{func(s *Site) {
			s.Groups[0].Treatment, s.Sources[1].Row, s.Sources[2].Row = TreatGradient, RowRear, RowRear
		}, `groups[0].treatment: got "gradient" without a source in the front row`},
		{func(s *Site) { s.Groups = append(s.Groups, s.Groups[0]) }, `groups[1].name: got "yard array" a second time`},
		{func(s *Site) { s.Groups = append(s.Groups, Group{"spare", TreatPlain}) }, `groups[1].name: got "spare", which no output belongs to`},
		{func(s *Site) { s.Groups[0].Treatment, s.Outputs[0].Group = TreatPlain, "delays" }, `outputs[0].group: got "delays", want one of the names listed under groups`},
		{func(s *Site) { s.Groups[0].Treatment, s.Outputs[0].Group = TreatPlain, "" }, `outputs[0].group: got ""`},
		{func(s *Site) { ungrouped(s); s.Outputs[1].Group = "delays" }, `outputs[1].group: got "delays"`},
		{func(s *Site) { s.Outputs[1].BendSec = -0.001 }, "outputs[1].bend: got -0.001 s, want 0 to 1 s"},
		{func(s *Site) { s.Outputs[1].BendSec = 2 }, "outputs[1].bend: got 2 s"},
		{func(s *Site) { s.Outputs[1].AsPlaced = false }, "outputs[1].bend: got 0.002 s for an output that is aligned in front"},

		{func(s *Site) { s.Cabinets[1].Name = "crate" }, `cabinets[1].name: got "crate" a second time`},
		{func(s *Site) { s.Cabinets[1].Name = "" }, "cabinets[1].name: got nothing"},
		{func(s *Site) { s.Cabinets[1].WidthM, s.Cabinets[1].DepthM = 0, nan }, "cabinets[1].size: got 0 m, want more than 0 and at most 10 m"},
		{func(s *Site) { s.Cabinets[1].HeightM = 30 }, "cabinets[1].size: got 30 m"},
		{func(s *Site) { table(s).FreqHz[0] = 60 }, "cabinets[0].directivity.frequencies[1]: got 60 Hz after 60 Hz, want rising values"},
		{func(s *Site) { table(s).FreqHz[0] = 0 }, "cabinets[0].directivity.frequencies[0]: got 0 Hz, want 1 Hz to 20000 Hz"},
		{func(s *Site) { table(s).FreqHz = nil }, "cabinets[0].directivity.frequencies: got none, want at least one"},
		{func(s *Site) { table(s).FreqHz = axis(1, 500, 1) }, "cabinets[0].directivity.frequencies: got 500, want at most 256"},
		{func(s *Site) { table(s).AngleRad = nil }, "cabinets[0].directivity.angles: got none"},
		{func(s *Site) { table(s).AngleRad[1] = 4 }, "cabinets[0].directivity.angles[1]: got 229.183°, want 0° to 180°"},
		{func(s *Site) { table(s).AngleRad[1] = nan }, "cabinets[0].directivity.angles[1]: got NaN°"},
		{func(s *Site) { table(s).AngleRad[0] = 0.1 }, "cabinets[0].directivity.angles: got 5.72958° to 180°, want angles from 0° to 180°"},
		{func(s *Site) { table(s).AngleRad[2] = 3 }, "cabinets[0].directivity.angles: got 0° to 171.887°"},
		{func(s *Site) { table(s).LevelDB = table(s).LevelDB[:1] }, "cabinets[0].directivity.levels: got 1 rows for 2 frequencies"},
		{func(s *Site) { table(s).LevelDB[1] = nil }, "cabinets[0].directivity.levels[1]: got 0 levels for 3 angles"},
		{func(s *Site) { table(s).LevelDB[1][2] = -61 }, "cabinets[0].directivity.levels[1][2]: got -61 dB"},
		{func(s *Site) { s.Sources[0].At.Z = 0.25 }, "sources[0].at: got a cabinet 0.05 m into the ground"},
		{func(s *Site) { s.Sources[2].At.Y, s.Sources[2].FacingRad, s.Sources[2].Cabinet = 0.1, 0, "crate" }, `sources[2].at: got the cabinet of "ahead right"`},

		{func(s *Site) { s.Microphones[1].Name = "desk" }, `microphones[1].name: got "desk" a second time`},
		{func(s *Site) { s.Microphones[1].At = Point{Z: 0.39} }, `microphones[1].at: got a place 0.09 m from source "behind"`},
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

// ungrouped is a site as simple ones are: one array, no groups.
func ungrouped(s *Site) {
	s.Groups = nil
	for i := range s.Outputs {
		s.Outputs[i].Group = ""
	}
}

func table(s *Site) *Directivity { return &s.Cabinets[0].Directivity }

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

// A list of ten thousand is told once and not looked into, which would take
// ten thousand times ten thousand looks.
func TestTenThousandGiveOneProblem(t *testing.T) {
	const n = 10000
	for want, spoil := range map[string]func(*Site){
		"sources: got 10000, want at most 64":     func(s *Site) { s.Sources = slices.Repeat(s.Sources[:1], n) },
		"outputs: got 10000, want at most 64":     func(s *Site) { s.Outputs = slices.Repeat(s.Outputs[:1], n) },
		"groups: got 10000, want at most 64":      func(s *Site) { s.Groups = slices.Repeat(s.Groups, n) },
		"cabinets: got 10000, want at most 64":    func(s *Site) { s.Cabinets = slices.Repeat(s.Cabinets[:1], n) },
		"microphones: got 10000, want at most 64": func(s *Site) { s.Microphones = slices.Repeat(s.Microphones[:1], n) },
		"zones: got 10000, want at most 64":       func(s *Site) { s.Zones = slices.Repeat(s.Zones[:1], n) },
	} {
		site := good()
		spoil(&site)
		var about []Problem
		for _, p := range site.Problems() {
			if strings.HasPrefix(p.String(), want) {
				about = append(about, p)
			}
		}
		if len(about) != 1 || len(site.Problems()) > 3 {
			t.Errorf("got %d problems, %d of them %q", len(site.Problems()), len(about), want)
		}
	}
}

// An empty site is nothing but problems, and finding them does not panic.
func TestEmptySite(t *testing.T) {
	paths := map[string]bool{}
	for _, p := range (Site{}).Problems() {
		paths[p.Path] = true
	}
	for _, want := range []string{"air.pressure", "target.range", "test_signal.band", "processor.profile", "outputs", "sources", "microphones", "zones"} {
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
	if tried < 3*80 {
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
	case reflect.Pointer:
		found = numbers(v.Elem())
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
		func(s *Site) { s.Ground, s.Microphones[1].At = 0, Point{X: -9, Z: -1} },
		func(s *Site) { s.Microphones[1].At = Point{Z: 0.4} },
		func(s *Site) { s.Microphones[1].At = Point{X: -40} }, // at the wall
		func(s *Site) { s.Walls[0].From.Y, s.Walls[0].To.Y = 5, 5 },
		func(s *Site) { s.Walls[0].From, s.Walls[0].To = s.Walls[0].To, s.Walls[0].From },
		func(s *Site) { s.Ground = 0 },
		func(s *Site) { s.Target.OpeningRad, s.Target.SideLobeDB = 2*math.Pi, -60 },
		func(s *Site) { s.Target.OpeningRad, s.Target.SideLobeDB = 0, 0 },
		func(s *Site) { s.Tolerance, s.Aim = Tolerance{}, nil },
		func(s *Site) { s.Tolerance, s.Aim = Tolerance{1, 1, 12, 40}, &Aim{HeadroomDB: 60} },
		func(s *Site) { s.Outputs[1].BendSec = 1 },
		func(s *Site) { s.Outputs[1].BendSec, s.Outputs[1].AsPlaced = 0, false },
		func(s *Site) { s.Groups[0].Treatment, s.Sources[0].Row = TreatPlain, RowFront },
		func(s *Site) { s.Cabinets[1] = Cabinet{Name: "hall", WidthM: 10, DepthM: 10, HeightM: 10} },
		func(s *Site) { table(s).AngleRad[2] = 180 * (math.Pi / 180) },
		func(s *Site) { *table(s) = Directivity{[]float64{50}, []float64{0, math.Pi}, [][]float64{{-60, 60}}} },
		func(s *Site) { s.Sources[0].FacingRad = -2 * math.Pi },
		func(s *Site) { s.Sources[0].At.Z = 0.291 },
		ungrouped,
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
