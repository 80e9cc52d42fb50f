// Package transfer turns two channels of audio, reference and microphone, into
// a transfer function that knows its own uncertainty.
package transfer

import (
	"math"
	"math/cmplx"
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
