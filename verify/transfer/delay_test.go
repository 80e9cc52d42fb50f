package transfer

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"hushback/engine"
)

// hiss is noise in a band, of lines that no segment holds whole periods of, and the
// same after a system.
func hiss(rng *rand.Rand, rate float64, n int, band engine.Band, system func(hz float64) complex128) (x, y []float64) {
	var freq []float64
	for range 150 {
		freq = append(freq, band.LowHz+(band.HighHz-band.LowHz)*rng.Float64())
	}
	return through(rng, freq, rate, n, system)
}

// arrivals is a system of equal ones.
func arrivals(sec ...float64) func(hz float64) complex128 {
	return func(hz float64) (h complex128) {
		for _, late := range sec {
			h += cmplx.Rect(1/float64(len(sec)), -2*math.Pi*hz*late)
		}
		return h
	}
}

var subs = engine.Band{LowHz: 20, HighHz: 120}

func TestFindDelay(t *testing.T) {
	t.Parallel()
	const rate, seconds, seed = 480, 16, 43
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	for _, want := range []float64{0, 0.3e-3, 1.17e-3, 5.3e-3, 33.33e-3, 104.2e-3, 0.4567, -2.7e-3, -0.2} {
		for _, periodic := range []bool{false, true} {
			system := arrivals(want)
			x, y := hiss(rng, rate, rate*seconds, subs, system)
			if periodic {
				x, y = through(rng, every(1, subs), rate, rate*seconds, system)
			}
			got, clarity, err := FindDelay(x, y, rate, subs)
			if err != nil || math.Abs(got-want) > 10e-6 || !(clarity > 0.98 && clarity <= 1) {
				t.Errorf("delay %g s, periodic %v: got %.7f s, clarity %.3f, %v", want, periodic, got, clarity, err)
			}
			for i := range y {
				y[i] = -3 * y[i]
			}
			reversed, _, err := FindDelay(x, y, rate, subs)
			if err != nil || math.Abs(reversed-got) > 1e-9 {
				t.Errorf("delay %g s, periodic %v: reversed and louder %.7f s, %v", want, periodic, reversed, err)
			}
			// Noise as loud as the signal, all of it in the band: 150/2 is its power.
			got, clarity, err = FindDelay(x, noisy(rng, y, 3*math.Sqrt(75*rate/2/100)), rate, subs)
			if err != nil || math.Abs(got-want) > 0.5e-3 || !(clarity > 0.5 && clarity < 0.9) {
				t.Errorf("delay %g s, periodic %v, in noise: got %.7f s, clarity %.3f, %v", want, periodic, got, clarity, err)
			}
		}
	}
}

// Four arrivals of a row seen from the side are one delay that lies among them and
// moves with them; an echo half as loud does not drag it away.
func TestFindDelayOfAnArray(t *testing.T) {
	const rate, seconds, seed = 480, 16, 47
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	first := 0.0
	for i, late := range []float64{0, 7.77e-3, 0.2} {
		x, y := hiss(rng, rate, rate*seconds, subs, arrivals(late, late+0.9e-3, late+2.1e-3, late+3.3e-3))
		got, clarity, err := FindDelay(x, y, rate, subs)
		if err != nil || clarity < 0.9 {
			t.Errorf("arrivals from %g s on: clarity %.3f, %v", late, clarity, err)
		}
		if i == 0 {
			first = got
		}
		if got < late || got > late+3.3e-3 || math.Abs(got-late-first) > 0.1e-3 {
			t.Errorf("arrivals from %g s on: got %.6f s, want %.6f", late, got, late+first)
		}
	}
	echo := func(hz float64) complex128 { return arrivals(12e-3)(hz) + 0.5*arrivals(31e-3)(hz) }
	x, y := hiss(rng, rate, rate*seconds, subs, echo)
	if got, _, err := FindDelay(x, y, rate, subs); err != nil || math.Abs(got-12e-3) > 1e-3 {
		t.Errorf("with an echo: got %.6f s, want 0.012, %v", got, err)
	}
}

