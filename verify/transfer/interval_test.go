package transfer

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"

	"hushback/engine"
)

// disc by another route: a negative binomial mixture of beta distributions, the
// noncentral F with its noncentrality scaled by the same chi-square as its
// denominator.
func discBySeries(q, h, v float64) float64 {
	a, x := h*h/v, q*q/(v+h*h+q*q)
	var sum float64
	lg, _ := math.Lgamma(v / 2)
	for k := 0.0; k < 20000; k++ {
		top, _ := math.Lgamma(v/2 + k)
		bottom, _ := math.Lgamma(k + 1)
		weight := -(v/2+k)*math.Log1p(a) + top - bottom - lg
		if k > 0 {
			weight += k * math.Log(a)
		}
		if k > h*h && weight < -30 {
			break
		}
		sum += math.Exp(weight) * mathext.RegIncBeta(1+k, v/2+k, x)
	}
	return sum
}

func TestDisc(t *testing.T) {
	for _, v := range []float64{2, 6, 14, 62} {
		for _, q := range []float64{0.1, 1, 4, 12, 25} {
			for _, h := range []float64{1e-9, 0.5 * q, 0.95 * q, q, 1.05 * q, q + 3} {
				if got, want := disc(q, h, v), discBySeries(q, h, v); math.Abs(got-want) > 1e-6 {
					t.Errorf("v %g, circle %g, %g away: %.10f, series %.10f", v, q, h, got, want)
				}
			}
		}
	}
}

// tally counts how many intervals hold the truth.
type tally struct{ level, phase, count float64 }

func (c *tally) add(f Function, i int, truth complex128) {
	db := 20 * math.Log10(cmplx.Abs(truth))
	if low, high := f.LevelInterval(i, 90); low <= db && db <= high {
		c.level++
	}
	low, high := f.PhaseInterval(i, 90)
	off := math.Remainder(cmplx.Phase(truth)-(low+high)/2, 2*math.Pi)
	if math.Abs(off) <= (high-low)/2 {
		c.phase++
	}
	c.count++
}

func (c *tally) check(t *testing.T, what string) {
	t.Helper()
	level, phase := 100*c.level/c.count, 100*c.phase/c.count
	t.Logf("%s: of %.0f 90 %% intervals of level %.1f %%, of phase %.1f %% hold the truth", what, c.count, level, phase)
	if !(level >= 88 && level <= 92) || !(phase >= 88 && phase <= 92) {
		t.Errorf("%s: level %.2f %%, phase %.2f %%, want 88 to 92", what, level, phase)
	}
}

var ratios = []float64{-5, 0, 5, 10, 20, 40} // signal-to-noise of one average, dB

// through is a multisine of lines of amplitude 1 in periods, and the same after a
// system.
func through(rng *rand.Rand, freqHz []float64, rate float64, n int, system func(hz float64) complex128) (x, y []float64) {
	x, y = make([]float64, n), make([]float64, n)
	for _, hz := range freqHz {
		line, h := cmplx.Rect(1, 2*math.Pi*rng.Float64()), system(hz)
		turn := cmplx.Rect(1, 2*math.Pi*hz/rate)
		for i := range x {
			x[i], y[i] = x[i]+real(line), y[i]+real(line*h)
			line *= turn
		}
	}
	return x, y
}

// noisy adds white noise.
func noisy(rng *rand.Rand, y []float64, sigma float64) []float64 {
	out := make([]float64, len(y))
	for i, v := range y {
		out[i] = v + sigma*rng.NormFloat64()
	}
	return out
}

