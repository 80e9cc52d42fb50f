// Package transfer turns two channels of audio, reference and microphone, into
// a transfer function that knows its own uncertainty.
package transfer

import (
	"fmt"
	"math"
	"math/cmplx"

	"hushback/engine"
)

// Function is an estimated transfer function. All slices have one length.
type Function struct {
	FreqHz    []float64    // ascending
	H         []complex128 // microphone over reference
	Sigma     []float64    // standard error of the real and of the imaginary part of H, each
	Coherence []float64    // ordinary coherence, 0 to 1
	Averages  float64      // effective number of independent averages
	Tied      bool         // neighbouring frequencies may err together, as after smoothing or reading between lines
}

// DegreesOfFreedom of every Sigma: two, real and imaginary, for each average,
// less the two that H itself used up. With few averages an interval from Sigma
// is as wide as Student's t for so many degrees says.
func (f Function) DegreesOfFreedom() float64 { return 2 * (f.Averages - 1) }

// leastLines is how many frequencies a function must have for a curve to be seen in it.
const leastLines = 3

// Check refuses a function that no estimate can have made, and one of fewer than
// three frequencies: lengths that differ, values and errors that are not finite,
// frequencies that do not ascend from above 0.
func (f Function) Check() error {
	n := len(f.FreqHz)
	if n < leastLines || len(f.H) != n || len(f.Sigma) != n || len(f.Coherence) != n {
		return fmt.Errorf("%d frequencies with %d values, %d errors and %d coherences, want as many of each and at least %d", n, len(f.H), len(f.Sigma), len(f.Coherence), leastLines)
	}
	before := 0.0
	for i, h := range f.H {
		if cmplx.IsNaN(h) || cmplx.IsInf(h) || !(f.Sigma[i] >= 0) || math.IsInf(f.Sigma[i], 0) {
			return fmt.Errorf("at %g Hz: value %v with error %g, want finite numbers", f.FreqHz[i], h, f.Sigma[i])
		}
		if !(f.FreqHz[i] > before) {
			return fmt.Errorf("frequency %g Hz after %g Hz, want them ascending from above 0", f.FreqHz[i], before)
		}
		before = f.FreqHz[i]
	}
	return nil
}

// Quality is the power of H over that of the noise of one average, in dB, and the mean
// coherence, both over the lines in a band; NaN where none lies there.
func (f Function) Quality(band engine.Band) (overNoiseDB, coherence float64) {
	var signal, noise, sum, lines float64
	for i, hz := range f.FreqHz {
		if band.Contains(hz) {
			signal += real(f.H[i])*real(f.H[i]) + imag(f.H[i])*imag(f.H[i])
			noise += 2 * f.Sigma[i] * f.Sigma[i] * f.Averages
			sum, lines = sum+f.Coherence[i], lines+1
		}
	}
	return 10 * math.Log10(signal/noise), sum / lines
}

// Advance takes a pure delay out of the function: H is multiplied by
// e^{+j2πf·delaySec}. Nothing else changes; f keeps its own H.
func (f Function) Advance(delaySec float64) Function {
	h := make([]complex128, len(f.H))
	for i, v := range f.H {
		h[i] = v * cmplx.Rect(1, 2*math.Pi*f.FreqHz[i]*delaySec)
	}
	f.H = h
	return f
}
