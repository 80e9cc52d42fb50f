package coverage

import (
	"fmt"
	"math"

	"hushback/engine"
)

// lobe is a direction that an array plays to besides where it should.
type lobe struct {
	offAxisRad float64 // from the axis, positive to the left
	levelDB    float64 // against the level on the axis
}

// sideLobe is the loudest lobe outside the main one, within 90° of the axis.
// The main lobe ends at the first dip beyond the edge of coverage on either
// side, so that the ripples of an arc within its own coverage are no side
// lobes. What plays behind is the business of the null. A lobe that is still
// rising at 90° counts with its level there. It is false where there is no
// other lobe, or no end to the main one.
//
// LobeSpacing is held against it, and it against published arrays; nothing else
// asks for it.
func sideLobe(site engine.Site, sheet engine.Sheet, axisRad, freqHz float64) (lobe, bool, error) {
	v := view{site, sheet, axisRad}
	freq := []float64{freqHz}
	turns, err := v.turns(freq, math.Pi/2)
	if err != nil {
		return lobe{}, false, fmt.Errorf("side lobe: %w", err)
	}
	loudest, found := lobe{}, false
	for _, side := range []float64{+1, -1} {
		at, level, ok, err := v.besides(side, turns, freq)
		if err != nil {
			return lobe{}, false, fmt.Errorf("side lobe: %w", err)
		}
		if ok && (!found || level > loudest.levelDB) {
			loudest, found = lobe{side * at, level}, true
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
