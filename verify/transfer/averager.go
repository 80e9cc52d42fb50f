package transfer

import (
	"errors"
	"fmt"
	"math"

	"hushback/engine"
)

// Averager is Estimate for audio that is still coming in: add samples as they
// come, ask for the Function of all so far at any time. However the audio is cut
// into pieces, the result is the same to the last bit. It holds one segment, and
// is not for use by several goroutines at once.
type Averager struct {
	rate       float64
	options    Options
	weights    []float64
	reference  *transform
	microphone *transform
	waiting    [2][]float64 // samples of the segment that is not whole yet
	segments   int
	samples    int
	sums       *spectra
}

// NewAverager makes one. Errors: those of Estimate that concern rate, band and
// options.
func NewAverager(rate float64, band engine.Band, o Options) (*Averager, error) {
	a, err := newAverager(rate, band, o)
	if err != nil {
		return nil, fmt.Errorf("transfer function: %w", err)
	}
	return a, nil
}

func newAverager(rate float64, band engine.Band, o Options) (*Averager, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	first, last, err := bins(rate, band, o.Segment)
	if err != nil {
		return nil, err
	}
	a := &Averager{rate: rate, options: o, weights: o.weights(), sums: newSpectra(first, last-first+1)}
	a.reference, a.microphone = newTransform(o.Segment, first, last), newTransform(o.Segment, first, last)
	for c := range a.waiting {
		a.waiting[c] = make([]float64, 0, o.Segment)
	}
	return a, nil
}

// Add takes samples of both channels that follow on those before. Errors, after
// which nothing has been added: lengths that differ, samples that are not finite.
func (a *Averager) Add(reference, microphone []float64) error {
	if err := a.add(reference, microphone); err != nil {
		return fmt.Errorf("transfer function: %w", err)
	}
	return nil
}

func (a *Averager) add(reference, microphone []float64) error {
	if err := checkAudio(reference, microphone, a.samples); err != nil {
		return err
	}
	a.samples += len(reference)
	for len(reference) > 0 {
		n := min(len(reference), a.options.Segment-len(a.waiting[0]))
		a.waiting[0] = append(a.waiting[0], reference[:n]...)
		a.waiting[1] = append(a.waiting[1], microphone[:n]...)
		reference, microphone = reference[n:], microphone[n:]
		if len(a.waiting[0]) < a.options.Segment {
			break
		}
		a.sums.add(a.reference.of(a.waiting[0], a.weights), a.microphone.of(a.waiting[1], a.weights))
		a.segments++
		for c, samples := range a.waiting {
			a.waiting[c] = samples[:copy(samples, samples[a.options.Hop:])]
		}
	}
	return nil
}

// Function is what Estimate says of all samples so far. Errors: fewer than two
// effective averages yet, a reference silent in the band.
func (a *Averager) Function() (Function, error) {
	f, err := a.function()
	if err != nil {
		return Function{}, fmt.Errorf("transfer function: %w", err)
	}
	return f, nil
}

func (a *Averager) function() (Function, error) {
	n := a.options.averages(a.segments)
	if n < minAverages {
		return Function{}, fmt.Errorf("%d samples make %d segments of %d, which is %.2f independent averages, want at least %d",
			a.samples, a.segments, a.options.Segment, n, minAverages)
	}
	return a.sums.function(a.rate, a.options.Segment, n)
}

// checkAudio checks samples that follow on as many as have come before.
func checkAudio(reference, microphone []float64, before int) error {
	if len(reference) != len(microphone) {
		return fmt.Errorf("reference has %d samples, microphone %d, want as many", len(reference), len(microphone))
	}
	for i := range reference {
		if v := reference[i]; math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("reference sample %d is %v, want a finite number", before+i, v)
		}
		if v := microphone[i]; math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("microphone sample %d is %v, want a finite number", before+i, v)
		}
	}
	return nil
}

// spectra accumulates the products of the segments' spectra, bin by bin from
// the first bin on.
type spectra struct {
	first  int
	xx, yy []float64
	xy     []complex128
}

func newSpectra(first, count int) *spectra {
	return &spectra{first, make([]float64, count), make([]float64, count), make([]complex128, count)}
}

func (s *spectra) add(x, y []complex128) {
	for i := range s.xx {
		a, b := x[i], y[i]
		s.xx[i] += real(a)*real(a) + imag(a)*imag(a)
		s.yy[i] += real(b)*real(b) + imag(b)*imag(b)
		s.xy[i] += complex(real(a), -imag(a)) * b
	}
}

// function divides the sums. The number of segments cancels in all of them.
func (s *spectra) function(rate float64, segment int, n float64) (Function, error) {
	strongest := 0.0
	for _, xx := range s.xx {
		strongest = math.Max(strongest, xx)
	}
	if strongest == 0 {
		return Function{}, errors.New("the reference is silent in the band")
	}
	f := Function{Averages: n}
	for i, xx := range s.xx {
		if xx < EnergyFloor*strongest {
			continue
		}
		coherence := 0.0
		if s.yy[i] > 0 {
			coherence = math.Min(1, (real(s.xy[i])*real(s.xy[i])+imag(s.xy[i])*imag(s.xy[i]))/(xx*s.yy[i]))
		}
		f.FreqHz = append(f.FreqHz, float64(s.first+i)*rate/float64(segment))
		f.H = append(f.H, s.xy[i]/complex(xx, 0))
		f.Coherence = append(f.Coherence, coherence)
		f.Sigma = append(f.Sigma, math.Sqrt((1-coherence)*s.yy[i]/(2*(n-1)*xx)))
	}
	return f, nil
}
