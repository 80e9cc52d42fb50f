package transfer

import (
	"math/rand/v2"
	"testing"

	"hushback/engine"
)

// What a stream costs: seconds of two-channel audio at 48 kHz taken in for each
// second on one core, with the signals and settings that rigs are measured with.
func BenchmarkEstimate(b *testing.B) {
	const rate, sec = 48000, 20
	rng := rand.New(rand.NewPCG(1, 1))
	x := noisy(rng, make([]float64, sec*rate), 0.1)
	y := noisy(rng, x, 0.1)
	band := engine.Band{LowHz: 20, HighHz: 120}
	for name, o := range map[string]Options{
		"noise":     {Segment: 2 * rate, Hop: rate, Window: Hann},
		"multisine": {Segment: 2 * rate, Hop: 2 * rate, Window: Rectangular},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := Estimate(x, y, rate, band, o); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(sec*float64(b.N)/b.Elapsed().Seconds(), "xrealtime")
		})
	}
}
