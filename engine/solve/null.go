// Package solve finds the settings that make an array sum in front and null
// behind.
package solve

import (
	"errors"
	"fmt"
	"math"

	"hushback/engine"
	"hushback/engine/field"
)

// Null is what a practitioner does by hand, made exact: within each row every
// output arrives together at the front microphone; at the rear microphone the
// rows are matched in level at the target frequency; and one delay between the
// rows makes their sums cancel there. The outputs of a row share one gain. The
// louder row plays as loud as all of its outputs may, the other below it.
//
// Such a delay exists in every period, for a rear row of either polarity, with
// the front row or the rear row the one that waits. Of those within one period
// of everything arriving together in front the one with the least sum
// shortfall over the operating range is taken, to 0.01 dB, then the one with
// the least headroom cost. With the rows a quarter wavelength apart that is
// what the trade calls end-fire, with rows much closer it is gradient.
//
// The settings then go onto the processor's grid (see array.round), so the
// null at the target is as deep as the steps allow. The sheet is the same for
// the same site, ascending by output, nothing muted, and the least delay is
// the least that the processor has.
//
// The site must have no Problems. Errors say what does not fit: rows that are
// silent at the rear microphone, a gain or a delay outside the ranges, a grid
// without steps.
func Null(site engine.Site, r engine.Ranges) (engine.Sheet, error) {
	sheet, err := null(site, r)
	if err != nil {
		return engine.Sheet{}, fmt.Errorf("solving for a null at %g Hz: %w", site.Target.NullHz, err)
	}
	return sheet, nil
}

func null(site engine.Site, r engine.Ranges) (engine.Sheet, error) {
	if !(r.DelaySec.Step > 0 && r.DelaySec.Max > r.DelaySec.Min) || !(r.GainDB.Step > 0 && r.GainDB.Max > r.GainDB.Min) {
		return engine.Sheet{}, errors.New("the processor's delay and gain ranges must rise in steps above 0")
	}
	a, err := arrange(site)
	if err != nil {
		return engine.Sheet{}, err
	}
	if err := a.match(r.GainDB); err != nil {
		return engine.Sheet{}, err
	}
	a, err = choose(site, a, r.DelaySec)
	if err != nil {
		return engine.Sheet{}, err
	}
	return a.round(r)
}

// choose tries every delay between the rows that cancels behind and returns
// the array with the best one in it.
func choose(site engine.Site, a array, delays engine.Grid) (array, error) {
	var best array
	least := math.Inf(1) // span of the candidate that asks least of the processor
	var bestShort, bestCost float64
	for _, candidate := range a.candidates() {
		span := candidate.span()
		least = math.Min(least, span)
		if span > delays.Max-delays.Min {
			continue
		}
		p, err := field.Predict(site, candidate.sheet(delays.Min))
		if err != nil {
			return array{}, err
		}
		short, cost := math.Round(p.Summary.SumShortfallDB*100), math.Round(p.HeadroomCostDB*100)
		if best.channels == nil || short < bestShort || (short == bestShort && cost < bestCost) {
			best, bestShort, bestCost = candidate, short, cost
		}
	}
	if best.channels == nil {
		return array{}, fmt.Errorf("the outputs need delays %.2f ms apart, the processor spans %.2f ms",
			least*1e3, (delays.Max-delays.Min)*1e3)
	}
	return best, nil
}
