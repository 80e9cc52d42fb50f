package transfer

import (
	"fmt"
	"math"
	"math/cmplx"
)

// roundedCoherence is how near to 1 a coherence counts that another program
// reports: it comes rounded, and none is known better than so. Our own figure, no
// published source.
const roundedCoherence = 1e-4

// FromCoherence is a function that another program estimated: level in dB of
// microphone over reference, phase in radians, ordinary coherence and the number
// of independent averages. Its Sigma is, as Estimate's, |H| times the normalised
// random error of the gain factor, J. S. Bendat & A. G. Piersol, Random Data, 2nd
// ed. 1986, eq. 9.90, with n-1 in place of n. Coherence counts as at least 1/n,
// which noise alone reaches.
//
// Errors: lengths that differ, no frequency, frequencies that do not ascend from
// above 0, values that are not finite, a coherence outside 0 to 1, fewer than two
// averages.
func FromCoherence(freqHz, levelDB, phaseRad, coherence []float64, averages float64) (Function, error) {
	n := len(freqHz)
	if n == 0 || len(levelDB) != n || len(phaseRad) != n || len(coherence) != n {
		return Function{}, fmt.Errorf("transfer function: %d frequencies, %d levels, %d phases and %d coherences, want as many of each and at least 1",
			n, len(levelDB), len(phaseRad), len(coherence))
	}
	if !(averages >= minAverages) || math.IsInf(averages, 1) {
		return Function{}, fmt.Errorf("transfer function: %g averages, want at least %d", averages, minAverages)
	}
	f := Function{Averages: averages, Tied: true} // it may have been smoothed
	for i, hz := range freqHz {
		if err := checkLine(hz, levelDB[i], phaseRad[i], coherence[i]); err != nil {
			return Function{}, fmt.Errorf("transfer function: frequency %d: %w", i, err)
		}
		if i > 0 && hz <= freqHz[i-1] {
			return Function{}, fmt.Errorf("transfer function: %g Hz after %g Hz, want frequencies ascending", hz, freqHz[i-1])
		}
		h := cmplx.Rect(math.Pow(10, levelDB[i]/20), phaseRad[i])
		square := math.Max(coherence[i], 1/averages)
		noise := math.Max(1-square, roundedCoherence)
		f.add(hz, h, cmplx.Abs(h)*math.Sqrt(noise/(2*(averages-1)*square)), coherence[i])
	}
	return f, nil
}

func checkLine(hz, levelDB, phaseRad, coherence float64) error {
	const loudest = 1000 // dB; beyond it a level is no level
	switch {
	case !(hz > 0) || math.IsInf(hz, 1):
		return fmt.Errorf("%g Hz, want a number above 0", hz)
	case !(math.Abs(levelDB) <= loudest):
		return fmt.Errorf("level %g dB at %g Hz", levelDB, hz)
	case math.IsNaN(phaseRad) || math.IsInf(phaseRad, 0):
		return fmt.Errorf("phase %g at %g Hz, want a finite number", phaseRad, hz)
	case !(coherence >= 0 && coherence <= 1):
		return fmt.Errorf("coherence %g at %g Hz, want 0 to 1", coherence, hz)
	}
	return nil
}
