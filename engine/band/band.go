// Package band is the frequency bands that limits for neighbours are written in,
// and what an array does in each of them.
package band

import (
	"fmt"
	"math"
	"slices"
)

// Band is one fractional-octave band of IEC 61260-1:2014, base ten: with the
// octave ratio G = 10^(3/10), the reference 1000 Hz and the band number x, the
// middle of 1/b octave is 1000·G^(x/b) Hz for odd b (equation 2) and
// 1000·G^((2x+1)/(2b)) Hz for even b (equation 3), so that 1000 Hz is an edge of
// a twelfth of an octave, not its middle; the edges are G^(±1/(2b)) of it
// (equations 4 and 5). The equations are second-hand, from the documentation of a
// general acoustics library.
type Band struct {
	Number    int     `json:"number"`
	NominalHz float64 `json:"nominal_hz"` // what the band is called; ISO 266 for octaves and thirds
	MidHz     float64 `json:"mid_hz"`
	LowHz     float64 `json:"low_hz"`
	HighHz    float64 `json:"high_hz"`
}

const reference = 1000 // Hz

// ratio is G, the octave's.
func ratio() float64 { return math.Pow(10, 0.3) }

// Within lists the bands of 1/fraction octave whose middle lies between two
// frequencies, ends included, ascending; there may be none. Fractions are 1, 3, 6,
// 12 and 24. Errors: another fraction, or frequencies that do not rise from above 0.
func Within(fraction int, lowHz, highHz float64) ([]Band, error) {
	if !slices.Contains([]int{1, 3, 6, 12, 24}, fraction) {
		return nil, fmt.Errorf("bands of 1/%d octave: want 1, 1/3, 1/6, 1/12 or 1/24", fraction)
	}
	if !(lowHz > 0 && lowHz <= highHz) || math.IsInf(highHz, 1) {
		return nil, fmt.Errorf("bands from %g to %g Hz: want frequencies that rise from above 0", lowHz, highHz)
	}
	number := func(hz float64) float64 {
		x := float64(fraction) * math.Log(hz/reference) / math.Log(ratio())
		if fraction%2 == 0 {
			x -= 0.5
		}
		return x
	}
	const slack = 1e-9 // so that a band whose middle is an end counts
	var bands []Band
	for x := int(math.Ceil(number(lowHz) - slack)); float64(x) <= number(highHz)+slack; x++ {
		bands = append(bands, numbered(fraction, x))
	}
	return bands, nil
}

func numbered(fraction, x int) Band {
	exponent := float64(x) / float64(fraction)
	if fraction%2 == 0 {
		exponent = float64(2*x+1) / float64(2*fraction)
	}
	mid, edge := reference*math.Pow(ratio(), exponent), math.Pow(ratio(), 1/float64(2*fraction))
	return Band{Number: x, NominalHz: nominal(fraction, x, mid), MidHz: mid, LowHz: mid / edge, HighHz: mid * edge}
}

// nominal is the label of a band. Octaves and thirds have the preferred numbers of
// ISO 266; finer bands are rounded by the rule of IEC 61260-1, annex E: three
// digits where the first is 1 to 4, else two (second-hand like the equations).
func nominal(fraction, x int, midHz float64) float64 {
	if fraction == 1 {
		fraction, x = 3, 3*x
	}
	decade := math.Pow(10, math.Floor(math.Log10(midHz)+1e-9))
	if fraction == 3 {
		preferred := [...]float64{1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8}
		return decade * preferred[((x%10)+10)%10]
	}
	digits := 10.0
	if midHz/decade < 5 {
		digits = 100
	}
	return math.Round(midHz/decade*digits) / digits * decade
}

// Fine is a band's middles of a finer fraction, which tile it.
func (b Band) Fine(fraction int) []float64 {
	inner, err := Within(fraction, b.LowHz, b.HighHz)
	if err != nil {
		return nil
	}
	mids := make([]float64, len(inner))
	for i, f := range inner {
		mids[i] = f.MidHz
	}
	return mids
}
