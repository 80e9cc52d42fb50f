package transfer

import (
	"fmt"

	"hushback/engine"
)

// Sweep is the transfer function from a sweep that is played again and again, by
// deconvolution. A repeat is so many samples from one sweep's start to the next,
// silence included, with no prime factors but 2, 3, 5 and 7. With X and Y the
// spectra of each repeat, at the bins k·rate/repeat,
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
func Sweep(reference, microphone []float64, rate float64, band engine.Band, repeat int) (Function, error) {
	if repeat > 0 && len(reference) < minAverages*repeat {
		return Function{}, fmt.Errorf("transfer function of a sweep: %d samples hold %d repeats of %d, want at least %d",
			len(reference), len(reference)/repeat, repeat, minAverages)
	}
	f, err := estimate(reference, microphone, rate, band, Options{Segment: repeat, Hop: repeat, Window: Rectangular})
	if err != nil {
		return Function{}, fmt.Errorf("transfer function of a sweep: %w", err)
	}
	return f, nil
}
