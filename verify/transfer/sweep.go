package transfer

import (
	"fmt"

	"hushback/engine"
)

// SweepOptions say how a sweep was played.
type SweepOptions struct {
	Repeat int // samples from one sweep's start to the next, silence included; factors 2, 3, 5 and 7 only
}

// Sweep is the transfer function from a sweep that is played again and again, by
// deconvolution: with X and Y the spectra of each repeat, at the bins k·rate/Repeat,
//
//	H     = Σ conj(X)·Y / Σ|X|²
//	Sigma = sqrt( Σ|Y-H·X|² / (2·(n-1)·Σ|X|²) )
//
// over the n repeats; the noise is thus the spread between repeats. The recording
// may begin anywhere in the sweep, as long as the one before was played too: what
// is played periodically needs no window and no silence. Bins outside the sweep,
// below EnergyFloor, are left out. Distortion is the same in each repeat, and is
// not told from H.
//
// Errors: those of Estimate; fewer than two repeats.
func Sweep(reference, microphone []float64, rate float64, band engine.Band, o SweepOptions) (Function, error) {
	if o.Repeat > 0 && len(reference) < minAverages*o.Repeat {
		return Function{}, fmt.Errorf("transfer function of a sweep: %d samples hold %d repeats of %d, want at least %d",
			len(reference), len(reference)/o.Repeat, o.Repeat, minAverages)
	}
	f, err := estimate(reference, microphone, rate, band, Options{Segment: o.Repeat, Hop: o.Repeat, Window: Rectangular})
	if err != nil {
		return Function{}, fmt.Errorf("transfer function of a sweep: %w", err)
	}
	return f, nil
}
