package coverage

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"hushback/engine"
	"hushback/engine/layout"
)

// Two sources: cos(ψ/2) is back at the limit on the way from its null at ψ = π
// to 2π. Half as loud that is two thirds of a wavelength, the trade's rule
// (common practice, no published source). Three: (1 + 2cos ψ)/3, whose side lobe
// of -9.54 dB lies at ψ = π.
func TestLobeSpacingOnPaper(t *testing.T) {
	const hz = 60
	wave := practiceC / hz
	half := 20 * math.Log10(0.5)
	near(t, "two thirds", Row{Count: 2}.LobeSpacing(hz, half, practiceC), 2*wave/3, 1e-9)
	near(t, "two thirds, as known", Row{Count: 2}.LobeSpacing(hz, half, practiceC), 3.8, 0.02)
	for _, limit := range []float64{-3, -6, -9, -12, -20, -40} {
		r := math.Pow(10, limit/20)
		near(t, fmt.Sprintf("two, %g dB", limit), Row{Count: 2}.LobeSpacing(hz, limit, practiceC), wave*(1-math.Acos(r)/math.Pi), 1e-9)
		psi := 2*math.Pi - math.Acos((3*r-1)/2)
		if 3*r < 1 {
			psi = math.Acos(-(1 + 3*r) / 2)
		}
		near(t, fmt.Sprintf("three, %g dB", limit), Row{Count: 3}.LobeSpacing(hz, limit, practiceC), wave*psi/(2*math.Pi), 1e-9)
	}
}

// Against the array factor |sin(Nψ/2)/(N·sin(ψ/2))|, looked at in two thousand
// places: nowhere over the limit before, over it right after.
func TestLobeSpacingAgainstTheArrayFactor(t *testing.T) {
	factor := func(n, psi float64) float64 {
		return 20 * math.Log10(math.Abs(math.Sin(n*psi/2)/(n*math.Sin(psi/2))))
	}
	for n := 2; n <= 16; n++ {
		before := 0.0
		for _, limit := range []float64{-25, -13, -12, -11, -9.6, -6, -3, -0.1} {
			wavelengths := Row{Count: n}.LobeSpacing(100, limit, 100)
			psi, count := 2*math.Pi*wavelengths, float64(n)
			near(t, fmt.Sprintf("%d, %g dB: level there", n, limit), factor(count, psi), limit, 1e-6)
			for look := 2 * math.Pi / count; look < psi-1e-6; look += (psi - 2*math.Pi/count) / 2e3 {
				if factor(count, look) > limit {
					t.Fatalf("%d, %g dB: got %.4f wavelengths, but %.2f dB at %.4f", n, limit, wavelengths, factor(count, look), look/2/math.Pi)
				}
			}
			if wavelengths <= before || wavelengths >= 1 {
				t.Errorf("%d, %g dB: %.4f wavelengths after %.4f", n, limit, wavelengths, before)
			}
			before = wavelengths
		}
	}
}

func TestLobeSpacingThatIsNone(t *testing.T) {
	for _, limit := range []float64{0, 3, math.Inf(1)} {
		if got := (Row{Count: 4}).LobeSpacing(60, limit, 340); !math.IsInf(got, 1) {
			t.Errorf("%g dB: got %g", limit, got)
		}
	}
	for _, bad := range [][4]float64{{0, 60, -6, 340}, {65, 60, -6, 340}, {4, 0, -6, 340}, {4, math.NaN(), -6, 340}, {4, 60, math.NaN(), 340}, {4, 60, -6, 0}, {4, 60, -6, -1}} {
		if got := (Row{Count: int(bad[0])}).LobeSpacing(bad[1], bad[2], bad[3]); !math.IsNaN(got) {
			t.Errorf("%v: got %g", bad, got)
		}
	}
	if a, b := (Row{Count: 5}).LobeSpacing(60, -6, 340), (Row{Count: 5, SpacingM: 9, ArcRad: 1, Delayed: true}).LobeSpacing(60, -6, 340); a != b {
		t.Errorf("spacing and arc were looked at: %g and %g", a, b)
	}
}

// What LobeSpacing says of a row, sideLobe finds on the ground: quieter than the
// limit just inside, louder just outside, and then at the end of the row.
func TestSideLobeAppearsAtLobeSpacing(t *testing.T) {
	const hz = 63
	for _, count := range []int{2, 3, 4, 8, 16} {
		for _, limit := range []float64{-6, -3} {
			spacing := Row{Count: count}.LobeSpacing(hz, limit, yardC())
			for _, part := range []float64{0.99, 1.01} {
				site, sheet := staked(Row{Count: count, SpacingM: part * spacing})
				lobe, ok, err := sideLobe(site, sheet, 0, hz)
				if err != nil || !ok {
					t.Fatal(lobe, ok, err)
				}
				if (lobe.levelDB > limit) != (part > 1) {
					t.Errorf("%d, %g dB: %.2f dB at %g of the spacing", count, limit, lobe.levelDB, part)
				}
				if part > 1 {
					near(t, "at the row's end", math.Abs(degrees(lobe.offAxisRad)), 90, 1e-4)
				}
			}
		}
	}
}

