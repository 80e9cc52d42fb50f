package coverage

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
)

// motley is an array without any symmetry.
func motley(rng *rand.Rand) (engine.Site, engine.Sheet) {
	var at []engine.Point
	var delays []float64
	for range 2 + rng.IntN(7) {
		at = append(at, engine.Point{X: 3 * rng.Float64(), Y: 8*rng.Float64() - 4, Z: rng.Float64()})
		delays = append(delays, 0.004*rng.Float64())
	}
	site, sheet := yard(at, delays...)
	for i := range site.Sources {
		site.Sources[i].LevelDB = 6*rng.Float64() - 3
		sheet.Settings[i].GainDB = -5 * rng.Float64()
		if rng.IntN(4) == 0 {
			sheet.Settings[i].Polarity = -1
		}
	}
	return site, sheet
}

// heard is the level in a direction by plain sums, in dB.
func heard(site engine.Site, sheet engine.Sheet, angle, hz float64) float64 {
	var p complex128
	for _, s := range site.Sources {
		set, _ := sheet.Setting(s.Output)
		ahead := s.At.X*math.Cos(angle) + s.At.Y*math.Sin(angle)
		p += complex(float64(set.Polarity)*math.Pow(10, (s.LevelDB+set.GainDB)/20), 0) *
			cmplx.Exp(complex(0, 2*math.Pi*hz*(ahead/yardC()-set.DelaySec)))
	}
	return 20 * math.Log10(cmplx.Abs(p))
}

// At an edge the level is 6 dB below the axis; looking every half degree from
// the axis to the edge it is nowhere lower; and where no edge is found there is
// none to be seen, down to a dip that slips between two looks.
func TestOpeningsOfMotleyArrays(t *testing.T) {
	const seed = 21
	rng := rand.New(rand.NewPCG(seed, seed))
	freq := []float64{30, 47, 61, 88}
	var apart, lost int
	for trial := range 30 {
		site, sheet := motley(rng)
		axis := 2 * math.Pi * rng.Float64()
		openings, err := Openings(site, sheet, axis, freq)
		if err != nil {
			t.Fatal(err)
		}
		for i, o := range openings {
			what := fmt.Sprintf("seed %d, trial %d, %g Hz", seed, trial, freq[i])
			for side, edge := range map[float64]float64{+1: o.LeftRad, -1: o.RightRad} {
				below := func(turn float64) float64 {
					return heard(site, sheet, axis+side*turn, freq[i]) - heard(site, sheet, axis, freq[i])
				}
				for turn := 0.0; turn < edge-1e-6; turn += rad(0.5) {
					if below(turn) < -6.01 {
						t.Fatalf("%s: edge %.3f° on side %g, already %.2f dB at %.1f°", what, degrees(edge), side, below(turn), degrees(turn))
					}
				}
				if edge < math.Pi {
					near(t, what+": level at the edge", below(edge), -6, 1e-6)
				}
			}
			want := o.LeftRad + o.RightRad
			if o.LeftRad == math.Pi || o.RightRad == math.Pi {
				want = 2 * math.Pi
				lost++
			} else if math.Abs(o.LeftRad-o.RightRad) > 0.1 {
				apart++
			}
			near(t, what+": both sides", o.AngleRad, want, 1e-12)
			if o.FreqHz != freq[i] {
				t.Errorf("%s: says %g Hz", what, o.FreqHz)
			}
		}
	}
	if apart < 10 || lost < 10 {
		t.Errorf("%d unlike sides, %d without control: no test", apart, lost)
	}
}

