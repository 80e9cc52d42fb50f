package transfer

import (
	"fmt"
	"math"

	"hushback/engine"
)

// Window is the weight given to the samples of a segment.
type Window int

// The windows.
const (
	// Rectangular is exact for a periodic signal cut into whole periods, and
	// for nothing else. Segments must not overlap.
	Rectangular Window = iota
	// Hann, periodic, 0.5-0.5·cos(2πn/N), is for everything else.
	Hann
)

// Options say how to cut the audio into segments, in samples.
type Options struct {
	Segment int // length; only factors 2, 3, 5 and 7, at least 8
	Hop     int // from one segment's start to the next, at most Segment
	Window  Window
}

// minAverages is how many effective averages there must be for the scatter
// between them to say anything.
const minAverages = 2

// EnergyFloor is the least energy that the reference must have at a frequency,
// relative to its strongest one in the band, for that frequency to be kept:
// -40 dB. A multisine analysed with segments of several periods keeps its own
// lines only, even with a reference channel that hums and hisses 40 dB below
// them; noise as a test signal keeps every bin. Our own figure, no published
// source.
const EnergyFloor = 1e-4

// Estimate is the transfer function from reference to microphone by Welch's
// method (P. D. Welch, IEEE Trans. AU-15, 70-73, 1967) at the bins k·rate/Segment
// that lie inside band, strictly between 0 and rate/2, and above EnergyFloor.
//
// With X and Y the windowed segments' spectra and mean the average over them:
//
//	H         = mean(conj(X)·Y) / mean(|X|²)
//	Coherence = |mean(conj(X)·Y)|² / (mean(|X|²)·mean(|Y|²))
//	Sigma     = sqrt( (1-Coherence)·mean(|Y|²) / (2·(n-1)·mean(|X|²)) )
//
// Sigma is |H| times the normalised random error of the gain factor in J. S.
// Bendat & A. G. Piersol, Random Data, 2nd ed. 1986, eq. 9.90, with n-1 in
// place of n: the residual variance is then unbiased, which matters for few
// averages. It counts noise at the microphone that is not in the reference.
// Incomplete last segments are dropped; nothing is padded or detrended.
//
// n, the effective averages, is the number K of segments without overlap and
//
//	n = K / (1 + 2·Σ_{m=1}^{K-1} (K-m)/K·ρ(m·Hop/Segment)²)
//
// with Hann, ρ being the window's autocorrelation (see hannOverlap).
//
// A delay of u segments between the channels, if not taken out beforehand,
// lowers |H| by the factor ρ(u) unless the signal is periodic in Segment.
//
// Errors name the channel or the option: lengths that differ, samples that are
// not finite, options out of range, fewer than two effective averages, a band
// without bins, a reference silent in the band.
func Estimate(reference, microphone []float64, rate float64, band engine.Band, o Options) (Function, error) {
	f, err := estimate(reference, microphone, rate, band, o)
	if err != nil {
		return Function{}, fmt.Errorf("transfer function: %w", err)
	}
	return f, nil
}

func estimate(reference, microphone []float64, rate float64, band engine.Band, o Options) (Function, error) {
	if err := o.check(); err != nil {
		return Function{}, err
	}
	first, last, err := bins(rate, band, o.Segment)
	if err != nil {
		return Function{}, err
	}
	if err := checkAudio(reference, microphone); err != nil {
		return Function{}, err
	}
	x, y := newTransform(o.Segment, first, last), newTransform(o.Segment, first, last)
	sums, weights, segments := newSpectra(first, last-first+1), o.weights(), 0
	for at := 0; at+o.Segment <= len(reference); at += o.Hop {
		sums.add(x.of(reference[at:at+o.Segment], weights), y.of(microphone[at:at+o.Segment], weights))
		segments++
	}
	n := o.averages(segments)
	if n < minAverages {
		return Function{}, fmt.Errorf("%d samples make %d segments of %d, which is %.2f independent averages, want at least %d",
			len(reference), segments, o.Segment, n, minAverages)
	}
	return sums.function(rate, o.Segment, n)
}

func checkAudio(reference, microphone []float64) error {
	if len(reference) != len(microphone) {
		return fmt.Errorf("reference has %d samples, microphone %d, want as many", len(reference), len(microphone))
	}
	for i := range reference {
		if v := reference[i]; math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("reference sample %d is %v, want a finite number", i, v)
		}
		if v := microphone[i]; math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("microphone sample %d is %v, want a finite number", i, v)
		}
	}
	return nil
}

func (o Options) check() error {
	switch {
	case o.Segment < 8 || !smooth(o.Segment):
		return fmt.Errorf("segment of %d samples, want at least 8 and no prime factor but 2, 3, 5 and 7: others transform slowly and inexactly", o.Segment)
	case o.Hop < 1 || o.Hop > o.Segment:
		return fmt.Errorf("hop of %d samples, want 1 to the segment's %d", o.Hop, o.Segment)
	case o.Window == Rectangular && o.Hop != o.Segment:
		return fmt.Errorf("hop of %d samples, want the segment's %d: rectangular segments must not overlap", o.Hop, o.Segment)
	case o.Window != Rectangular && o.Window != Hann:
		return fmt.Errorf("window %d is not known", o.Window)
	}
	return nil
}

// smooth reports whether n > 0 has no prime factors but 2, 3, 5 and 7.
func smooth(n int) bool {
	for _, factor := range []int{2, 3, 5, 7} {
		for n%factor == 0 {
			n /= factor
		}
	}
	return n == 1
}

// averages is the effective number of independent averages in count segments.
func (o Options) averages(count int) float64 {
	k := float64(count)
	sum := 1.0
	if o.Window == Hann {
		for m := 1; m < count && m*o.Hop < o.Segment; m++ {
			rho := hannOverlap(float64(m) * float64(o.Hop) / float64(o.Segment))
			sum += 2 * (k - float64(m)) / k * rho * rho
		}
	}
	return k / sum
}

// hannOverlap is the autocorrelation of the Hann window shifted by u of its
// length, 0 ≤ u ≤ 1: (1-u)(2+cos 2πu)/3 + sin(2πu)/(2π).
func hannOverlap(u float64) float64 {
	return (1-u)*(2+math.Cos(2*math.Pi*u))/3 + math.Sin(2*math.Pi*u)/(2*math.Pi)
}

func (o Options) weights() []float64 {
	w := make([]float64, o.Segment)
	for i := range w {
		w[i] = 1
		if o.Window == Hann {
			w[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(o.Segment))
		}
	}
	return w
}

// bins are the first and last bin inside the band whose spectrum is complex,
// that is without 0 Hz and half the rate.
func bins(rate float64, band engine.Band, segment int) (first, last int, err error) {
	const slack = 1e-9 // so that a band that ends on a bin holds it
	step := rate / float64(segment)
	low, high := math.Ceil(band.LowHz/step-slack), math.Floor(band.HighHz/step+slack)
	low, high = math.Max(1, low), math.Min(float64((segment-1)/2), high)
	if !(step > 0) || math.IsInf(step, 0) || !(low <= high) {
		return 0, 0, fmt.Errorf("no bin of %g samples per second in segments of %d lies in the band %g to %g Hz",
			rate, segment, band.LowHz, band.HighHz)
	}
	return int(low), int(high), nil
}
