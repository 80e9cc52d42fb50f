package optimise

import (
	"context"
	"fmt"
	"slices"
)

// Solve searches. progress, which may be nil, is told after each start, by one
// goroutine at a time. When ctx ends the best so far is returned without an
// error, on the grid and with its bound, but not Complete.
//
// Errors: a problem whose parts do not fit, or *Unmet, together with the
// nearest that was found, where nothing within the limits was.
func Solve(ctx context.Context, p Problem, progress func(Progress)) (Result, error) {
	if err := p.check(); err != nil {
		return Result{}, err
	}
	t := prepare(p)
	best, evaluations := t.search(ctx, progress)
	r := Result{Complete: ctx.Err() == nil, BoundDB: make([]float64, len(t.at))}
	r.Settings, r.Measures, r.Evaluations = t.settle(best)
	r.Evaluations += evaluations
	parallel(len(t.at), func(f int) { r.BoundDB[f] = t.bound(f) })
	for _, b := range r.BoundDB {
		r.Bound += b / float64(len(t.at))
	}
	if p.Worst {
		r.Bound = slices.Min(r.BoundDB)
	}
	return r, t.unmet(r.Measures)
}

// Measure says what given settings do, one for each output. A gain above an
// output's greatest counts as it is.
func Measure(p Problem, settings []Setting) (Measures, error) {
	if err := p.check(); err != nil {
		return Measures{}, err
	}
	if len(settings) != len(p.Outputs) {
		return Measures{}, fmt.Errorf("got %d settings for %d outputs", len(settings), len(p.Outputs))
	}
	t := prepare(p)
	var d dials
	for i, s := range settings {
		d.delay = append(d.delay, s.DelaySec)
		d.amplitude = append(d.amplitude, float64(s.Polarity)*amplitude(s.GainDB-p.Outputs[i].GainDB.Max))
	}
	return t.does(d), nil
}
