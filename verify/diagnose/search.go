package diagnose

import (
	"cmp"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"hushback/verify/diagnose/model"
)

// guess is a set of faults, none, one or two, and what the captures say of it.
type guess struct {
	faults  []fault
	rig     model.Rig
	fit     model.Result
	logPost float64 // up to what all guesses share
}

const (
	singles    = 12  // single faults that are looked at thoroughly
	fewBases   = 2   // of them those that a second one is tried with, where one explains the captures
	bases      = 4   // and where none does
	roughly    = 6   // together with the best of those that leave much unexplained
	wired      = 6   // pairs of faults without a size that are looked at
	glances    = 100 // of more such faults than that, two pairs of swapped outputs at once are left out: they are most of it
	pairs      = 12  // pairs that are looked at thoroughly
	vaguePairs = 4   // and of those that leave much unexplained
	insisted   = 3   // faults that every second one is tried with again, from all starts, where nothing explains the captures
	patience   = 40  // how many of those are looked at thoroughly
	refined    = 6   // guesses that are looked at closely
	closeLog   = 20  // and those that are more probable than e^-closeLog of the best
	remoteLog  = 40  // what is less probable than e^-remoteLog after a first look is not looked at again
)

// mostlyOff is the model error with which a half of the truth can be told.
const mostlyOff = 0.3

// search tries nothing, every fault alone, and every fault on top of the few
// single ones that explain the captures best; best first.
func search(m *model.Model, all []fault) ([]guess, error) {
	healthy := guess{rig: m.Healthy()}
	if err := healthy.look(m, [][]model.Push{nil}); err != nil {
		return nil, err
	}
	if err := healthy.again(m, model.Result.Settle); err != nil {
		return nil, err
	}
	guesses := make([]guess, len(all))
	if err := each(len(all), func(i int) error {
		f, g := all[i], &guesses[i]
		*g = guess{faults: []fault{f}, rig: f.upon(m, healthy.rig)}
		err := g.look(m, f.starts(m))
		if err == nil && f.output < 0 && f.kind != Position && f.kind != DelayUnit { // these change all captures, and take more steps
			err = g.again(m, model.Result.Settle)
		}
		return err
	}); err != nil {
		return nil, err
	}
	guesses = append([]guess{healthy}, guesses...)
	if err := lookAgain(m, guesses, singles); err != nil {
		return nil, err
	}
	doubles, err := second(m, all, guesses)
	if err != nil {
		return nil, err
	}
	guesses = append(guesses, doubles...)
	rank(guesses)
	same, err := units(m, all, guesses)
	if err != nil {
		return nil, err
	}
	guesses = append(guesses, same...)
	rank(guesses)
	if err := closely(m, guesses); err != nil || guesses[0].explains(m) {
		return guesses, err
	}
	more, err := insist(m, all, guesses)
	if err != nil {
		return nil, err
	}
	guesses = append(guesses, more...)
	rank(guesses)
	return guesses, closely(m, guesses)
}

// units are the best guesses with a wrong delay once more, with each wrong unit
// in its place: the same captures, but less of a coincidence.
func units(m *model.Model, all []fault, guesses []guess) ([]guess, error) {
	var more []guess
	for _, g := range guesses[:min(3, len(guesses))] {
		k := slices.IndexFunc(g.faults, func(f fault) bool { return f.kind == Delay })
		if len(g.faults) != 2 || k < 0 {
			continue
		}
		other := g.faults[1-k]
		for _, f := range all {
			if f.kind != DelayUnit || f.output != g.faults[k].output || f.excludes(other) || known(guesses, f, other) || known(more, f, other) {
				continue
			}
			unit := guess{faults: []fault{other, f}, rig: f.upon(m, other.upon(m, m.Healthy()))}
			if err := unit.look(m, join(g.found(m, other), [][]model.Push{nil})); err != nil {
				return nil, err
			}
			if err := unit.again(m, model.Result.Settle); err != nil {
				return nil, err
			}
			more = append(more, unit)
		}
	}
	return more, nil
}

// explains reports whether the misfit is what noise and model error make.
func (g *guess) explains(m *model.Model) bool {
	return g.fit.Chi2 <= m.PlausibleChi2() && !slices.ContainsFunc(g.faults, func(f fault) bool { return f.kind == Unexplained })
}

