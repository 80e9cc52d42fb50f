package transfer

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"hushback/engine"
)

// In pieces of any size, asked in between, and refusing some: the function is the
// one of the whole, bit by bit.
func TestAveragerTakesPieces(t *testing.T) {
	const rate, seed = 480, 31
	rng := rand.New(rand.NewPCG(seed, 1))
	band := engine.Band{LowHz: 10, HighHz: 100}
	x := noisy(rng, make([]float64, 5000), 1)
	y := noisy(rng, x, 1)
	for _, o := range []Options{{240, 240, Rectangular}, {240, 120, Hann}, {240, 90, Hann}, {240, 11, Hann}} {
		a, err := NewAverager(rate, band, o)
		if err != nil {
			t.Fatal(err)
		}
		for from := 0; from < len(x); {
			to := min(len(x), from+rng.IntN(700))
			if err := a.Add(x[from:to], y[from:to]); err != nil {
				t.Fatal(err)
			}
			got, err := a.Function()
			want, wantErr := Estimate(x[:to], y[:to], rate, band, o)
			if !reflect.DeepEqual(got, want) || (err == nil) != (wantErr == nil) || err != nil && err.Error() != wantErr.Error() {
				t.Fatalf("seed %d, %+v: after %d samples %v, of the whole %v", seed, o, to, err, wantErr)
			}
			if err := a.Add([]float64{1, math.NaN()}, []float64{1, 1}); err == nil || len(x) > to && !strings.Contains(err.Error(), "reference sample "+strconv.Itoa(to+1)+" is NaN") {
				t.Fatalf("what is no number: %v", err)
			}
			from = to
		}
	}
	if _, err := NewAverager(rate, band, Options{}); err == nil || !strings.HasPrefix(err.Error(), "transfer function: segment of 0") {
		t.Errorf("no options: %v", err)
	}
}

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
