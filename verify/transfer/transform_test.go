package transfer

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// By moments of blocks, the spectrum is the whole transform's.
func TestTransform(t *testing.T) {
	rng := rand.New(rand.NewPCG(37, 1))
	for _, n := range []int{8, 9, 240, 1024, 88200, 96000} {
		x, ones := noisy(rng, make([]float64, n), 1), Options{Segment: n}.weights()
		whole := fourier.NewFFT(n).Coefficients(nil, x)
		for _, last := range []int{1, n / 400, n / 16, n / 5, (n - 1) / 2} {
			first := last / 3
			if last < 1 {
				continue
			}
			part := newTransform(n, first, last)
			if last < n/64 && part.block < 8 {
				t.Errorf("%d samples up to bin %d in blocks of %d", n, last, part.block)
			}
			for i, c := range part.of(x, ones) {
				if cmplx.Abs(c-whole[first+i]) > 1e-12*math.Sqrt(float64(n)) {
					t.Fatalf("%d samples in blocks of %d, bin %d: %v, want %v", n, part.block, first+i, c, whole[first+i])
				}
			}
		}
	}
}