// Turn the array with its axis and nothing changes; mirror it and left and
// right change places; move it, delay it, reverse it: nothing again.
func TestWhatOpeningsDoNotDependOn(t *testing.T) {
	const seed = 22
	rng := rand.New(rand.NewPCG(seed, seed))
	freq := []float64{35, 52, 70}
	for trial := range 40 {
		site, sheet := motley(rng)
		axis := rng.Float64()
		want, err := Openings(site, sheet, axis, freq)
		if err != nil {
			t.Fatal(err)
		}
		turn, swap := 6*rng.Float64(), slices.Clone(want)
		for i := range swap {
			swap[i].LeftRad, swap[i].RightRad = swap[i].RightRad, swap[i].LeftRad
		}
		move := func(to func(p engine.Point) engine.Point) engine.Site {
			s := site
			s.Sources = slices.Clone(site.Sources)
			for i := range s.Sources {
				s.Sources[i].At = to(s.Sources[i].At)
			}
			return s
		}
		turned := move(func(p engine.Point) engine.Point {
			sin, cos := math.Sincos(turn)
			return engine.Point{X: p.X*cos - p.Y*sin, Y: p.X*sin + p.Y*cos}
		})
		mirrored := move(func(p engine.Point) engine.Point { return engine.Point{X: p.X, Y: -p.Y} })
		moved := move(func(p engine.Point) engine.Point { return engine.Point{X: p.X + 20, Y: p.Y - 9, Z: 2} })
		roomy := site
		roomy.Ground, roomy.Walls = 1, []engine.Wall{{From: engine.Point{X: -9, Y: -9}, To: engine.Point{X: -9, Y: 9}}}
		other := engine.Sheet{Settings: slices.Clone(sheet.Settings)}
		for i := range other.Settings {
			other.Settings[i].DelaySec += 0.01
			other.Settings[i].Polarity *= -1
			other.Settings[i].GainDB -= 3
		}
		for _, test := range []struct {
			name  string
			site  engine.Site
			sheet engine.Sheet
			axis  float64
			want  []Opening
		}{
			{"turned", turned, sheet, axis + turn, want}, {"mirrored", mirrored, sheet, -axis, swap}, {"moved", moved, sheet, axis, want},
			{"ground and wall", roomy, sheet, axis, want}, {"later, reversed, quieter", site, other, axis, want}, {"once round", site, sheet, axis - 2*math.Pi, want},
		} {
			got, err := Openings(test.site, test.sheet, test.axis, freq)
			if err != nil {
				t.Fatal(err)
			}
			for i := range got {
				near(t, fmt.Sprintf("seed %d, trial %d, %s: left", seed, trial, test.name), got[i].LeftRad, test.want[i].LeftRad, 1e-8)
				near(t, fmt.Sprintf("seed %d, trial %d, %s: right", seed, trial, test.name), got[i].RightRad, test.want[i].RightRad, 1e-8)
			}
		}
	}
}

// A row by itself and the same row staked out as a site.
func TestOpeningsOfRows(t *testing.T) {
	const seed = 23
	rng := rand.New(rand.NewPCG(seed, seed))
	for trial := range 60 {
		row, hz := randomRow(rng)
		site, sheet := staked(row)
		got, err := Openings(site, sheet, 0, []float64{hz})
		if err != nil {
			t.Fatal(err)
		}
		want := row.Opening(hz, yardC())
		what := fmt.Sprintf("seed %d, trial %d, %+v at %g Hz", seed, trial, row, hz)
		near(t, what, got[0].AngleRad, want, 1e-8)
		near(t, what+": left", got[0].LeftRad, math.Min(math.Pi, want/2), 1e-8)
	}
}

// A cabinet whose table says -6 dB at 70° covers 140°, wherever it faces, and
// an axis beside its facing sees the sides apart.
func TestOpeningOfOneDirectiveCabinet(t *testing.T) {
	site, sheet := yard([]engine.Point{{X: 1}})
	site.Cabinets = []engine.Cabinet{{Name: "horn", Directivity: engine.Directivity{
		FreqHz: []float64{50}, AngleRad: []float64{0, rad(35), rad(70), math.Pi}, LevelDB: [][]float64{{0, -3, -6, -20}},
	}}}
	site.Sources[0].Cabinet, site.Sources[0].FacingRad = "horn", rad(25)
	openings, err := Openings(site, sheet, rad(25), []float64{50})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "covered", degrees(openings[0].AngleRad), 140, 1e-6)
	openings, err = Openings(site, sheet, rad(60), []float64{50}) // -3 dB there: -9 dB, 3/14 of the way from 70 to 180° on
	if err != nil {
		t.Fatal(err)
	}
	out := 70 + 110*3.0/14
	near(t, "left of an axis to the left", degrees(openings[0].LeftRad), out-35, 1e-6)
	near(t, "right of it", degrees(openings[0].RightRad), out+35, 1e-6)
}

