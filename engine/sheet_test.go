package engine

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestNearestIsNearest(t *testing.T) {
	const seed = 11
	rng := rand.New(rand.NewPCG(seed, seed))
	g := Grid{Min: -60, Max: 6, Step: 0.1}
	for range 2000 {
		v := g.Min - 5 + rng.Float64()*(g.Max-g.Min+10)
		got := g.Nearest(v)
		if got < g.Min || got > g.Max {
			t.Fatalf("seed %d: %g leaves the range", seed, got)
		}
		held := math.Max(g.Min, math.Min(g.Max, v))
		if math.Abs(got-held) > g.Step/2+1e-9 {
			t.Fatalf("seed %d: %g is %g from %g", seed, got, math.Abs(got-held), held)
		}
		if again := g.Nearest(got); again != got {
			t.Fatalf("seed %d: %g is not its own nearest, %g is", seed, got, again)
		}
	}
	if !g.Same(-7.8, -7.76) || g.Same(-7.8, -7.7) {
		t.Error("half a step is where two settings begin to differ")
	}
}

func TestDigestSeesEverySetting(t *testing.T) {
	base := Setting{Output: 2, DelaySec: 0.004, Polarity: 1, GainDB: -7.8}
	seen := map[string]int{}
	for i, change := range []func(*Setting){
		func(*Setting) {},
		func(s *Setting) { s.Output = 3 },
		func(s *Setting) { s.DelaySec = math.Nextafter(s.DelaySec, 1) },
		func(s *Setting) { s.Polarity = -1 },
		func(s *Setting) { s.GainDB = math.Nextafter(s.GainDB, 0) },
		func(s *Setting) { s.Muted = true },
	} {
		set := base
		change(&set)
		digest := Sheet{Settings: []Setting{set}}.Digest()
		if before, twice := seen[digest]; twice {
			t.Errorf("changes %d and %d share a digest", before, i)
		}
		seen[digest] = i
	}
	if _, ok := (Sheet{Settings: []Setting{base}}).Setting(1); ok {
		t.Error("found a setting that is not there")
	}
}

func TestAdvanceTakesOutADelay(t *testing.T) {
	c := Curve{FreqHz: []float64{25, 50, 75}, P: make([]complex128, 3)}
	for i, f := range c.FreqHz { // a delay of 7 ms, written out without e^{jx}
		sin, cos := math.Sincos(2 * math.Pi * f * 0.007)
		c.P[i] = complex(2*cos, -2*sin)
	}
	kept := c.P[1]
	for i, p := range c.Advance(0.007).P {
		if math.Abs(real(p)-2) > 1e-12 || math.Abs(imag(p)) > 1e-12 {
			t.Errorf("%g Hz: got %v, want 2", c.FreqHz[i], p)
		}
	}
	if c.P[1] != kept {
		t.Error("the curve itself changed")
	}
}

func TestDecibels(t *testing.T) {
	// 20·log10 of 10, 2 and 1/1000; nothing, and less than nothing measurable.
	for ratio, want := range map[float64]float64{10: 20, 2: 6.020599913279624, 1e-3: -60, 0: FloorDB, 1e-9: FloorDB} {
		if got := DB(ratio); math.Abs(got-want) > 1e-12 {
			t.Errorf("DB(%g) = %g, want %g", ratio, got, want)
		}
	}
	for _, db := range []float64{-97, -7.8, 0, 12} {
		if got := DB(Ratio(db)); math.Abs(got-db) > 1e-12 {
			t.Errorf("%g dB became %g dB", db, got)
		}
	}
}

// Where the range is no whole number of steps both ends are still allowed.
func TestNearestAllowsBothEnds(t *testing.T) {
	g := Grid{Min: 0.5, Max: 2, Step: 0.7}
	for v, want := range map[float64]float64{-9: 0.5, 0.8: 0.5, 0.9: 1.2, 1.5: 1.2, 1.6: 1.9, 2: 1.9, 9: 1.9} {
		if got := g.Nearest(v); math.Abs(got-want) > 1e-12 {
			t.Errorf("%g: got %g, want %g", v, got, want)
		}
	}
}
