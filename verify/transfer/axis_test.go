package transfer

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"
)

// delayed is a made-up function: several arrivals, noise, on lines 2 Hz apart.
func delayed(rng *rand.Rand, sec, noise float64) Function {
	f := Function{Averages: 6}
	for hz := 20.0; hz <= 120; hz += 2 {
		var h complex128
		for _, late := range []float64{0, 0.8e-3, 1.9e-3} { // an arc seen from the side
			h += cmplx.Rect(0.2, -2*math.Pi*hz*(sec+late))
		}
		f.add(hz, h+complex(noise*rng.NormFloat64(), noise*rng.NormFloat64()), noise, 0.9)
	}
	return f
}

func TestDelay(t *testing.T) {
	const seed = 41
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	none := delayed(rng, 0, 0).Delay(0.3) // what the arrivals themselves come to
	if none < 0 || none > 1.9e-3 {
		t.Fatalf("three arrivals within 1.9 ms lie at %g s", none)
	}
	for range 50 {
		want := 0.25 * rng.Float64()
		if got := delayed(rng, want, 0).Delay(0.3) - none; math.Abs(got-want) > 2e-6 {
			t.Errorf("delay %.6f s: got %.6f s", want, got)
		}
		if got := delayed(rng, want, 0.06).Delay(0.3) - none; math.Abs(got-want) > 1e-3 {
			t.Errorf("delay %.6f s in noise: got %.6f s", want, got)
		}
	}
	reversed := delayed(rng, 0.02, 0)
	for i := range reversed.H {
		reversed.H[i] = -reversed.H[i]
	}
	if got := reversed.Delay(0.3) - none; math.Abs(got-0.02) > 2e-6 {
		t.Errorf("reversed polarity moves the delay to %g s", got)
	}
	if got := (Function{}).Delay(1); got != 0 {
		t.Errorf("no function is %g s late", got)
	}
}

func TestAt(t *testing.T) {
	f := delayed(rand.New(rand.NewPCG(1, 1)), 0, 0)
	same, err := f.At(f.FreqHz)
	if err != nil {
		t.Fatal(err)
	}
	for i := range f.H {
		if same.H[i] != f.H[i] || same.Sigma[i] != f.Sigma[i] {
			t.Fatalf("its own frequency %g Hz: got %v, want %v", f.FreqHz[i], same.H[i], f.H[i])
		}
	}
	between, err := f.At([]float64{41, 55.5, 83})
	if err != nil {
		t.Fatal(err)
	}
	for i, hz := range between.FreqHz {
		var want complex128
		for _, late := range []float64{0, 0.8e-3, 1.9e-3} {
			want += cmplx.Rect(0.2, -2*math.Pi*hz*late)
		}
		if cmplx.Abs(between.H[i]-want) > 1e-4*cmplx.Abs(want) {
			t.Errorf("%g Hz: got %v, want %v", hz, between.H[i], want)
		}
	}
	for hz, words := range map[float64]string{19: "go from 20 to 120 Hz", 121: "go from 20 to 120 Hz", 21: "twelfth of an octave"} {
		if _, err := f.At([]float64{hz}); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%g Hz: %v", hz, err)
		}
	}
	if _, err := (Function{}).At([]float64{50}); err == nil {
		t.Error("an empty function has values")
	}
}