// Unlike sides: a row steered to the left by delay has its repeated lobe on the
// right, where sin θ is a wavelength's phase further on, and no other that loud.
func TestSideLobeOfASteeredRow(t *testing.T) {
	const count, hz, steer = 8, 60, 20
	wave := yardC() / hz
	d := 0.9 * wave
	delays := make([]float64, count)
	row := layout.Row(count, d, 0)
	for i, p := range row {
		delays[i] = (p.Y + 4*d) * math.Sin(rad(steer)) / yardC()
	}
	site, sheet := yard(row, delays...)
	lobe, ok, err := sideLobe(site, sheet, rad(steer), hz)
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	want := math.Asin(math.Sin(rad(steer))-1/0.9) - rad(steer)
	near(t, "where", degrees(lobe.offAxisRad), degrees(want), 1e-4)
	near(t, "level", lobe.levelDB, 0, 1e-9)
	// Mirrored it is on the other side.
	slices.Reverse(delays)
	site, sheet = yard(row, delays...)
	lobe, _, err = sideLobe(site, sheet, -rad(steer), hz)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mirrored", degrees(lobe.offAxisRad), -degrees(want), 1e-4)
}

// No lobe: two sources half a wavelength apart have one dip only, at the side; a
// single one and a cardioid pair have no end or no dip in front. The image
// behind a straight row is not a side lobe.
func TestNoSideLobe(t *testing.T) {
	const hz = 50
	wave := yardC() / hz
	cardioid, reversed := yard([]engine.Point{{}, {X: wave / 8}}, wave/8/yardC(), 0)
	reversed.Settings[0].Polarity = -1
	for _, test := range []struct {
		name string
		make func() (engine.Site, engine.Sheet)
	}{
		{"two half a wavelength apart", func() (engine.Site, engine.Sheet) { return staked(Row{Count: 2, SpacingM: wave / 2}) }},
		{"one", func() (engine.Site, engine.Sheet) { return staked(Row{Count: 1}) }},
		{"close together", func() (engine.Site, engine.Sheet) { return staked(Row{Count: 5, SpacingM: wave / 20}) }},
		{"cardioid", func() (engine.Site, engine.Sheet) { return cardioid, reversed }},
	} {
		site, sheet := test.make()
		lobe, ok, err := sideLobe(site, sheet, 0, hz)
		if ok || err != nil {
			t.Errorf("%s: got %+v, %v", test.name, lobe, err)
		}
	}
}

// By looking every tenth of a degree: from the axis out past 6 dB down, on
// down to the dip, and the loudest beyond it.
func TestSideLobesAgainstLooking(t *testing.T) {
	const seed = 31
	rng := rand.New(rand.NewPCG(seed, seed))
	found := 0
	for trial := range 40 {
		site, sheet := motley(rng)
		hz := 60 + 60*rng.Float64()
		want := math.Inf(-1)
		for _, side := range []float64{+1, -1} {
			level := func(i int) float64 {
				return heard(site, sheet, side*rad(float64(i)/10), hz) - heard(site, sheet, 0, hz)
			}
			i := 0
			for i < 900 && level(i) > -6 {
				i++
			}
			for i < 900 && level(i+1) < level(i) {
				i++
			}
			for dip := i; dip < 900 && i <= 900; i++ {
				want = math.Max(want, level(i))
			}
		}
		lobe, ok, err := sideLobe(site, sheet, 0, hz)
		if err != nil {
			t.Fatal(err)
		}
		if ok != !math.IsInf(want, -1) {
			t.Errorf("seed %d, trial %d: got %v %+v, want %.2f dB", seed, trial, ok, lobe, want)
			continue
		}
		if ok {
			found++
			near(t, fmt.Sprintf("seed %d, trial %d: level", seed, trial), lobe.levelDB, want, 1e-3)
			there := heard(site, sheet, lobe.offAxisRad, hz) - heard(site, sheet, 0, hz)
			near(t, fmt.Sprintf("seed %d, trial %d: level there", seed, trial), lobe.levelDB, there, 1e-9)
		}
	}
	if found < 10 || found > 38 {
		t.Errorf("%d of 40 have a side lobe: no test of both", found)
	}
}