// Whole periods of a multisine, noise at the microphone.
func TestMultisineIntervalsHoldTheTruth(t *testing.T) {
	t.Parallel()
	const rate, period, seed = 480, 240, 17 // lines every 2 Hz
	rng := rand.New(rand.NewPCG(seed, 1))
	band := engine.Band{LowHz: 20, HighHz: 120}
	freq := every(2, band)
	system := func(hz float64) complex128 { return cmplx.Rect(1, hz) } // all the way around
	for _, averages := range []int{4, 8, 32} {
		x, clean := through(rng, freq, rate, averages*period, system)
		for _, snr := range ratios {
			sigma := math.Sqrt(period/4.) * math.Pow(10, -snr/20) // 4σ²/N is one average's noise on a line
			var c tally
			var noise float64
			for c.count < 1800 {
				f, err := Estimate(x, noisy(rng, clean, sigma), rate, band, Options{Segment: period, Hop: period})
				if err != nil || len(f.H) != len(freq) {
					t.Fatal(err, len(f.H))
				}
				for i, hz := range f.FreqHz {
					c.add(f, i, system(hz))
					noise += f.NoiseDB(i)
				}
			}
			c.check(t, fmt.Sprintf("seed %d, multisine, %d averages, %g dB", seed, averages, snr))
			// In the mean a logarithm of chi-square over its v degrees of freedom.
			v := 2 * float64(averages-1)
			want := -snr + 10/math.Ln10*(mathext.Digamma(v/2)-math.Log(v/2))
			if got := noise / c.count; math.Abs(got-want) > 0.3 {
				t.Errorf("seed %d, %d averages, %g dB: noise measures %.2f dB, want %.2f", seed, averages, snr, got, want)
			}
		}
	}
}

func every(stepHz float64, band engine.Band) (freq []float64) {
	for hz := band.LowHz; hz <= band.HighHz; hz += stepHz {
		freq = append(freq, hz)
	}
	return freq
}

// Noise as the test signal, Hann, half overlap; the system is a polarity and a
// gain, which no window changes. Two bins out of three are left out, as they are
// not independent of their neighbours.
func TestWelchIntervalsHoldTheTruth(t *testing.T) {
	t.Parallel()
	const rate, segment, seed = 480, 240, 19
	rng := rand.New(rand.NewPCG(seed, 1))
	band := engine.Band{LowHz: 10, HighHz: 230}
	for _, segments := range []int{7, 15, 63} {
		for _, snr := range ratios {
			sigma := math.Pow(10, -snr/20)
			var c tally
			for c.count < 1800 {
				x := noisy(rng, make([]float64, segment*(segments+1)/2), 1)
				y := slices.Clone(x)
				for i := range y {
					y[i] = -0.5 * (x[i] + sigma*rng.NormFloat64())
				}
				f, err := Estimate(x, y, rate, band, Options{Segment: segment, Hop: segment / 2, Window: Hann})
				if err != nil {
					t.Fatal(err)
				}
				for i := 0; i < len(f.H); i += 3 {
					c.add(f, i, -0.5)
				}
			}
			c.check(t, fmt.Sprintf("seed %d, Welch, %d segments, %g dB", seed, segments, snr))
		}
	}
}

// At high signal-to-noise the intervals are Bendat & Piersol's random errors times
// the normal quantile, for a great number of averages.
func TestIntervalsAreTheRandomErrors(t *testing.T) {
	want := table(t, "transfer_random_errors.csv")
	normal := distuv.UnitNormal.Quantile(0.95)
	cases := 0
	for i, n := range want["nd"] {
		if n < 64 || want["coherence"][i] < 0.8 {
			continue
		}
		cases++
		f, err := FromCoherence([]float64{50}, []float64{-7}, []float64{1}, []float64{want["coherence"][i]}, n)
		if err != nil {
			t.Fatal(err)
		}
		eps := want["eps_gain"][i]
		low, high := f.LevelInterval(0, 90)
		if got := (math.Pow(10, (high+7)/20) - math.Pow(10, (low+7)/20)) / 2; far(got, normal*eps, 0.03) {
			t.Errorf("%g averages, coherence %g: level ±%.5f, random error says ±%.5f", n, want["coherence"][i], got, normal*eps)
		}
		low, high = f.PhaseInterval(0, 90)
		if got := (high - low) / 2; far(got, normal*want["phase_sigma_deg"][i]*math.Pi/180, 0.03) {
			t.Errorf("%g averages, coherence %g: phase ±%.5f rad, random error says ±%.3f degrees", n, want["coherence"][i], got, normal*want["phase_sigma_deg"][i])
		}
		if got, want := f.SignalToNoiseDB(0), 10*math.Log10(want["coherence"][i]/(1-want["coherence"][i])*(n-1)/n); math.Abs(got-want) > 1e-9 {
			t.Errorf("%g averages: %.3f dB above the noise, coherence says %.3f", n, got, want)
		}
	}
	if cases < 4 {
		t.Errorf("only %d rows of the table were tried", cases)
	}
}

