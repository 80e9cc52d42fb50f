package verify

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// noisyCurve is a curve on lines 2 Hz apart with Gaussian errors, whose size is
// only estimated, with so many degrees of freedom.
func noisyCurve(rng *rand.Rand, of func(f float64) complex128, sigma float64, degrees int) values {
	v := values{freq: lines(), degrees: float64(degrees)}
	for _, f := range v.freq {
		v.z = append(v.z, of(f)+complex(sigma*rng.NormFloat64(), sigma*rng.NormFloat64()))
		square := 0.0
		for range degrees {
			d := rng.NormFloat64()
			square += d * d
		}
		v.sigma = append(v.sigma, sigma*math.Sqrt(square/float64(degrees)))
	}
	return v
}

// arrivals is a curve made of sounds that arrive so late, in seconds.
func arrivals(size float64, late ...float64) func(f float64) complex128 {
	return func(f float64) (sum complex128) {
		for i, sec := range late {
			sum += cmplx.Rect(size, 3*float64(i)-2*math.Pi*f*sec)
		}
		return sum
	}
}

// The weights of the middle of 9 equally spaced lines for degree 4: A. Savitzky &
// M. J. E. Golay, Anal. Chem. 36, 1627-1639, 1964, table II (from memory).
func TestWeightsAreThePublishedOnes(t *testing.T) {
	v := values{freq: lines()[:9], z: make([]complex128, 9), sigma: make([]float64, 9), degrees: 10}
	p := v.leastSquares(0, 9, v.freq[4])
	for k, want := range []float64{15, -55, 30, 135, 179, 135, 30, -55, 15} {
		if math.Abs(p.weights[k]-want/429) > 1e-12 {
			t.Errorf("weight %d: %.6f, want %.6f", k, p.weights[k], want/429)
		}
	}
}

// A polynomial of degree 4 is read exactly, anywhere, on lines spaced anyhow; of
// one of degree 6 what is missed is what is said to be unsure.
func TestPolynomialsAreReadExactly(t *testing.T) {
	const seed = 34
	rng := rand.New(rand.NewPCG(seed, 1))
	for range 50 {
		coefficients := make([]complex128, 7)
		for k := range coefficients {
			coefficients[k] = complex(rng.NormFloat64(), rng.NormFloat64())
		}
		of := func(f float64, degree int) (z complex128) {
			for k := degree; k >= 0; k-- {
				z = z*complex((f-60)/20, 0) + coefficients[k]
			}
			return z
		}
		var four, six values
		for f := 40.0; f < 80; f += 0.5 + 2*rng.Float64() {
			four.freq, four.z, four.sigma = append(four.freq, f), append(four.z, of(f, 4)), append(four.sigma, 1e-6)
			six.freq, six.z, six.sigma = append(six.freq, f), append(six.z, of(f, 6)), append(six.sigma, 1e-6)
		}
		at := 40 + 40*rng.Float64()
		p := four.leastSquares(0, len(four.freq), at)
		if cmplx.Abs(p.value-of(at, 4)) > 1e-9 || p.unsure > 1e-9 {
			t.Errorf("seed %d, %.2f Hz: %v and %g unsure, want %v", seed, at, p.value, p.unsure, of(at, 4))
		}
		if p := six.leastSquares(0, len(six.freq), at); cmplx.Abs(p.value-of(at, 6)) > p.unsure+1e-4 {
			t.Errorf("seed %d, %.2f Hz: off by %g, said to be unsure by %g", seed, at, cmplx.Abs(p.value-of(at, 6)), p.unsure)
		}
	}
}