// Noise that has nothing to do with the reference is told by the clarity.
func TestFindDelayWhereThereIsNone(t *testing.T) {
	const rate, n, seed = 480, 9600, 53
	rng := rand.New(rand.NewPCG(seed, 1))
	x, silence := noisy(rng, make([]float64, n), 1), make([]float64, n)
	for range 20 {
		sec, clarity, err := FindDelay(x, noisy(rng, silence, 1), rate, subs)
		if err != nil || math.Abs(sec) > 0.6 || !(clarity < 0.15) {
			t.Errorf("seed %d: unrelated noise is %g s late, clarity %.3f, %v", seed, sec, clarity, err)
		}
	}
	if sec, clarity, err := FindDelay(x, silence, rate, subs); sec != 0 || clarity != 0 || err != nil {
		t.Errorf("silence is %g s late, clarity %g, %v", sec, clarity, err)
	}
	for _, c := range []struct {
		x, y []float64
		rate float64
		band engine.Band
		want string
	}{
		{x, x[1:], rate, subs, "reference has 9600 samples, microphone 9599"},
		{x[:63], x[:63], rate, subs, "63 samples, want at least 64"},
		{nil, nil, rate, subs, "0 samples"},
		{append([]float64{math.NaN()}, x...), append(x, 0), rate, subs, "reference sample 0 is NaN"},
		{silence, x, rate, subs, "silent in the band"},
		{x, x, rate, engine.Band{LowHz: 300, HighHz: 400}, "no bin"},
		{x, x, 0, subs, "no bin"},
		{x, x, math.NaN(), subs, "no bin"},
		{x, x, rate, engine.Band{LowHz: 50.01, HighHz: 50.02}, "no bin"},
	} {
		if _, _, err := FindDelay(c.x, c.y, c.rate, c.band); err == nil || !strings.HasPrefix(err.Error(), "delay between the channels: ") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want an error with %q", err, c.want)
		}
	}
}

// What the published table says a delay costs is had back once it is found and
// taken out of the audio.
func TestDelayTakenOutIsNoBias(t *testing.T) {
	t.Parallel()
	const segment, count, rate, seed = 512, 80, 512, 59
	want := table(t, "transfer_delay_bias.csv")
	rng := rand.New(rand.NewPCG(seed, 1))
	band := engine.Band{LowHz: 10, HighHz: 250}
	for i, u := range want["delay_over_window"] {
		late := int(math.Round(u * segment))
		x := noisy(rng, make([]float64, segment*count), 1)
		y := append(make([]float64, late), x[:len(x)-late]...)
		gain := func(x, y []float64, sec float64) (mean complex128) {
			f, err := Estimate(x, y, rate, band, Options{Segment: segment, Hop: segment / 2, Window: Hann})
			if err != nil {
				t.Fatal(err)
			}
			for _, h := range f.Advance(sec).H {
				mean += h / complex(float64(len(f.H)), 0)
			}
			return mean
		}
		sec, clarity, err := FindDelay(x, y, rate, band)
		if err != nil || math.Abs(sec*rate-float64(late)) > 1e-3 || clarity < 0.99 {
			t.Fatalf("seed %d, %d samples: found %.4f, clarity %.3f, %v", seed, late, sec*rate, clarity, err)
		}
		if left := gain(x, y, sec); cmplx.Abs(left-complex(want["mc_gain_factor"][i], 0)) > 0.02 {
			t.Errorf("seed %d, %d samples left in: gain %v, published %.4f", seed, late, left, want["mc_gain_factor"][i])
		}
		out := int(math.Round(sec * rate))
		if taken := gain(x[:len(x)-out], y[out:], 0); cmplx.Abs(taken-1) > 1e-9 {
			t.Errorf("seed %d, %d samples taken out: gain %v, want 1", seed, late, taken)
		}
	}
}