// The two ways to reckon a level interval meet where one takes over.
func TestLevelIntervalHasNoStep(t *testing.T) {
	for _, averages := range []float64{6, 12, 40} {
		at := func(r float64) (low, high float64) {
			return Function{H: []complex128{complex(r, 0)}, Sigma: []float64{1}, Averages: averages}.LevelInterval(0, 90)
		}
		lowA, highA := at(plain - 1e-6)
		lowB, highB := at(plain + 1e-6)
		if math.Abs(lowA-lowB) > 0.01 || math.Abs(highA-highB) > 0.01 {
			t.Errorf("%g averages: %.4f to %.4f dB becomes %.4f to %.4f dB", averages, lowA, highA, lowB, highB)
		}
	}
}

// Two sources of one level that cancel to -60 dB. Noise 40 dB below each of them
// leaves no coherence at the null; the measurement is good all the same.
func TestCancelling(t *testing.T) {
	const rate, period, averages, seed = 480, 240, 32, 23
	rng := rand.New(rand.NewPCG(seed, 1))
	band := engine.Band{LowHz: 20, HighHz: 120}
	freq := every(2, band)
	one := func(hz float64) complex128 { return cmplx.Rect(1, -hz/20) }
	both := func(hz float64) complex128 { return one(hz) * 1e-3 }
	measure := func(system func(float64) complex128, noiseDB float64) Function {
		x, y := through(rng, freq, rate, averages*period, system)
		f, err := Estimate(x, noisy(rng, y, math.Sqrt(period/4.)*math.Pow(10, noiseDB/20)), rate, band, Options{Segment: period, Hop: period})
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	solo, null, quiet := measure(one, -40), measure(both, -40), measure(both, -80)
	var coherence, holds, nothing, deep float64
	for i := range freq {
		coherence += null.Coherence[i] / float64(len(freq))
		if got := -null.NoiseDB(i); math.Abs(got-40) > 3.5 {
			t.Errorf("seed %d: %g Hz: one source stands %.1f dB above the noise at the null, want 40", seed, freq[i], got)
		}
		if got := solo.SignalToNoiseDB(i); math.Abs(got-40) > 3.5 {
			t.Errorf("seed %d: %g Hz: solo %.1f dB above the noise, want 40", seed, freq[i], got)
		}
		if got := quiet.SignalToNoiseDB(i); math.Abs(got-20) > 3.5 || quiet.Coherence[i] < 0.97 {
			t.Errorf("seed %d: %g Hz: in quiet the null is %.1f dB above the noise, want 20", seed, freq[i], got)
		}
		low, high := null.LevelInterval(i, 90)
		if low <= -60 && -60 <= high {
			holds++
		}
		if math.IsInf(low, -1) {
			nothing++
		}
		if high < -50 {
			deep++
		}
		if high > -43 {
			t.Errorf("seed %d: %g Hz: null only below %.1f dB", seed, freq[i], high)
		}
		if low, high = quiet.LevelInterval(i, 99.9); !(low <= -60 && -60 <= high && high < -58) {
			t.Errorf("seed %d: %g Hz: in quiet the null is %.2f to %.2f dB deep, want -60", seed, freq[i], low, high)
		}
	}
	if n := float64(len(freq)); coherence > 0.2 || holds < 0.8*n || nothing < 0.5*n || deep < 0.3*n {
		t.Errorf("seed %d: mean coherence %.2f, %g of %g intervals hold -60 dB, %g reach down to nothing, %g lie below -50 dB", seed, coherence, holds, n, nothing, deep)
	}
}

func TestIntervalsAtTheEnds(t *testing.T) {
	f := Function{H: []complex128{0, 0, 2i, 1e-9}, Sigma: []float64{0, 1, 0, 1}, Averages: 4}
	inf := math.Inf(1)
	for _, c := range []struct {
		i                                     int
		percent, low, high, halfPhase, signal float64
	}{
		{0, 90, -inf, -inf, math.Pi, -inf},
		{1, 90, -inf, -inf, math.Pi, -inf},
		{2, 90, 20 * math.Log10(2), 20 * math.Log10(2), 0, inf},
		{3, 90, -inf, -180, math.Pi, -189.0309},
		{2, 100, -inf, inf, math.Pi, inf},
		{2, math.NaN(), -inf, inf, math.Pi, inf},
	} {
		low, high := f.LevelInterval(c.i, c.percent)
		if low != c.low || math.Abs(high-c.high) > 1e-9 && high != c.high {
			t.Errorf("line %d, %g %%: %g to %g dB, want %g to %g", c.i, c.percent, low, high, c.low, c.high)
		}
		if low, high := f.PhaseInterval(c.i, c.percent); math.Abs((high-low)/2-c.halfPhase) > 1e-12 || math.Abs((high+low)/2-cmplx.Phase(f.H[c.i])) > 1e-12 {
			t.Errorf("line %d, %g %%: phase %g to %g, want half a width of %g", c.i, c.percent, low, high, c.halfPhase)
		}
		if got := f.SignalToNoiseDB(c.i); got != c.signal && !(math.Abs(got-c.signal) < 1e-3) {
			t.Errorf("line %d: %g dB above the noise, want %g", c.i, got, c.signal)
		}
	}
	for _, averages := range []float64{2, 3.7, 40, 1e3} {
		for _, percent := range []float64{1, 50, 90, 99.9} {
			law := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: 2 * (averages - 1)}
			if got, _ := (Function{Averages: averages}).student(percent); math.Abs(law.CDF(got)-0.5-percent/200) > 1e-8 {
				t.Errorf("%g averages, %g %%: t = %g", averages, percent, got)
			}
		}
	}
	f.Averages = 1
	if low, high := f.LevelInterval(2, 90); !math.IsInf(low, -1) || !math.IsInf(high, 1) {
		t.Errorf("one average knows %g to %g dB", low, high)
	}
	// More confidence is a wider interval, about the estimate, without a number that is none.
	for _, r := range []float64{0.01, 0.3, 1, 3, 10, 19, 21, 1000} {
		f = Function{H: []complex128{complex(0, r)}, Sigma: []float64{1}, Averages: 2}
		lastLow, lastHigh := 20*math.Log10(r), 20*math.Log10(r)
		for _, percent := range []float64{50, 90, 99, 99.9} {
			low, high := f.LevelInterval(0, percent)
			if !(low <= lastLow+0.01 && high >= lastHigh-0.01) {
				t.Errorf("H %g, %g %%: %g to %g dB, with less confidence %g to %g", r, percent, low, high, lastLow, lastHigh)
			}
			lastLow, lastHigh = low, high
		}
	}
}

