// Package excite makes the sounds that a measurement is taken with. It is pure: a
// signal is read sample by sample, and the same seed makes the same signal.
package excite

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"

	"gonum.org/v1/gonum/dsp/fourier"

	"hushback/engine"
)

// LoudestDB is the highest peak that a signal may have, in dB re full scale: what
// is asked to be louder is refused. Our own limit, no published source.
const LoudestDB = -3

// Options say how a signal is played.
type Options struct {
	LevelDB   float64 // of its peak, re full scale, at most LoudestDB
	FadeInSec float64 // from nothing to full level, 0 or more
	Seed      uint64  // of random phases and noise
}

// Signal is an endless test signal. Make one with New.
type Signal struct {
	repeat []float64 // one period, peak 1; nil for noise
	noise  *noise
	level  float64
	fade   int // samples
	at     int // samples read so far
}

// draws is how many sets of random phases are tried for the multisine that peaks
// least: what peaks less can be played louder for the same limit.
const draws = 60

// New makes a site's test signal for a rate in samples per second:
//
//   - multisine: equal sines at TestSignal.Lines, of random phases, repeated every
//     period;
//   - sweep: Farina's exponential sweep (A. Farina, AES preprint 5093, 2000; from
//     memory) from end to end of the band within three quarters of
//     engine.SweepPeriods periods, faded at both ends, then silence;
//   - noise: normal, with nothing outside the band, never the same again.
//
// Errors: a level above LoudestDB or not a number, a fade below 0, a period that is
// no whole number of samples, a band without a line or beyond half the rate.
func New(t engine.TestSignal, rate int, o Options) (*Signal, error) {
	s, err := build(t, rate, o)
	if err != nil {
		return nil, fmt.Errorf("test signal: %w", err)
	}
	return s, nil
}

func build(t engine.TestSignal, rate int, o Options) (*Signal, error) {
	period := t.PeriodSec * float64(rate)
	switch {
	case !(o.LevelDB <= LoudestDB):
		return nil, fmt.Errorf("level of %g dB re full scale, want at most %d dB: raise the amplifier instead, slowly", o.LevelDB, LoudestDB)
	case !(o.FadeInSec >= 0) || math.IsInf(o.FadeInSec, 1):
		return nil, fmt.Errorf("fade-in of %g s, want 0 or more", o.FadeInSec)
	case !(period >= 1) || math.Abs(period-math.Round(period)) > 1e-6:
		return nil, fmt.Errorf("a period of %g s is %g samples at %d a second, want a whole number", t.PeriodSec, period, rate)
	case len(t.Lines()) == 0:
		return nil, errors.New("no line of it lies in its band")
	case t.Band.HighHz >= float64(rate)/2:
		return nil, fmt.Errorf("a band up to %g Hz, want it below half of the %d samples a second", t.Band.HighHz, rate)
	}
	s := &Signal{level: engine.Ratio(o.LevelDB), fade: int(math.Round(o.FadeInSec * float64(rate)))}
	n := int(math.Round(period))
	random := rand.New(rand.NewPCG(o.Seed, 1))
	switch t.Kind {
	case engine.SignalSweep:
		s.repeat = sweep(t.Band, rate, n*engine.SweepPeriods)
	case engine.SignalNoise:
		s.noise = newNoise(t.Band, rate, random)
	default:
		s.repeat = multisine(t, n, random)
	}
	return s, nil
}

// Read fills dst with the next samples, none of them above the level.
func (s *Signal) Read(dst []float64) {
	for i := range dst {
		v := 0.0
		if s.noise != nil {
			v = s.noise.next()
		} else {
			v = s.repeat[s.at%len(s.repeat)]
		}
		v *= s.level
		if s.at < s.fade { // a raised cosine has no corner that would click
			v *= 0.5 - 0.5*math.Cos(math.Pi*float64(s.at)/float64(s.fade))
		}
		dst[i] = v
		s.at++
	}
}

// multisine is one period of equal sines, peak 1.
func multisine(t engine.TestSignal, n int, random *rand.Rand) []float64 {
	plan := fourier.NewFFT(n)
	spectrum := make([]complex128, n/2+1)
	var best []float64
	for range draws {
		for _, hz := range t.Lines() {
			spectrum[int(math.Round(hz*t.PeriodSec))] = cmplx.Rect(1, 2*math.Pi*random.Float64())
		}
		period := plan.Sequence(nil, spectrum)
		if scale(period); best == nil || power(period) > power(best) {
			best = period
		}
	}
	return best
}

// scale brings the peak to 1.
func scale(samples []float64) {
	peak := 0.0
	for _, v := range samples {
		peak = math.Max(peak, math.Abs(v))
	}
	for i := range samples {
		samples[i] /= peak
	}
}

func power(samples []float64) float64 {
	var sum float64
	for _, v := range samples {
		sum += v * v
	}
	return sum / float64(len(samples))
}

// sweep is one exponential sweep of n samples with its silence, peak 1 at most:
// sin(2π·f1·T/ln(f2/f1)·(e^{t/T·ln(f2/f1)} - 1)).
func sweep(b engine.Band, rate, n int) []float64 {
	out := make([]float64, n)
	length := 3 * n / 4
	fade := length / 20
	last := float64(length) / float64(rate)
	growth := math.Log(b.HighHz / b.LowHz)
	for i := range length {
		at := float64(i) / float64(rate)
		out[i] = math.Sin(2 * math.Pi * b.LowHz * last / growth * (math.Exp(at/last*growth) - 1))
		if edge := min(i, length-1-i); edge < fade {
			out[i] *= 0.5 - 0.5*math.Cos(math.Pi*float64(edge)/float64(fade))
		}
	}
	return out
}

// noise is made in blocks that overlap by half under a sine window, whose squares
// add up to 1: random spectra with nothing outside the band, so that each block
// has its own and the power stays the same throughout.
type noise struct {
	plan        *fourier.FFT
	first, last int // bins
	random      *rand.Rand
	window      []float64
	block, tail []float64
	at          int
	peak        float64
}

// noisePeak is how many times its root mean square noise may reach; what would go
// further is held there: one sample in 16,000.
const noisePeak = 4

func newNoise(b engine.Band, rate int, random *rand.Rand) *noise {
	n := 2 * rate // half a hertz from bin to bin
	z := &noise{plan: fourier.NewFFT(n), random: random, window: make([]float64, n), block: make([]float64, n), tail: make([]float64, n/2)}
	z.first, z.last = int(math.Ceil(2*b.LowHz)), int(math.Floor(2*b.HighHz))
	for i := range z.window {
		z.window[i] = math.Sin(math.Pi * (float64(i) + 0.5) / float64(n))
	}
	// Each bin has two normal parts of variance 1, so a sample has one of 4 for each bin.
	z.peak = noisePeak * math.Sqrt(4*float64(z.last-z.first+1))
	z.fill()
	z.fill()
	return z
}

// fill makes the next half block.
func (z *noise) fill() {
	spectrum := make([]complex128, len(z.block)/2+1)
	for k := z.first; k <= z.last; k++ {
		spectrum[k] = complex(z.random.NormFloat64(), z.random.NormFloat64())
	}
	copy(z.tail, z.block[len(z.tail):])
	z.plan.Sequence(z.block, spectrum)
	for i, w := range z.window {
		z.block[i] *= w
	}
	z.at = 0
}

func (z *noise) next() float64 {
	if z.at == len(z.tail) {
		z.fill()
	}
	v := (z.tail[z.at] + z.block[z.at]) / z.peak
	z.at++
	return math.Max(-1, math.Min(1, v))
}
