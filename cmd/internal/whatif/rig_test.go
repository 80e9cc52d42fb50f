package whatif

import (
	"math"
	"slices"
	"testing"

	"hushback/configs"
	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/layout"
)

const degree = math.Pi / 180

var usual = engine.Ranges{DelaySec: engine.Grid{Max: 0.65, Step: 1e-5}, GainDB: engine.Grid{Min: -60, Max: 6, Step: 0.1}}

func asIs(_ engine.Site, s engine.Sheet) engine.Sheet { return s }

func near(t testing.TB, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.12g, want %.12g within %g", what, got, want, within)
	}
}

// examples is every layout of every example site, by "site, layout".
func examples(t testing.TB) []design.Named {
	t.Helper()
	var all []design.Named
	for _, name := range configs.SiteNames() {
		layouts, err := configs.OpenLayouts(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range layouts {
			all = append(all, design.Named{Name: name + ", " + l.Name, Site: l.Site})
		}
	}
	if len(all) < 10 {
		t.Fatalf("%d example layouts", len(all))
	}
	return all
}

// green is an invented site with room to move in.
func green() engine.Site {
	return engine.Site{
		Job:        "Cinderford green, brass day (invented)",
		Air:        engine.Air{TemperatureC: 18, Humidity: 0.6, PressurePa: 101000},
		Ground:     0.9,
		Target:     engine.Target{NullHz: 45, Range: engine.Band{LowHz: 32, HighHz: 63}},
		Limits:     engine.Limits{NullDepthDB: 20, NullOffsetHz: 1, SumShortfallDB: 3},
		TestSignal: engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Wiring:     engine.Wiring{Profile: "plain-eight", Address: "192.0.2.1:8700"},
		Cabinets:   []engine.Cabinet{{Name: "double", WidthM: 1.1, DepthM: 0.8, HeightM: 0.6}},
		Microphones: []engine.Microphone{
			{Name: "mixing desk", Role: engine.RoleFront, At: engine.Point{X: 25, Z: 1.5}},
			{Name: "back gate", Role: engine.RoleRear, At: engine.Point{X: -14, Z: 1.5}},
		},
		Zones: []engine.Zone{
			{Name: "crowd", Kind: engine.ZoneAudience, Corners: []engine.Point{{X: 8, Y: -9}, {X: 40, Y: -18}, {X: 40, Y: 18}, {X: 8, Y: 9}}},
			{Name: "gardens", Kind: engine.ZoneQuiet, Corners: []engine.Point{{X: -50, Y: -18}, {X: -25, Y: -18}, {X: -25, Y: 18}, {X: -50, Y: 18}}},
		},
	}
}

// built is the green with one block on it, worked out by engine/layout.
func built(t testing.TB, b layout.Block, a engine.Air) engine.Site {
	t.Helper()
	site := green()
	site.Air = a
	b.Name, b.Cabinet, b.At.Z = "a", "double", 0.4
	placed, problems := layout.Expand(layout.Layout{Blocks: []layout.Block{b}}, site.Cabinets, a)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	site.Groups, site.Outputs, site.Sources = placed.Groups, placed.Outputs, placed.Sources
	if problems := site.Problems(); len(problems) > 0 {
		t.Fatal(problems)
	}
	return site
}

// sixteen is a deep arc: twelve in front, four behind.
func sixteen(t testing.TB) engine.Site {
	return built(t, layout.Block{Shape: layout.Arc, Count: 12, SpacingM: 1.3, ArcRad: 1, Depth: 2, DepthM: 1.9, RowCount: 4}, green().Air)
}

// same holds two sites to each other, places and delays to within rounding.
func same(t *testing.T, what string, got, want engine.Site) {
	t.Helper()
	if len(got.Sources) != len(want.Sources) || len(got.Outputs) != len(want.Outputs) {
		t.Fatalf("%s: %d sources, %d outputs, want %d, %d", what, len(got.Sources), len(got.Outputs), len(want.Sources), len(want.Outputs))
	}
	for i, w := range want.Sources {
		g := got.Sources[i]
		if d := g.At.Distance(w.At); d > 1e-9 {
			t.Errorf("%s: %s stands at %v, want %v", what, w.Name, g.At, w.At)
		}
		g.At, w.At = engine.Point{}, engine.Point{}
		if g != w {
			t.Errorf("%s: %+v, want %+v", what, g, w)
		}
	}
	for i, w := range want.Outputs {
		near(t, what+": delay of "+w.Label, got.Outputs[i].BendSec, w.BendSec, 1e-12)
		g := got.Outputs[i]
		g.BendSec = w.BendSec
		if g != w {
			t.Errorf("%s: %+v, want %+v", what, g, w)
		}
	}
	if got.Target != want.Target || got.Air != want.Air || !slices.Equal(got.Groups, want.Groups) {
		t.Errorf("%s: %+v %+v %+v, want %+v %+v %+v", what, got.Target, got.Air, got.Groups, want.Target, want.Air, want.Groups)
	}
}
