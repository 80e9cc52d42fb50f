// Package transfer turns two channels of audio, reference and microphone, into
// a transfer function that knows its own uncertainty.
package transfer

// Function is an estimated transfer function. All slices have one length.
type Function struct {
	FreqHz    []float64    // ascending
	H         []complex128 // microphone over reference
	Sigma     []float64    // standard error of the real and of the imaginary part of H, each
	Coherence []float64    // ordinary coherence, 0 to 1
	Averages  float64      // effective number of independent averages
}
