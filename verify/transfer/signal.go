package transfer

import (
	"fmt"
	"math"

	"hushback/engine"
)

// Lengthen is how many periods of another test signal tell as much as one of the
// multisine: a sweep takes that long, and noise has to be averaged.
func Lengthen(k engine.SignalKind) float64 {
	if k == engine.SignalSweep || k == engine.SignalNoise {
		return engine.SweepPeriods
	}
	return 1
}

// OfSignal is the transfer function that a recording of a test signal holds, rate in
// samples per second. What is periodic is cut into whole repeats, whose spread tells
// the noise. Noise needs a window, and segments long enough for what arrives late.
//
// Errors: a period that is no whole number of samples; those of Estimate and Sweep.
func OfSignal(t engine.TestSignal, reference, microphone []float64, rate int) (Function, error) {
	samples := t.PeriodSec * float64(rate)
	period := int(math.Round(samples))
	if math.Abs(samples-float64(period)) > 1e-6 {
		return Function{}, fmt.Errorf("a period of the test signal, %g s, is no whole number of samples at %d Hz: record at %d Hz", t.PeriodSec, rate, engine.SampleRate)
	}
	o := Options{Segment: period, Hop: period, Window: Rectangular}
	switch t.Kind {
	case engine.SignalSweep:
		return Sweep(reference, microphone, float64(rate), t.Band, engine.SweepPeriods*period)
	case engine.SignalNoise:
		o = Options{Segment: 4 * period, Hop: 2 * period, Window: Hann}
	}
	return Estimate(reference, microphone, float64(rate), t.Band, o)
}
