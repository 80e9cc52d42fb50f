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

// How many single faults are looked at thoroughly, how many of those a second
// one is tried with where one does not explain the captures and where it does,
// and how many of the pairs are looked at thoroughly.
const (
	singles   = 12
	bases     = 5
	fewBases  = 2
	pairs     = 8
	refined   = 4
	closeLog  = 12
	remoteLog = 40 // what is less probable than e^-remoteLog after a first look is not looked at again
)

// search tries nothing, every fault alone, and every fault on top of the few
// single ones that explain the captures best; best first.
func search(m *model.Model, all []fault) ([]guess, error) {
	healthy := guess{rig: m.Healthy()}
	if err := healthy.look(m, [][]model.Push{nil}); err != nil {
		return nil, err
	}
	guesses := []guess{healthy}
	for _, f := range all {
		g := guess{faults: []fault{f}, rig: f.upon(m, healthy.rig)}
		if err := g.look(m, f.starts(m)); err != nil {
			return nil, err
		}
		guesses = append(guesses, g)
	}
	if err := lookAgain(m, guesses, singles); err != nil {
		return nil, err
	}
	doubles, err := second(m, all, guesses)
	if err != nil {
		return nil, err
	}
	guesses = append(guesses, doubles...)
	rank(guesses)
	return guesses, closely(m, guesses)
}

// lookAgain looks thoroughly at the best of the guesses and ranks them.
func lookAgain(m *model.Model, guesses []guess, count int) error {
	rank(guesses)
	best := guesses[0].logPost
	for i := range guesses {
		if i >= count && guesses[i].logPost < best-remoteLog || i >= 3*count {
			break
		}
		if err := guesses[i].again(m, model.Result.Settle); err != nil {
			return err
		}
	}
	rank(guesses)
	return nil
}

// closely refines the few best guesses until the best is a refined one.
func closely(m *model.Model, guesses []guess) error {
	for i := range guesses {
		if i >= refined && guesses[i].logPost < guesses[0].logPost-closeLog || i >= 3*refined {
			break
		}
		if err := guesses[i].again(m, model.Result.Refine); err != nil {
			return err
		}
	}
	rank(guesses)
	return nil
}

// second tries a second fault on top of the best single ones.
func second(m *model.Model, all []fault, guesses []guess) ([]guess, error) {
	count := bases
	if guesses[0].fit.Chi2 < float64(m.Values()) {
		count = fewBases
	}
	var doubles []guess
	for i, base := range distinct(guesses, count) {
		for _, f := range all {
			if f.excludes(base.faults[0]) || tried(doubles, base.faults[0], f, i) {
				continue
			}
			g := guess{faults: []fault{base.faults[0], f}, rig: f.upon(m, base.rig)}
			if err := g.look(m, join(base.found(m), f.starts(m))); err != nil {
				return nil, err
			}
			doubles = append(doubles, g)
		}
	}
	if len(doubles) == 0 {
		return nil, nil
	}
	err := lookAgain(m, doubles, pairs)
	return doubles[:min(pairs, len(doubles))], err
}

func rank(guesses []guess) {
	slices.SortStableFunc(guesses, func(a, b guess) int { return cmp.Compare(b.logPost, a.logPost) })
}

// distinct are the best single faults.
func distinct(guesses []guess, count int) []guess {
	var best []guess
	for _, g := range guesses {
		if len(g.faults) == 1 && len(best) < count {
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

// look fits the guess to the captures, from several starts.
func (g *guess) look(m *model.Model, starts [][]model.Push) (err error) {
	if g.fit, err = m.Fit(g.rig, starts); err != nil {
		return err
	}
	g.weigh(m)
	return nil
}

// again goes on from where the guess is.
func (g *guess) again(m *model.Model, on func(model.Result) (model.Result, error)) (err error) {
	if g.fit, err = on(g.fit); err != nil {
		return err
	}
	g.weigh(m)
	return nil
}

func (g *guess) weigh(m *model.Model) {
	g.logPost = g.fit.LogZ
	for _, f := range g.faults {
		g.logPost += f.logPrior
		if !f.holds(m, g.fit) {
			g.logPost = math.Inf(-1)
		}
	}
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
