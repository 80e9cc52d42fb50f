package diagnose

import (
	"cmp"
	"math"
	"slices"

	"hushback/verify/diagnose/model"
)

// guess is a set of faults, none, one or two, and what the captures say of it.
type guess struct {
	faults  []fault
	rig     model.Rig
	fit     model.Result
	logPost float64 // up to what all guesses share
}

// How many single faults a second one is tried with, and how many of the pairs
// are looked at thoroughly.
const (
	bases = 5
	pairs = 8
)

// search tries nothing, every fault alone, and every fault on top of the few
// single ones that explain the captures best; best first.
func search(m *model.Model, all []fault) ([]guess, error) {
	healthy := guess{rig: m.Healthy()}
	if err := healthy.look(m, [][]model.Push{nil}, true); err != nil {
		return nil, err
	}
	guesses := []guess{healthy}
	for _, f := range all {
		g := guess{faults: []fault{f}, rig: f.upon(m, healthy.rig)}
		if err := g.look(m, f.starts(m), true); err != nil {
			return nil, err
		}
		guesses = append(guesses, g)
	}
	rank(guesses)
	var doubles []guess
	for i, base := range distinct(guesses) {
		for _, f := range all {
			if f.excludes(base.faults[0]) || tried(doubles, base.faults[0], f, i) {
				continue
			}
			g := guess{faults: []fault{base.faults[0], f}, rig: f.upon(m, base.rig)}
			if err := g.look(m, join(base.found(m), f.starts(m)), false); err != nil {
				return nil, err
			}
			doubles = append(doubles, g)
		}
	}
	rank(doubles)
	for i := range doubles[:min(pairs, len(doubles))] {
		g := &doubles[i]
		if err := g.look(m, join(g.found(m), [][]model.Push{nil}), true); err != nil {
			return nil, err
		}
		guesses = append(guesses, *g)
	}
	rank(guesses)
	return guesses, nil
}

func rank(guesses []guess) {
	slices.SortStableFunc(guesses, func(a, b guess) int { return cmp.Compare(b.logPost, a.logPost) })
}

// distinct are the best single faults.
func distinct(guesses []guess) []guess {
	var best []guess
	for _, g := range guesses {
		if len(g.faults) == 1 && len(best) < bases {
			best = append(best, g)
		}
	}
	return best
}

// tried reports whether a pair was looked at the other way round already.
func tried(doubles []guess, base, f fault, before int) bool {
	if before == 0 {
		return false
	}
	return slices.ContainsFunc(doubles, func(g guess) bool { return g.faults[0] == f && g.faults[1] == base })
}

// look fits the guess to the captures.
func (g *guess) look(m *model.Model, starts [][]model.Push, thorough bool) (err error) {
	if g.fit, err = m.Fit(g.rig, starts, thorough); err != nil {
		return err
	}
	g.logPost = g.fit.LogZ
	for _, f := range g.faults {
		g.logPost += f.logPrior
		if !f.holds(m, g.fit) {
			g.logPost = math.Inf(-1)
		}
	}
	return nil
}

// found are the quantities of the guess's faults where the fit has them, as a
// start for another. Delays are looked for anew in any case.
func (g *guess) found(m *model.Model) []model.Push {
	var pushes []model.Push
	for _, f := range g.faults {
		for _, q := range f.quantities(m) {
			pushes = append(pushes, model.Push{At: q, By: g.fit.Theta[q]})
		}
	}
	return pushes
}

func join(found []model.Push, starts [][]model.Push) [][]model.Push {
	all := make([][]model.Push, len(starts))
	for i, s := range starts {
		all[i] = slices.Concat(found, s)
	}
	return all
}
