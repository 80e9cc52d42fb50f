package transfer

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"hushback/engine"
)

var subs = engine.Band{LowHz: 20, HighHz: 120}

// What the published table says a delay costs is had back once it is taken out of
// the audio.
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
		sec := float64(late) / rate
		if left := gain(x, y, sec); cmplx.Abs(left-complex(want["mc_gain_factor"][i], 0)) > 0.02 {
			t.Errorf("seed %d, %d samples left in: gain %v, published %.4f", seed, late, left, want["mc_gain_factor"][i])
		}
		if taken := gain(x[:len(x)-late], y[late:], 0); cmplx.Abs(taken-1) > 1e-9 {
			t.Errorf("seed %d, %d samples taken out: gain %v, want 1", seed, late, taken)
		}
	}
}