// The truth is missed as seldom as promised, for curves from straight to full of
// echoes, at all noises, with few averages and many; and where the curve is
// smooth the reading is surer than a line's.
func TestReadingsMissAsSeldomAsTheySay(t *testing.T) {
	const seed, miss = 35, 0.005
	trials := trials(t, 60)
	t.Logf("seed %d", seed)
	for name, of := range map[string]func(float64) complex128{
		"nothing":       arrivals(0),
		"a pair":        arrivals(0.5, 0.001, -0.004),
		"an arc":        arrivals(0.3, 0.001, -0.004, 0.003, 0.006),
		"one far echo":  func(f float64) complex128 { return arrivals(0.5, 0.001, -0.004)(f) + arrivals(0.1, 0.03)(f) },
		"a hall":        func(f float64) complex128 { return arrivals(0.5, 0, -0.004)(f) + arrivals(0.2, 0.02, 0.045, 0.06)(f) },
		"one faint one": func(f float64) complex128 { return arrivals(0.5, 0.001, -0.004)(f) + arrivals(0.02, 0.04)(f) },
	} {
		outside, beyond, of15 := 0, 0, 15*trials
		for _, sigma := range []float64{0.1, 0.03, 0.01, 0.003, 0.0003} {
			for _, degrees := range []int{4, 10, 58} {
				rng := rand.New(rand.NewPCG(seed, uint64(degrees)))
				gain := 0.0
				for range trials {
					at := 32 + 36*rng.Float64()
					p := noisyCurve(rng, of, sigma, degrees).read(at)
					outside += misses(cmplx.Abs(p.value-of(at)) > p.radius(miss))
					beyond += misses(cmplx.Abs(of(at)) > cmplx.Abs(p.value)+p.below(miss))
					gain += p.sigma / sigma / float64(trials)
				}
				if name == "a pair" && sigma >= 0.003 && degrees == 58 && gain > 0.75 {
					t.Errorf("%s, sigma %g: readings have %.2f of a line's error", name, sigma, gain)
				}
			}
		}
		// So many more than promised come by chance once in 1,000 times.
		if most := miss*float64(of15) + 3.3*math.Sqrt(miss*float64(of15)) + 1; float64(outside) > most || float64(beyond) > most {
			t.Errorf("%s: %d outside, %d beyond of %d, at most %.0f are promised", name, outside, beyond, of15, most)
		}
	}
}

func misses(missed bool) int {
	if missed {
		return 1
	}
	return 0
}

// An echo from far away that is as loud as the noise of a line hides in it best,
// and always adds to the null: the worst that there is for proving one falsely. Of
// the 0.5 % that are promised it makes up to 1 %, of 8 % without room for it.
func TestAnEchoThatHidesInTheNoise(t *testing.T) {
	const seed, miss, sigma = 36, 0.005, 0.01
	trials := trials(t, 120)
	t.Logf("seed %d", seed)
	beyond, all := 0, 0
	for _, hz := range []float64{47, 65} {
		for _, late := range []float64{0.03, 0.05, 0.1} {
			for _, loud := range []float64{0.5, 0.7, 1, 1.3} {
				rng := rand.New(rand.NewPCG(seed, uint64(all)))
				pair := arrivals(0.3, 0.001, -0.004)
				of := func(f float64) complex128 {
					return pair(f) - pair(hz) + 0.02 + cmplx.Rect(loud*sigma, -2*math.Pi*(f-hz)*late)
				}
				for range trials {
					p := noisyCurve(rng, of, sigma, 58).read(hz)
					beyond += misses(cmplx.Abs(of(hz)) > cmplx.Abs(p.value)+p.below(miss))
				}
				all += trials
			}
		}
	}
	t.Logf("%d of %d lie beyond", beyond, all)
	if most := 0.01*float64(all) + 3.3*math.Sqrt(0.01*float64(all)); float64(beyond) > most {
		t.Errorf("%d of %d lie beyond, at most %.0f may", beyond, all, most)
	}
}

// Lines that err together are not taken for independent ones.
func TestTiedLinesAreNotAveraged(t *testing.T) {
	v := noisyCurve(rand.New(rand.NewPCG(1, 36)), arrivals(0.5, 0.001, -0.004), 0.03, 10)
	v.tied = true
	p := v.read(47)
	if len(p.weights) != 3 || math.Abs(p.sigma-(0.375*v.sigma[12]+0.75*v.sigma[13]+0.125*v.sigma[14])) > 1e-12 && math.Abs(p.sigma-(0.125*v.sigma[12]+0.75*v.sigma[13]+0.375*v.sigma[14])) > 1e-12 {
		t.Errorf("%d lines, error %g", len(p.weights), p.sigma)
	}
}
