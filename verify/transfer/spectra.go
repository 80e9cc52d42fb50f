package transfer

import (
	"errors"
	"math"
)

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
