package coverage

import (
	"fmt"
	"math"

	"hushback/engine"
)

// LobeSpacing is the spacing in metres at which, as the sources of a straight
// row are moved apart, a lobe beside the main one first gets louder than
// limitDB against the main one at topHz. It is +Inf where none ever does: of a
// single source, or for a limit of 0 dB or more. SpacingM, ArcRad and Delayed
// are not looked at.
//
// Only directions in front count, out to the row's own line. Behind it a row
// of sources that play the same in all directions repeats its front, main lobe
// and all, at any spacing.
//
// The level in a direction θ depends on the phase from neighbour to neighbour
// alone, ψ = 2π·d/λ·sin θ. So widening d shows new levels at the ends of the row,
// θ = ±90°, before anywhere else. Past the first null, ψ = 2π/N, the first ψ at
// which the level is over the limit gives d = λψ/2π. For -6 dB that is two
// thirds of a wavelength with two sources and more with more of them, for no
// lobe but the repeated main one is ever that loud.
func (r Row) LobeSpacing(topHz, limitDB, c float64) float64 {
	r.SpacingM, r.ArcRad = c/topHz, 0 // so that Check has something to see
	if r.Check(topHz, c) != nil || math.IsNaN(limitDB) {
		return math.NaN()
	}
	if r.Count == 1 || limitDB >= 0 {
		return math.Inf(1)
	}
	limit := math.Pow(10, limitDB/10)
	below := func(wavelengths float64) float64 { // of the limit, at the row's ends
		r.SpacingM = wavelengths
		return limit - r.beam(1, 1).power(math.Pi/2)
	}
	n := float64(r.Count)
	apart := steps(1-1/n, n, 32)
	for i := range apart {
		apart[i] += 1 / n
	}
	if d, ok := falls(apart, each(apart, below), below); ok {
		return d * c / topHz
	}
	return math.Inf(1)
}

// Lobe is a direction that an array plays to besides where it should.
type Lobe struct {
	OffAxisRad float64 // from the axis, positive to the left
	LevelDB    float64 // against the level on the axis
}

// SideLobe is the loudest lobe outside the main one, within 90° of the axis.
// The main lobe ends at the first dip beyond the edge of coverage on either
// side, so that the ripples of an arc within its own coverage are no side
// lobes. What plays behind is the business of the null. A lobe that is still
// rising at 90° counts with its level there. It is false where there is no
// other lobe, or no end to the main one.
//
// Errors are those of Openings.
func SideLobe(site engine.Site, sheet engine.Sheet, axisRad, freqHz float64) (Lobe, bool, error) {
	v := view{site, sheet, axisRad}
	freq := []float64{freqHz}
	turns, err := v.turns(freq, math.Pi/2)
	if err != nil {
		return Lobe{}, false, fmt.Errorf("side lobe: %w", err)
	}
	loudest, found := Lobe{}, false
	for _, side := range []float64{+1, -1} {
		at, level, ok, err := v.besides(side, turns, freq)
		if err != nil {
			return Lobe{}, false, fmt.Errorf("side lobe: %w", err)
		}
		if ok && (!found || level > loudest.LevelDB) {
			loudest, found = Lobe{side * at, level}, true
		}
	}
	return loudest, found, nil
}

// besides is the loudest lobe on one side.
func (v view) besides(side float64, turns, freq []float64) (at, levelDB float64, ok bool, err error) {
	powers, err := v.powers(side, turns, freq)
	if err != nil {
		return 0, 0, false, err
	}
	p := powers[0]
	edge, err := v.edge(edgeDB, side, turns, p, freq[0])
	if err != nil {
		return 0, 0, false, err
	}
	from := 0
	for from < len(p)-1 && (turns[from] < edge || p[from+1] < p[from]) {
		from++
	}
	if from == len(p)-1 {
		return 0, 0, false, nil
	}
	var failed error
	power := v.power(side, freq[0], &failed)
	upside := func(turn float64) float64 { return -power(turn) }
	for i := range p {
		p[i] = -p[i]
	}
	at, loudest := bottom(turns[from:], p[from:], upside)
	return at, engine.DB(math.Sqrt(loudest / p[0])), true, failed
}
