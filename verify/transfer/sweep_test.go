package transfer

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"hushback/engine"
)

// sweepOf is an exponential sweep over the band with a fifth of silence after it.
func sweepOf(rate float64, n int, band engine.Band) []float64 {
	x := make([]float64, n)
	sec, ratio := 0.8*float64(n)/rate, math.Log(band.HighHz/band.LowHz)
	for i := range x[:int(0.8*float64(n))] {
		x[i] = math.Sin(2 * math.Pi * band.LowHz * sec / ratio * math.Expm1(ratio*float64(i)/rate/sec))
	}
	return x
}

// playedBy is a signal of one period after a system, over and over, from anywhere
// in it on.
func playedBy(x []float64, rate float64, repeats, from int, system func(hz float64) complex128) (ref, mic []float64) {
	plan := fourier.NewFFT(len(x))
	c := plan.Coefficients(nil, x)
	for k := range c {
		c[k] *= system(float64(k)*rate/float64(len(x))) / complex(float64(len(x)), 0)
	}
	y := plan.Sequence(nil, c)
	for i := range repeats * len(x) {
		ref, mic = append(ref, x[(i+from)%len(x)]), append(mic, y[(i+from)%len(x)])
	}
	return ref, mic
}

// ringing is a resonance with a direct way, late and of reversed polarity.
func ringing(hz float64) complex128 {
	s := complex(0, hz/55)
	return cmplx.Rect(-0.63, -2*math.Pi*hz*0.0053) * (1 + (s/3)/(1+s*s+s/3))
}

// The sweep's function, a multisine's by Estimate and the true one agree to within
// four standard errors, which are neither too small nor too great.
func TestSweep(t *testing.T) {
	const rate, repeat, repeats, seed = 480, 960, 16, 61
	rng := rand.New(rand.NewPCG(seed, 1))
	band := engine.Band{LowHz: 25, HighHz: 110} // inside the sweep
	ref, mic := playedBy(sweepOf(rate, repeat, subs), rate, repeats, 333, ringing)
	got, err := Sweep(ref, noisy(rng, mic, 0.1), rate, band, repeat)
	if err != nil {
		t.Fatal(err)
	}
	x, y := through(rng, every(0.5, band), rate, repeat*repeats, ringing)
	other, err := Estimate(x, noisy(rng, y, 1), rate, band, Options{Segment: repeat, Hop: repeat})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.H) != 171 || len(other.H) != 171 || got.Averages != repeats {
		t.Fatalf("%d and %d lines from %g repeats, want 171 from %d", len(got.H), len(other.H), got.Averages, repeats)
	}
	var square float64
	for i, hz := range got.FreqHz {
		for what, off := range map[string]float64{
			"the true system": cmplx.Abs(got.H[i]-ringing(hz)) / got.Sigma[i],
			"the multisine":   cmplx.Abs(got.H[i]-other.H[i]) / math.Hypot(got.Sigma[i], other.Sigma[i]),
		} {
			if off > 4*math.Sqrt2 {
				t.Errorf("seed %d, %g Hz: %v is %.2f standard errors from %s", seed, hz, got.H[i], off, what)
			}
		}
		off := (got.H[i] - ringing(hz)) / complex(got.Sigma[i], 0)
		square += (real(off)*real(off) + imag(off)*imag(off)) / float64(2*len(got.H))
	}
	if rms := math.Sqrt(square); rms < 0.95 || rms > 1.15 { // Student's t of 30: sqrt(30/28)
		t.Errorf("seed %d: normalised error %.3f rms, want 1.04", seed, rms)
	}
}

// Without noise the system comes out exactly, and bins outside the sweep do not.
func TestSweepIsExact(t *testing.T) {
	const rate, repeat = 480, 980 // a factor of 7, as 44100 has
	x := sweepOf(rate, repeat, engine.Band{LowHz: 40, HighHz: 60})
	ref, mic := playedBy(x, rate, 2, 0, ringing)
	f, err := Sweep(ref, mic, rate, engine.Band{LowHz: 1, HighHz: 239}, repeat)
	if err != nil {
		t.Fatal(err)
	}
	inside := 0
	for _, hz := range f.FreqHz {
		if hz >= 40 && hz <= 60 {
			inside++
		}
	}
	if last := f.FreqHz[len(f.H)-1]; inside != 41 || last > 120 {
		t.Errorf("a sweep from 40 to 60 Hz tells of %d of 41 bins in it, and of bins up to %g Hz", inside, last)
	}
	for i, hz := range f.FreqHz {
		if want := ringing(hz); cmplx.Abs(f.H[i]-want) > 1e-9*cmplx.Abs(want) || f.Sigma[i] > 1e-6 {
			t.Errorf("%g Hz: %v ± %g, want %v", hz, f.H[i], f.Sigma[i], want)
		}
	}
}

func TestSweepRefuses(t *testing.T) {
	x := sweepOf(480, 960, subs)
	for _, c := range []struct {
		x, y   []float64
		repeat int
		want   string
	}{
		{x, x, 960, "960 samples hold 1 repeats of 960, want at least 2"},
		{x, x, 0, "segment of 0 samples"},
		{x, x, -3, "segment of -3 samples"},
		{x, x, 11 * 8, "segment of 88 samples"},
		{x, x[1:], 480, "microphone 959"},
		{make([]float64, 960), x, 480, "silent"},
		{x, append(x[:959:959], math.Inf(1)), 480, "microphone sample 959"},
	} {
		if _, err := Sweep(c.x, c.y, 480, subs, c.repeat); err == nil || !strings.HasPrefix(err.Error(), "transfer function of a sweep: ") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("repeat of %d: %v, want an error with %q", c.repeat, err, c.want)
		}
	}
}
