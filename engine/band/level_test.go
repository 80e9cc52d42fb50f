package band

import (
	"math"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
)

// drawn is an invented site: two sources on the axis, the zones single strips.
func drawn() engine.Site {
	strip := func(x0, x1 float64) []engine.Point {
		return []engine.Point{{X: x0, Y: -1}, {X: x1, Y: -1}, {X: x1, Y: 1}, {X: x0, Y: 1}}
	}
	return engine.Site{
		Job: "Invented", Air: engine.Air{TemperatureC: 20, Humidity: 0.5, PressurePa: 101325},
		Target:      engine.Target{NullHz: 45, Range: engine.Band{LowHz: 31.5, HighHz: 80}},
		TestSignal:  engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Outputs:     []engine.Output{{Number: 1}, {Number: 2}},
		Sources:     []engine.Source{{Name: "rear", Row: engine.RowRear, Output: 1}, {Name: "front", Row: engine.RowFront, At: engine.Point{X: 1.9}, Output: 2}},
		Microphones: []engine.Microphone{{Role: engine.RoleFront, At: engine.Point{X: 25}}, {Role: engine.RoleRear, At: engine.Point{X: -15}}},
		Zones: []engine.Zone{
			{Name: "lawn", Kind: engine.ZoneAudience, Corners: strip(10, 30)}, {Name: "lane", Kind: engine.ZoneQuiet, Corners: strip(-30, -20)},
		},
	}
}

func sheet() engine.Sheet {
	return engine.Sheet{Settings: []engine.Setting{{Output: 1, Polarity: 1}, {Output: 2, Polarity: 1, DelaySec: 0.0055, GainDB: -1.5}}}
}

// meanEnergy integrates |p|² over a band's logarithm by the trapezoid rule in a
// thousand steps, p being the two sources' closed form.
func meanEnergy(t *testing.T, b Band, x float64, together bool) float64 {
	t.Helper()
	c, _ := air.SoundSpeed(drawn().Air)
	const steps = 1000
	var sum float64
	for k := range steps + 1 {
		f := b.LowHz * math.Pow(b.HighHz/b.LowHz, float64(k)/steps)
		one, two := math.Abs(x), math.Abs(x-1.9)
		a, g := 1/one, math.Pow(10, -1.5/20)/two
		phase := 2 * math.Pi * f * ((two-one)/c + 0.0055)
		e := a*a + g*g + 2*a*g*math.Cos(phase)
		if together {
			e = (a + g) * (a + g)
		}
		weight := 1.0
		if k == 0 || k == steps {
			weight = 0.5
		}
		sum += weight * e / steps
	}
	return sum
}

// The microphones' levels in thirds of an octave against the closed form's
// integral: eight points of a smooth curve are within a few hundredths of a dB.
func TestLevelsAreBandMeans(t *testing.T) {
	levels, err := Levels(drawn(), sheet())
	if err != nil || len(levels) != 5 || levels[0].NominalHz != 31.5 || levels[4].NominalHz != 80 {
		t.Fatalf("%+v, %v", levels, err)
	}
	for _, l := range levels {
		front, rear := meanEnergy(t, l.Band, 25, false), meanEnergy(t, l.Band, -15, false)
		if want := 10 * math.Log10(rear/front); math.Abs(l.RearDB-want) > 0.1 {
			t.Errorf("%g Hz: rear %.3f dB, want %.3f", l.NominalHz, l.RearDB, want)
		}
		if want := 10 * math.Log10(front/meanEnergy(t, l.Band, 25, true)); math.Abs(l.FrontDB-want) > 0.02 {
			t.Errorf("%g Hz: front %.3f dB, want %.3f", l.NominalHz, l.FrontDB, want)
		}
		if len(l.Quiet) != 1 || l.Quiet[0].Name != "lane" {
			t.Fatalf("zones %+v", l.Quiet)
		}
	}
	if math.Abs(levels[0].RearDB-levels[2].RearDB) < 1 {
		t.Error("bands near and far from the null are alike")
	}
}

// A single source: zones stand to each other as the means of 1/r², in every band.
func TestZonesOfOneSource(t *testing.T) {
	site := drawn()
	site.Outputs, site.Sources = site.Outputs[:1], site.Sources[:1]
	strip := func(x0, x1 float64) float64 { // the mean of 1/r² over a strip 2 m wide, by midpoints
		var sum float64
		const n = 200
		for i := range n {
			for j := range n {
				x, y := x0+(x1-x0)*(float64(i)+0.5)/n, -1+2*(float64(j)+0.5)/n
				sum += 1 / (x*x + y*y) / (n * n)
			}
		}
		return sum
	}
	for _, withAudience := range []bool{true, false} {
		against := strip(10, 30)
		if !withAudience {
			site.Zones = site.Zones[1:]
			against = 1. / (25 * 25)
		}
		levels, err := Levels(site, engine.Sheet{Settings: sheet().Settings[:1]})
		if err != nil {
			t.Fatal(err)
		}
		want := 10 * math.Log10(strip(-30, -20)/against)
		for _, l := range levels {
			if math.Abs(l.Quiet[0].DB-want) > 0.1 || math.Abs(l.FrontDB) > 1e-9 || math.Abs(l.RearDB-20*math.Log10(25./15)) > 1e-9 {
				t.Errorf("audience %v, %g Hz: %+v, want a zone at %.3f dB", withAudience, l.NominalHz, l, want)
			}
		}
	}
}

// Which thirds a range has: by the middle as it is or as it is called, marked where
// they reach beyond it.
func TestThirdsOfARange(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      []float64
		beyond    []bool
	}{
		{31.5, 63, []float64{31.5, 40, 50, 63}, []bool{true, false, false, true}},
		{32, 62.9, []float64{40, 50}, []bool{false, false}},
		{20, 25, []float64{20, 25}, []bool{true, true}},
		{79.5, 99.9, []float64{80}, []bool{true}},
		{28.1, 71, []float64{31.5, 40, 50, 63}, make([]bool, 4)},
		{31.6, 31.65, []float64{31.5}, []bool{true}},
	} {
		site := drawn()
		site.Target.Range = engine.Band{LowHz: c.low, HighHz: c.high}
		levels, err := Levels(site, sheet())
		if err != nil {
			t.Fatal(err)
		}
		var names []float64
		var beyond []bool
		for _, l := range levels {
			names, beyond = append(names, l.NominalHz), append(beyond, l.Beyond)
		}
		if !slices.Equal(names, c.want) || !slices.Equal(beyond, c.beyond) {
			t.Errorf("%g to %g Hz: %v, beyond %v; want %v, %v", c.low, c.high, names, beyond, c.want, c.beyond)
		}
	}
}

func TestLevelsOfNothing(t *testing.T) {
	site := drawn()
	site.Target.Range = engine.Band{LowHz: 42, HighHz: 48}
	if levels, err := Levels(site, sheet()); err != nil || len(levels) != 0 {
		t.Errorf("a range without a middle: %v, %v", levels, err)
	}
	site.Target.Range.HighHz = 60
	site.Microphones = site.Microphones[:1]
	if _, err := Levels(site, sheet()); err == nil || !strings.Contains(err.Error(), "band of 50 Hz: the site has no rear microphone") {
		t.Error(err)
	}
}