// A gradient pair covers as wide as a cardioid does while it is small: with
// (1+cos)/2 down to 10^(-6/20).
func TestGradientPairOpensLikeACardioid(t *testing.T) {
	const d, hz = 0.05, 20
	site, sheet := yard([]engine.Point{{}, {X: d}}, d/yardC(), 0)
	sheet.Settings[0].Polarity = -1
	openings, err := Openings(site, sheet, 0, []float64{hz})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "opening", openings[0].AngleRad, 2*math.Acos(2*math.Pow(10, -6.0/20)-1), 1e-4)
	openings, err = Openings(site, sheet, math.Pi, []float64{hz})
	if err == nil {
		t.Errorf("about its null: got %+v, want an error", openings)
	}
}

func TestOpeningsRefuse(t *testing.T) {
	nan := math.NaN()
	for _, test := range []struct {
		want  string
		spoil func(site *engine.Site, sheet *engine.Sheet, axis *float64, freq *[]float64)
	}{
		{"got 0 sources, want 1 to 64", func(s *engine.Site, _ *engine.Sheet, _ *float64, _ *[]float64) { s.Sources = nil }},
		{"got 10000 sources, want 1 to 64", func(s *engine.Site, _ *engine.Sheet, _ *float64, _ *[]float64) {
			s.Sources = make([]engine.Source, 10000)
		}},
		{"axis: got NaN rad", func(_ *engine.Site, _ *engine.Sheet, a *float64, _ *[]float64) { *a = nan }},
		{"axis: got +Inf rad", func(_ *engine.Site, _ *engine.Sheet, a *float64, _ *[]float64) { *a = math.Inf(1) }},
		{"got a frequency of 0 Hz", func(_ *engine.Site, _ *engine.Sheet, _ *float64, f *[]float64) { *f = []float64{50, 0} }},
		{"got 0 frequencies", func(_ *engine.Site, _ *engine.Sheet, _ *float64, f *[]float64) { *f = nil }},
		{"got a frequency of NaN Hz", func(_ *engine.Site, _ *engine.Sheet, _ *float64, f *[]float64) { *f = []float64{nan} }},
		{"got a frequency of -3 Hz", func(_ *engine.Site, _ *engine.Sheet, _ *float64, f *[]float64) { *f = []float64{-3} }},
		{"wavelengths across at 1e+09 Hz, want at most 1000", func(_ *engine.Site, _ *engine.Sheet, _ *float64, f *[]float64) { *f = []float64{1e9} }},
		{"NaN wavelengths across", func(s *engine.Site, _ *engine.Sheet, _ *float64, _ *[]float64) { s.Sources[1].At.Y = nan }},
		{"no speed of sound", func(s *engine.Site, _ *engine.Sheet, _ *float64, _ *[]float64) { s.Air.TemperatureC = nan }},
		{`output 2`, func(_ *engine.Site, h *engine.Sheet, _ *float64, _ *[]float64) { h.Settings = h.Settings[:1] }},
		{"at 50 Hz nothing plays on the axis", func(_ *engine.Site, h *engine.Sheet, _ *float64, _ *[]float64) {
			h.Settings[0].Muted, h.Settings[1].Muted = true, true
		}},
		{"at 50 Hz nothing plays on the axis", func(_ *engine.Site, h *engine.Sheet, _ *float64, _ *[]float64) { h.Settings[1].Polarity = -1 }},
	} {
		site, sheet := yard([]engine.Point{{Y: 1}, {Y: -1}})
		axis, freq := 0.0, []float64{50}
		test.spoil(&site, &sheet, &axis, &freq)
		if got, err := Openings(site, sheet, axis, freq); err == nil || !strings.HasPrefix(err.Error(), "coverage: ") || !strings.Contains(err.Error(), test.want) {
			t.Errorf("openings: got %v, %v, want %q", got, err, test.want)
		}
		if freq == nil {
			continue
		}
		if got, ok, err := sideLobe(site, sheet, axis, freq[len(freq)-1]); err == nil || ok || !strings.Contains(err.Error(), test.want) {
			t.Errorf("side lobe: got %v, %v, %v, want %q", got, ok, err, test.want)
		}
	}
}

// The same site gives the same bits.
func TestOpeningsAreTheSameAgain(t *testing.T) {
	site, sheet := motley(rand.New(rand.NewPCG(1, 1)))
	freq := []float64{31, 45, 60}
	first, err := Openings(site, sheet, 0.2, freq)
	if err != nil {
		t.Fatal(err)
	}
	for range 5 {
		if again, _ := Openings(site, sheet, 0.2, freq); !slices.Equal(again, first) {
			t.Fatalf("got %v, then %v", first, again)
		}
	}
}
