package transfer

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"hushback/engine"
)

// The range in which FindDelay looks, and of how much audio.
const (
	longestDelaySec = 0.5 // 170 m of air
	longestLook     = 1 << 20
)

// FindDelay is the pure delay, in seconds, of the microphone behind the reference
// within a band, to a fraction of a sample and whatever the polarity; negative if
// the microphone is ahead. It looks half a second to both sides, a quarter of the
// audio at most, and at no more than the first 2^20 samples. A signal that repeats
// itself has a delay but for whole periods; of those the one nearest 0 is found.
//
// The lag at which the envelope of the band's cross-correlation is greatest lines
// the channels up roughly, so that windows do not bias what follows (a delay of a
// quarter of a Hann segment alone takes 3.6 dB off H). Then the delay τ is where
//
//	clarity = |Σ sqrt(Coherence)·H/|H|·e^{j2πfτ}| / bins
//
// is greatest: 1 when all of the band arrives at once and nothing else is heard;
// around 0.1 and less when nothing has been found. Of several arrivals τ is what
// lines the band up best, not the first one.
//
// Find it once for a series and take the same delay out of every capture of it
// (Advance), or the phases of the captures cannot be compared.
//
// Errors: lengths that differ, samples that are not finite, fewer than 64 of them,
// a band without bins, a reference silent in the band. A silent microphone has the
// delay 0 with the clarity 0.
func FindDelay(reference, microphone []float64, rate float64, band engine.Band) (sec, clarity float64, err error) {
	sec, clarity, err = findDelay(reference, microphone, rate, band)
	if err != nil {
		return 0, 0, fmt.Errorf("delay between the channels: %w", err)
	}
	return sec, clarity, nil
}

func findDelay(reference, microphone []float64, rate float64, band engine.Band) (sec, clarity float64, err error) {
	const least = 64
	if err := checkAudio(reference, microphone, 0); err != nil {
		return 0, 0, err
	}
	n := min(len(reference), longestLook)
	if n < least {
		return 0, 0, fmt.Errorf("%d samples, want at least %d", n, least)
	}
	reference, microphone = reference[:n], microphone[:n]
	late, err := roughLag(reference, microphone, rate, band)
	if err != nil {
		return 0, 0, err
	}
	reference, microphone = reference[max(0, -late):n-max(0, late)], microphone[max(0, late):n-max(0, -late)]
	segment := min(int(math.Min(rate, longestLook)), len(reference)/8)
	for segment > 1 && !smooth(segment) {
		segment--
	}
	f, err := estimate(reference, microphone, rate, band, Options{Segment: segment, Hop: segment / 2, Window: Hann})
	if err != nil {
		return 0, 0, err
	}
	for i, h := range f.H {
		f.H[i] = 0
		if h != 0 {
			f.H[i] = h * complex(math.Sqrt(f.Coherence[i])/cmplx.Abs(h), 0)
		}
	}
	if !slices.ContainsFunc(f.H, func(h complex128) bool { return h != 0 }) {
		return 0, 0, nil
	}
	rough := math.Max(0.02, 2/(band.HighHz-band.LowHz)) // echoes bend the envelope so far
	fine := f.Advance(-rough).Delay(2*rough) - rough
	var sum complex128
	for _, h := range f.Advance(fine).H {
		sum += h
	}
	return float64(late)/rate + fine, math.Min(1, cmplx.Abs(sum)/float64(len(f.H))), nil
}

// roughLag is the number of samples by which the microphone is late, to within a
// fraction of 1 over the bandwidth. The spectra of the band alone make the
// cross-correlation's envelope, with as few lags as the bandwidth needs.
func roughLag(reference, microphone []float64, rate float64, band engine.Band) (int, error) {
	size := 1
	for size < len(reference)*5/4 {
		size *= 2
	}
	first, last, err := bins(rate, band, size)
	if err != nil {
		return 0, err
	}
	ones := Options{Segment: size}.weights()
	spectrum := func(samples []float64) []complex128 {
		t := newTransform(size, first, last)
		return t.of(append(slices.Clone(samples), make([]float64, size-len(samples))...), ones)
	}
	x, y := spectrum(reference), spectrum(microphone)
	lags := 8
	for lags < 8*len(x) {
		lags *= 2
	}
	cross := make([]complex128, lags)
	for i := range x {
		cross[i] = cmplx.Conj(x[i]) * y[i]
	}
	envelope := fourier.NewCmplxFFT(lags).Sequence(nil, cross)
	step := float64(size) / float64(lags) // samples
	most := int(math.Min(longestDelaySec*rate, float64(len(reference)/4)) / step)
	best := 0
	for k := 1; k <= most && k < lags/2; k++ { // outwards, so that the nearest of equals stays
		for _, lag := range []int{k, -k} {
			if cmplx.Abs(envelope[(lag+lags)%lags]) > cmplx.Abs(envelope[(best+lags)%lags])*(1+1e-9) {
				best = lag
			}
		}
	}
	return int(math.Round(float64(best) * step)), nil
}
