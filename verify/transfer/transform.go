package transfer

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"
)

// transform is a discrete Fourier transform of which only the bins first to last
// are wanted. With subwoofers these are the lowest few hundred of a hundred
// thousand, so within a short block of D samples their waves hardly turn. By the
// Jacobi-Anger expansion (M. Abramowitz & I. A. Stegun, Handbook of Mathematical
// Functions, 9.1.44-45), with u from -1 to 1 across a block and T Chebyshev's
// polynomials,
//
//	e^{-jau} = J_0(a) + 2·Σ_{p≥1} (-j)^p·J_p(a)·T_p(u)
//
// so that a few moments Σ T_p(u)·x of each block, each a signal of N/D samples,
// transformed on their own and summed up with those factors, are the spectrum. The
// sum ends where its rest is less than rounding. It is several times quicker than
// the whole transform, which it becomes where D = 1 is best.
type transform struct {
	block, first int
	plan         *fourier.FFT
	shapes       [][]float64    // [moment][sample of a block], T_p(u)
	factors      [][]complex128 // [moment][bin]
	weighted     []float64
	moments      []float64
	coefficients []complex128
	spectrum     []complex128
}

func newTransform(n, first, last int) *transform {
	d, count := cheapest(n, last)
	t := &transform{block: d, first: first, plan: fourier.NewFFT(n / d)}
	t.weighted, t.moments = make([]float64, n), make([]float64, n/d)
	t.coefficients, t.spectrum = make([]complex128, n/d/2+1), make([]complex128, last-first+1)
	half := float64(d-1) / 2
	for p := range count {
		shape, factor := make([]float64, d), make([]complex128, len(t.spectrum))
		for r := range shape {
			shape[r] = 1
			if d > 1 {
				shape[r] = math.Cos(float64(p) * math.Acos(float64(r)/half-1))
			}
		}
		for i := range factor {
			turn := 2 * math.Pi * float64(first+i) / float64(n) * half // from a block's start to its middle
			factor[i] = complex(math.Jn(p, turn), 0) * cmplx.Rect(1, -turn-float64(p)*math.Pi/2)
			if p > 0 {
				factor[i] *= 2
			}
		}
		t.shapes, t.factors = append(t.shapes, shape), append(t.factors, factor)
	}
	return t
}

// cheapest is the length of the blocks that makes a transform up to bin last
// quickest, and how many moments it takes.
func cheapest(n, last int) (block, moments int) {
	const fft = 64 // times as long as multiplying and adding takes it to transform a sample
	least := math.Inf(1)
	for d := 1; d*2*last <= n || d == 1; d++ {
		if n%d != 0 {
			continue
		}
		turn, count := math.Pi*float64(last)*float64(d-1)/float64(n), 1
		for rest := turn; rest > 1e-15; count++ { // 2·(a/2)^p/p! is about 2·J_p(a), the first term left out
			rest *= turn / 2 / float64(count+1)
		}
		if cost := float64(count) * (1 + fft/float64(d)); cost < least {
			least, block, moments = cost, d, count
		}
	}
	return block, moments
}

// of is the spectrum of a segment times its weights, good until the next.
func (t *transform) of(samples, weights []float64) []complex128 {
	floats.MulTo(t.weighted, samples, weights)
	clear(t.spectrum)
	for p, shape := range t.shapes {
		for m := range t.moments {
			t.moments[m] = floats.Dot(shape, t.weighted[m*t.block:(m+1)*t.block])
		}
		t.plan.Coefficients(t.coefficients, t.moments)
		for i, factor := range t.factors[p] {
			t.spectrum[i] += factor * t.coefficients[t.first+i]
		}
	}
	return t.spectrum
}
