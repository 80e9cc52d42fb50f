package transfer

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
)

// Delay is the pure delay, in seconds between 0 and limitSec, that lines the
// values up best once Advance has taken it out: where |Σ H·e^{+j2πfτ}| is
// greatest. It cannot tell a delay from one that is longer by 1 over the step
// of the axis, so limitSec has to be shorter than that.
func (f Function) Delay(limitSec float64) float64 {
	if len(f.FreqHz) == 0 || !(limitSec > 0) {
		return 0
	}
	lined := func(sec float64) float64 {
		var sum complex128
		for i, h := range f.H {
			sum += h * cmplx.Rect(1, 2*math.Pi*f.FreqHz[i]*sec)
		}
		return cmplx.Abs(sum)
	}
	step := 1 / (16 * f.FreqHz[len(f.FreqHz)-1]) // a sixteenth of the shortest period
	best := 0.0
	for k := 1; float64(k)*step <= limitSec; k++ {
		if sec := float64(k) * step; lined(sec) > lined(best) {
			best = sec
		}
	}
	for range 40 { // halving: the top is round, so its neighbours tell the way
		step /= 2
		for _, sec := range []float64{best - step, best + step} {
			if sec >= 0 && sec <= limitSec && lined(sec) > lined(best) {
				best = sec
			}
		}
	}
	return best
}

// At is the function at other frequencies, by straight lines through the complex
// plane between its own; take delays out first, so that its phase turns slowly.
// Sigma and Coherence are those of the worse neighbour. Errors: a frequency
// outside the axis, or between two of it that are further apart than a twelfth
// of an octave, which would leave the curve between them to guesswork.
func (f Function) At(freqHz []float64) (Function, error) {
	const near = 1e-6 // Hz; the same line reckoned in two ways
	out := Function{Averages: f.Averages, Tied: f.Tied}
	if len(f.FreqHz) == 0 {
		return Function{}, errors.New("transfer function: it is empty")
	}
	for _, want := range freqHz {
		i, _ := slices.BinarySearch(f.FreqHz, want-near)
		if i < len(f.FreqHz) && f.FreqHz[i] <= want+near {
			out.add(want, f.H[i], f.Sigma[i], f.Coherence[i])
			continue
		}
		if i == 0 || i == len(f.FreqHz) {
			return Function{}, fmt.Errorf("transfer function: nothing at %g Hz, its frequencies go from %g to %g Hz", want, f.FreqHz[0], f.FreqHz[len(f.FreqHz)-1])
		}
		low, high := f.FreqHz[i-1], f.FreqHz[i]
		if math.Log2(high/low) > 1./12+1e-9 {
			return Function{}, fmt.Errorf("transfer function: nothing between %g and %g Hz, want frequencies a twelfth of an octave apart at most", low, high)
		}
		out.Tied = true
		share := complex((want-low)/(high-low), 0)
		out.add(want, f.H[i-1]*(1-share)+f.H[i]*share, math.Max(f.Sigma[i-1], f.Sigma[i]), math.Min(f.Coherence[i-1], f.Coherence[i]))
	}
	return out, nil
}

func (f *Function) add(freqHz float64, h complex128, sigma, coherence float64) {
	f.FreqHz, f.H = append(f.FreqHz, freqHz), append(f.H, h)
	f.Sigma, f.Coherence = append(f.Sigma, sigma), append(f.Coherence, coherence)
}
