package coverage

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Every polynomial's roots are known: they are what it is made of.
func TestFallsFindsTheFirstOfKnownRoots(t *testing.T) {
	const seed = 5
	rng := rand.New(rand.NewPCG(seed, seed))
	x := steps(1, 0, 40)
	for trial := range 500 {
		first, second := 0.03+0.9*rng.Float64(), 0.03+0.9*rng.Float64()
		first, second = math.Min(first, second), math.Max(first, second)
		if second-first < 1e-4 {
			continue // too narrow a dip to be promised
		}
		stretch := 0.5 + 3*rng.Float64()
		f := func(v float64) float64 { return (v - first) * (v - second) * math.Exp(stretch*v) }
		got, ok := falls(x, each(x, f), f)
		if !ok || math.Abs(got-first) > 1e-9 {
			t.Fatalf("seed %d, trial %d: got %v, %v, want %v before %v", seed, trial, got, ok, first, second)
		}
		half := (second - first) / 2
		clear := func(v float64) float64 { return (v-first)*(v-second) + 1.001*half*half }
		if got, ok := falls(x, each(x, clear), clear); ok {
			t.Fatalf("seed %d, trial %d: fell at %v although the dip ends above 0", seed, trial, got)
		}
	}
}

func TestFallsAtTheEnds(t *testing.T) {
	x := steps(2, 0, 8)
	for _, test := range []struct {
		name string
		f    func(float64) float64
		want float64
		ok   bool
	}{
		{"at once", func(v float64) float64 { return v - 1 }, 0, true},
		{"at zero", func(v float64) float64 { return v }, 0, true},
		{"on a step", func(v float64) float64 { return 1 - v }, 1, true},
		{"at the end", func(v float64) float64 { return 2 - v }, 2, true},
		{"never", func(v float64) float64 { return 3 - v }, 0, false},
		{"just clears", func(v float64) float64 { return (v-1.1)*(v-1.1) + 1e-9 }, 0, false},
		{"dip before the first step", func(v float64) float64 { return (v - 0.06) * (v - 0.12) }, 0.06, true},
		{"dip after the last but one", func(v float64) float64 { return (v - 1.9) * (v - 1.95) }, 1.9, true},
		{"corner between steps", func(v float64) float64 { return math.Abs(v-1.1) - 0.01 }, 1.09, true},
		{"steep", func(v float64) float64 { return 1 - math.Pow(v/1.7, 200) }, 1.7, true},
		{"flat", func(v float64) float64 { return math.Pow(1.3-v, 3) }, 1.3, true},
	} {
		got, ok := falls(x, each(x, test.f), test.f)
		if ok != test.ok {
			t.Errorf("%s: got %v, want %v", test.name, ok, test.ok)
		}
		near(t, test.name, got, test.want, 1e-9)
	}
}

func TestRootEitherWayRound(t *testing.T) {
	for _, sign := range []float64{1, -1} {
		f := func(v float64) float64 { return sign * (math.Exp(v) - 2) }
		near(t, "ln 2", root(f, 0, 3, f(0), f(3)), math.Ln2, 1e-12)
		near(t, "ln 2 backwards", root(f, 3, 0, f(3), f(0)), math.Ln2, 1e-12)
		near(t, "at a", root(f, math.Ln2, 3, 0, f(3)), math.Ln2, 0)
		near(t, "at b", root(f, 0, math.Ln2, f(0), 0), math.Ln2, 0)
	}
	looks := 0
	root(func(v float64) float64 { looks++; return math.NaN() }, 0, 1, 1, -1)
	if looks > 200 {
		t.Errorf("looked %d times at what is not a number", looks)
	}
}

// A sine's lowest place is where its slope is nothing, to what doubles resolve.
func TestBottom(t *testing.T) {
	for _, parts := range []int{16, 33, 100} {
		x := steps(10, 0, parts)
		f := func(v float64) float64 { return math.Sin(3*v) + 0.05*v }
		at, low := bottom(x, each(x, f), f)
		want := (2*math.Pi - math.Acos(-0.05/3)) / 3 // 3·cos 3v = -0.05, the first rising side
		near(t, "where", at, want, 1e-7)
		near(t, "how low", low, f(want), 1e-12)
	}
}
