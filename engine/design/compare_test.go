package design

import (
	"fmt"
	"math"
	"math/cmplx"
	"reflect"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/layout"
)

func TestCompareKeepsTheOrderAndAgreesWithTheReports(t *testing.T) {
	site := sound(t)
	var sites []Named
	for _, as := range []engine.Treatment{engine.TreatGradient, engine.TreatPlain, engine.TreatNull} {
		sites = append(sites, Named{string(as), treat(site, as)})
	}
	comparison, err := Compare(sites, usually)
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(comparison.Names) != "[gradient plain null]" {
		t.Fatalf("names %v, want the order given", comparison.Names)
	}
	table := map[string]Row{}
	for _, row := range comparison.Rows() {
		if row.Label == "" || row.Unit == "" || len(row.Values) != 3 || len(row.Has) != 3 {
			t.Errorf("row %+v, want a label, a unit and three columns", row)
		}
		table[row.Key] = row
	}
	if len(table) != 18 {
		t.Errorf("%d rows of their own keys, want 18", len(table))
	}
	for i, report := range comparison.Reports {
		alone := worked(t, sites[i].Site)
		if !reflect.DeepEqual(alone, report) {
			t.Errorf("%s: compared it comes out otherwise than alone", comparison.Names[i])
		}
		s := report.Prediction.Summary
		near(t, "null", table["null-frequency"].Values[i], s.NullHz, 0)
		near(t, "depth", table["null-depth"].Values[i], -s.NullDepthDB, 0)
		near(t, "at target", table["at-target"].Values[i], -s.AtTargetDB, 0)
		near(t, "sum shortfall", table["sum-shortfall"].Values[i], s.SumShortfallDB, 0)
		near(t, "headroom", table["headroom-cost"].Values[i], report.Prediction.HeadroomCostDB, 0)
		near(t, "quiet mean", table["quiet-mean"].Values[i], -report.Zones[1].MeanDB, 0)
		near(t, "dip", table["audience-dip"].Values[i], -report.Zones[0].WorstDB, 0)
		same := treatedAs(t, report, engine.Treatment(comparison.Names[i]))
		if !reflect.DeepEqual(same, report.Own) {
			t.Errorf("%s: as set and as treated differ", comparison.Names[i])
		}
	}
	if notch := table["first-notch"]; !notch.Has[0] || notch.Has[1] || notch.Values[1] != 0 {
		t.Errorf("first notch %+v, want one of the gradient and none with all in phase", notch)
	}
}

// usually works a site out for the usual processor.
func usually(site engine.Site) (Report, error) { return Work(site, usual) }