// Over a band of one line, signal over noise has a closed form.
func TestQuality(t *testing.T) {
	f := Function{FreqHz: []float64{40, 50}, H: []complex128{9, 0.2i}, Sigma: []float64{3, 0.01}, Coherence: []float64{0.1, 0.7}, Averages: 12}
	overNoise, coherence := f.Quality(engine.Band{LowHz: 45, HighHz: 55})
	if want := 10 * math.Log10(0.04/(2*0.0001*12)); math.Abs(overNoise-want) > 1e-9 || coherence != 0.7 {
		t.Errorf("%g dB and %g, want %g dB and 0.7", overNoise, coherence, want)
	}
	overNoise, coherence = f.Quality(engine.Band{LowHz: 30, HighHz: 60})
	if want := 10 * math.Log10(81.04/(2*9.0001*12)); math.Abs(overNoise-want) > 1e-9 || math.Abs(coherence-0.4) > 1e-12 {
		t.Errorf("%g dB and %g, want %g dB and 0.4", overNoise, coherence, want)
	}
	if overNoise, coherence := f.Quality(engine.Band{LowHz: 60, HighHz: 70}); !math.IsNaN(overNoise) || !math.IsNaN(coherence) {
		t.Errorf("nothing has %g dB and %g", overNoise, coherence)
	}
}