// insist looks thoroughly at every second fault on top of those that the best
// guesses have: some are far from where they were looked for from.
func insist(m *model.Model, all []fault, guesses []guess) ([]guess, error) {
	var bases []fault
	for _, g := range guesses {
		for _, f := range g.faults {
			if f.kind != Unexplained && len(bases) < insisted && !slices.Contains(bases, f) {
				bases = append(bases, f)
			}
		}
	}
	var doubles []guess
	var starts [][][]model.Push // of each
	for i, base := range bases {
		rig := base.upon(m, m.Healthy())
		for _, f := range all {
			if f.excludes(base) || f.kind == Unexplained || slices.Contains(bases[:i], f) || known(guesses, base, f) {
				continue
			}
			for _, start := range f.starts(m) {
				doubles = append(doubles, guess{faults: []fault{base, f}, rig: f.upon(m, rig)})
				starts = append(starts, [][]model.Push{start})
			}
		}
	}
	err := lookAll(m, doubles, starts)
	if err == nil {
		err = lookAgain(m, doubles, patience)
	}
	return once(doubles), err
}

// known reports whether a pair is among the guesses.
func known(guesses []guess, a, b fault) bool {
	return slices.ContainsFunc(guesses, func(g guess) bool {
		return len(g.faults) == 2 && slices.Contains(g.faults, a) && slices.Contains(g.faults, b)
	})
}

// once keeps the first guess of each pair, and no more than a few.
func once(ranked []guess) []guess {
	var kept []guess
	for _, g := range ranked {
		if len(kept) < pairs && !known(kept, g.faults[0], g.faults[1]) {
			kept = append(kept, g)
		}
	}
	return kept
}

// lookAgain looks thoroughly at the best of the guesses and ranks them.
func lookAgain(m *model.Model, guesses []guess, count int) error {
	if len(guesses) == 0 {
		return nil
	}
	rank(guesses)
	few := 0
	for few < min(len(guesses), 3*count) && (few < count || guesses[few].logPost >= guesses[0].logPost-remoteLog) {
		few++
	}
	err := each(few, func(i int) error { return guesses[i].again(m, model.Result.Settle) })
	rank(guesses)
	return err
}

// closely refines the few best guesses, and health in any case.
func closely(m *model.Model, guesses []guess) error {
	if err := guesses[0].again(m, model.Result.Refine); err != nil {
		return err
	}
	best := guesses[0].logPost
	err := each(len(guesses)-1, func(i int) error {
		i++
		near := i < refined || i < 3*refined && guesses[i].logPost > best-closeLog
		if !near && len(guesses[i].faults) > 0 {
			return nil
		}
		return guesses[i].again(m, model.Result.Refine)
	})
	rank(guesses)
	return err
}

// second tries a second fault on top of the best single ones.
func second(m *model.Model, all []fault, guesses []guess) ([]guess, error) {
	chosen := distinct(guesses, fewBases)
	if !guesses[0].explains(m) {
		rough, err := halves(m, all)
		if err != nil {
			return nil, err
		}
		chosen = append(distinct(guesses, bases), rough...)
	}
	var doubles []guess
	var starts [][][]model.Push // of each
	for i, base := range chosen {
		for _, f := range all {
			if f.excludes(base.faults[0]) || tried(chosen[:i], base.faults[0], f) {
				continue
			}
			doubles = append(doubles, guess{faults: []fault{base.faults[0], f}, rig: f.upon(m, base.rig)})
			starts = append(starts, join(base.found(m, base.faults...), f.starts(m)))
		}
	}
	if err := lookAll(m, doubles, starts); err != nil {
		return nil, err
	}
	if !guesses[0].explains(m) {
		wired, err := wirings(m, all)
		if err != nil {
			return nil, err
		}
		doubles = append(doubles, wired...)
	}
	plain, vague := apart(doubles)
	err := lookAgain(m, plain, pairs)
	if err == nil {
		err = lookAgain(m, vague, vaguePairs)
	}
	return append(once(plain), once(vague)...), err
}