func TestCompareRefuses(t *testing.T) {
	site := sound(t)
	deaf := site
	deaf.Microphones = nil
	for want, sites := range map[string][]Named{
		"nothing to compare":     nil,
		`the name ""`:            {{"", site}},
		`the name "a"`:           {{"a", site}, {"a", site}},
		"comparing: b: working ": {{"a", site}, {"b", deaf}},
	} {
		if _, err := Compare(sites, usually); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

// What the mean and the worst are made of, from the prediction itself.
func TestRejectionsAgainstThePrediction(t *testing.T) {
	r := worked(t, three(t, 1.9, 0.4, 1.9))
	worst, power, n := math.Inf(1), 0.0, 0.0
	for i, hz := range r.Prediction.Front.FreqHz {
		ratio := cmplx.Abs(r.Prediction.Rear.P[i]) / cmplx.Abs(r.Prediction.Front.P[i])
		near(t, "rejection", r.Own.RejectionDB[i], -20*math.Log10(ratio), 1e-9)
		if hz >= 30 && hz <= 60 {
			worst, power, n = math.Min(worst, -20*math.Log10(ratio)), power+ratio*ratio, n+1
		}
	}
	near(t, "worst", r.Own.WorstRejectDB, worst, 1e-9)
	near(t, "mean", r.Own.MeanRejectDB, -10*math.Log10(power/n), 1e-9)
}

// The rows' levels are what their outputs do alone.
func TestRowLevelsAgainstTheSolos(t *testing.T) {
	site := three(t, 1.9, 0.4, 1.9)
	site.Target.NullHz = 46 // a line of the test signal
	r := worked(t, site)
	line := 13
	if hz := r.Prediction.Front.FreqHz[line]; hz != 46 {
		t.Fatalf("line %d is %v Hz", line, hz)
	}
	level := func(curve func(engine.Solo) engine.Curve) float64 {
		var rows [2]complex128
		for i, solo := range r.Prediction.Solos {
			rows[min(i, 1)] += curve(solo).P[line]
		}
		return 20 * math.Log10(cmplx.Abs(rows[1])/cmplx.Abs(rows[0]))
	}
	front := level(func(s engine.Solo) engine.Curve { return s.Front })
	rear := level(func(s engine.Solo) engine.Curve { return s.Rear })
	near(t, "front over rear row ahead", found(t, r.Findings, "row-ahead").Value, front, 1e-6)
	near(t, "front over rear row behind", found(t, r.Findings, "row-behind").Value, rear, 1e-6)
	set := r.Sheet.Settings
	near(t, "wanted", found(t, r.Findings, "row-level").Value, (set[1].GainDB+set[2].GainDB+set[3].GainDB)/3-set[0].GainDB-rear, 1e-6)
	if math.Abs(rear) > 0.1 || front < 0.5 {
		t.Errorf("rows %v dB apart behind and %v in front, want equal behind only", rear, front)
	}
}

// large is 16 sources: two mirrored arcs of four, two deep, turned outwards, on
// the ground with a wall behind.
func large(t testing.TB) engine.Site {
	site := rig(t, nil, nil)
	placed, problems := layout.Expand(layout.Layout{Name: "large", Blocks: []layout.Block{{
		Name: "yard", At: engine.Point{X: 2, Y: 9, Z: 0.3}, FacingRad: 0.2, Mirrored: true, Cabinet: "box",
		Shape: layout.Arc, Count: 4, SpacingM: 1.6, ArcRad: 0.9, Depth: 2, DepthM: 1.9, Treatment: engine.TreatNull,
	}}}, []engine.Cabinet{{Name: "box", WidthM: 1.2, DepthM: 0.8, HeightM: 0.6}}, site.Air)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	site.Groups, site.Outputs, site.Sources = placed.Groups, placed.Outputs, placed.Sources
	site.Cabinets = []engine.Cabinet{{Name: "box", WidthM: 1.2, DepthM: 0.8, HeightM: 0.6}}
	site.Ground = 1
	site.Walls = []engine.Wall{{Name: "shed", From: engine.Point{X: -45, Y: -9}, To: engine.Point{X: -45, Y: 9}}}
	site.Zones[0].Corners = []engine.Point{{X: 10, Y: -25}, {X: 60, Y: -25}, {X: 60, Y: 25}, {X: 10, Y: 25}}
	return site
}

func TestALargeSiteComesOutTheSameTwice(t *testing.T) {
	site := large(t)
	site.Zones[0].Corners = []engine.Point{{X: 20, Y: -6}, {X: 32, Y: -6}, {X: 32, Y: 6}, {X: 20, Y: 6}}
	if problems := site.Problems(); len(problems) > 0 {
		t.Fatal(problems)
	}
	one, two := worked(t, site), worked(t, site)
	if !reflect.DeepEqual(one, two) { // NaN is not equal to itself either
		t.Error("the same site came out differently, or with a value that is no number")
	}
	if len(one.Sides) != 3 || len(one.Treated) != 4 {
		t.Errorf("%d sides, %d treatments, want 3 and 4", len(one.Sides), len(one.Treated))
	}
	// The shed's reflection makes several nulls of one: no offset can be said to hold.
	if text := found(t, one.Warnings, "offset-unknown").Text; len(one.Triangles) != 0 || !strings.Contains(text, "jumps past the target") {
		t.Errorf("%d triangles and %q, want none and the reason", len(one.Triangles), text)
	}
	site.Walls = nil
	if open := worked(t, site); len(open.Triangles) != 1 || open.Triangles[0].Array != "yard left" {
		t.Errorf("without the shed: %+v, want one triangle for left and right alike", open.Triangles)
	}
}

func BenchmarkWork(b *testing.B) {
	site := large(b)
	for b.Loop() {
		if _, err := Work(site, usual); err != nil {
			b.Fatal(err)
		}
	}
}

func TestOpeningsAscendAndHoldTheTarget(t *testing.T) {
	site := three(t, 1.9, 0, 1.9)
	site.Target.NullHz = 44.3
	r := worked(t, site)
	for i, o := range r.Openings {
		if i > 0 && o.FreqHz <= r.Openings[i-1].FreqHz {
			t.Errorf("%v Hz after %v", o.FreqHz, r.Openings[i-1].FreqHz)
		}
	}
	for _, hz := range []float64{30, 44.3, 60} {
		if _, ok := r.opening(hz); !ok {
			t.Errorf("no opening at %v Hz", hz)
		}
	}
	if _, ok := r.opening(44.2); ok {
		t.Error("an opening at a frequency that nobody asked for")
	}
}

// A sheet that an aim found is worked out like any other; the treatments are
// judged beside it.
func TestASheetThatWasFoundAlready(t *testing.T) {
	site := sound(t)
	want := worked(t, site)
	got, err := WorkWith(site, want.Sheet, usual)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Error("the solver's sheet handed in comes out otherwise than solved")
	}
	site.Aim = &engine.Aim{HeadroomDB: 3}
	if got, err = WorkWith(site, want.Sheet, usual); err != nil {
		t.Fatal(err)
	}
	if got.Own.Treatment != "" || len(got.Treated) != 4 || got.Own.AtTargetDB != want.Own.AtTargetDB {
		t.Errorf("treated %q among %d, want none of its own beside 4", got.Own.Treatment, len(got.Treated))
	}
	want.Sheet.Settings = want.Sheet.Settings[1:]
	if _, err := WorkWith(site, want.Sheet, usual); err == nil || !strings.HasPrefix(err.Error(), "working out the design: ") {
		t.Errorf("a sheet that lacks an output: got %v", err)
	}
}
