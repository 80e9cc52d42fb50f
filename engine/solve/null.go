// Package solve finds the settings that make an array sum in front and null
// behind.
package solve

import (
	"fmt"
	"math"

	"hushback/engine"
	"hushback/engine/field"
)

// Null is what a practitioner does by hand, made exact: within each row every
// output arrives together at the front microphone (AsPlaced ones in the mean);
// at the rear microphone the rows are matched in level at the target
// frequency; and one delay between the rows makes their sums cancel there.
// Within a row all gains are one, and the louder row plays as loud as all of
// its outputs may.
//
// There is such a delay for a rear row of either polarity; each is at most
// half a period from everything arriving together in front, and longer ones
// would only be further from it. Taken is the one with the least sum shortfall
// over the operating range. That is also the one that costs least headroom,
// for the gains are the same. With the rows a quarter wavelength apart it is
// what the trade calls end-fire, with rows much closer it is gradient.
//
// The settings then go onto the processor's grid (see array.round), where the
// outputs of a row may come to differ by a step. The sheet is the same for the
// same site, ascending by output, nothing muted, and the least delay is the
// least that the processor has. The site's groups are not looked at: all of it
// is one array.
//
// The site must have no Problems. Errors say what does not fit: rows that are
// silent at the rear microphone, a gain or a delay outside the ranges, a grid
// without steps.
func Null(site engine.Site, r engine.Ranges) (engine.Sheet, error) {
	sheet, err := together(site, []part{{site: site, treatment: engine.TreatNull}}, r)
	if err != nil {
		return engine.Sheet{}, fmt.Errorf("solving for a null at %g Hz: %w", site.Target.NullHz, err)
	}
	return sheet, nil
}

// choose returns the candidate with the least sum shortfall, the first of
// equals.
func choose(site engine.Site, a array) (best array, err error) {
	least := math.Inf(1)
	for _, candidate := range a.candidates() {
		p, err := field.Predict(site, candidate.sheet())
		if err != nil {
			return array{}, err
		}
		if p.Summary.SumShortfallDB < least {
			best, least = candidate, p.Summary.SumShortfallDB
		}
	}
	return best, nil
}