// apart splits pairs by whether one of the two is that much is not explained:
// that is easily more probable than the truth until the truth is found.
func apart(doubles []guess) (plain, vague []guess) {
	for _, g := range doubles {
		if g.faults[0].kind == Unexplained || g.faults[1].kind == Unexplained {
			vague = append(vague, g)
		} else {
			plain = append(plain, g)
		}
	}
	return plain, vague
}

// wirings are the best pairs of faults that have no size to be looked for, or a
// delay, which a glance finds: a glance at each of them is cheap enough, and two
// cables in the wrong place look like neither.
func wirings(m *model.Model, all []fault) ([]guess, error) {
	var sizeless []fault
	for _, f := range all {
		if slices.Contains([]Kind{Polarity, Dead, Swapped, Exchanged, Inverted, Delay}, f.kind) || f.kind == DelayUnit && f.output < 0 {
			sizeless = append(sizeless, f)
		}
	}
	var found []guess
	for i, f := range sizeless {
		rig := f.upon(m, m.Healthy())
		rig.Error = mostlyOff
		for _, other := range sizeless[i+1:] {
			if other.excludes(f) || len(sizeless) > glances && f.kind == Swapped && other.kind == Swapped {
				continue
			}
			found = append(found, guess{faults: []fault{f, other}, rig: rig})
		}
	}
	if err := each(len(found), func(i int) error {
		fit, err := m.Glance(found[i].faults[1].upon(m, found[i].rig))
		found[i].logPost = fit.LogZ
		return err
	}); err != nil {
		return nil, err
	}
	rank(found)
	found = found[:min(wired, len(found))]
	for i := range found {
		g := &found[i]
		g.rig = g.faults[1].upon(m, g.faults[0].upon(m, m.Healthy()))
		if err := g.look(m, [][]model.Push{nil}); err != nil {
			return nil, err
		}
	}
	return found, nil
}

// halves are single faults that explain a part of the captures if the rest may
// be anything: where two things are wrong, the likelihood of either alone is
// ruled by what it does not explain. Exchanged cables turn everything over, and
// are always among them.
func halves(m *model.Model, all []fault) ([]guess, error) {
	var rough []guess
	var starts [][][]model.Push // of each
	for _, f := range all {
		if f.kind == Unexplained {
			continue
		}
		g := guess{faults: []fault{f}, rig: f.upon(m, m.Healthy())}
		g.rig.Error = mostlyOff
		rough, starts = append(rough, g), append(starts, f.starts(m))
	}
	if err := lookAll(m, rough, starts); err != nil {
		return nil, err
	}
	for i := range rough {
		rough[i].rig = rough[i].faults[0].upon(m, m.Healthy())
	}
	rank(rough)
	kept := rough[:min(roughly, len(rough))]
	for _, g := range rough[len(kept):] {
		if g.faults[0].kind == Exchanged || g.faults[0].kind == Inverted {
			kept = append(kept, g)
		}
	}
	return kept, nil
}

// tried reports whether a pair was looked at from one of the earlier bases, or
// the base itself was.
func tried(earlier []guess, base, f fault) bool {
	return slices.ContainsFunc(earlier, func(g guess) bool { return g.faults[0] == f || g.faults[0] == base })
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

// look fits the guess to the captures, from several starts.
func (g *guess) look(m *model.Model, starts [][]model.Push) (err error) {
	if g.fit, err = m.Fit(g.rig, starts); err != nil {
		return err
	}
	g.weigh(m)
	return nil
}

// lookAll looks at guesses, each from starts of its own.
func lookAll(m *model.Model, guesses []guess, starts [][][]model.Push) error {
	return each(len(guesses), func(i int) error { return guesses[i].look(m, starts[i]) })
}

// each does something for every number below count, on all processors.
func each(count int, do func(i int) error) error {
	errs := make([]error, count)
	var next atomic.Int64
	var group sync.WaitGroup
	for range min(count, runtime.GOMAXPROCS(0)) {
		group.Go(func() {
			for i := next.Add(1) - 1; i < int64(count); i = next.Add(1) - 1 {
				errs[i] = do(int(i))
			}
		})
	}
	group.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
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

// found are the quantities of some of the guess's faults where the fit has them, as a
// start for another. Delays are looked for anew in any case.
func (g *guess) found(m *model.Model, faults ...fault) []model.Push {
	var pushes []model.Push
	for _, f := range faults {
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
