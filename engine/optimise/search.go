package optimise

import (
	"cmp"
	"context"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
)

// The search walks down from many starts (starts.go) and then, round after
// round, from jumps away from the best lines of descent: some outputs are moved
// somewhere else, and what comes down from there continues its line if it is
// better. At first there are many lines, in the end one.
//
// Every start and jump has its own generator, seeded by its number, and what
// goes on is chosen in order of the numbers after each round, so that nothing
// depends on which processor was faster.
const (
	seed      = 0x5ca1ab1e
	lines     = 16
	roundSize = 16
	hopeless  = 5 // dB below its line a walk is given up
)

// rounds of jumps: more outputs have more places to be at, and take longer.
func (t *task) rounds() int {
	if n := t.outputs(); n <= 12 {
		return 8 + n*n/2
	}
	return 32
}

// place is where a walk ended.
type place struct {
	dials
	prices
	score       float64 // the aim, less what is missed of the limits
	evaluations int
}

// hunt is a search on its way.
type hunt struct {
	*task       // thinned: enough to tell good places from bad
	ctx         context.Context
	aligned     dials
	seen        [][]float64 // arrival times, see order
	progress    func(Progress)
	lock        sync.Mutex // of what follows
	so          Progress
	evaluations int
}

// search returns the best place found, off the grid, and how often the aim was
// reckoned for it.
func (t *task) search(ctx context.Context, progress func(Progress)) (dials, int) {
	h := &hunt{task: t.thinned(), ctx: ctx, aligned: t.aligned(), seen: t.arrivals(), progress: progress}
	starts := h.starts()
	h.so = Progress{Total: len(starts) + t.rounds()*roundSize, Aim: math.Inf(-1)}
	quick := effort{laps: 3, steps: 60, close: 1e-3, stiffest: 64, giveUp: math.Inf(-1)}
	best := h.all(len(starts), func(i int) (place, effort) { return place{dials: starts[i], prices: h.unpriced()}, quick })
	best = ordered(best)
	for round := range t.rounds() {
		best = best[:min(len(best), max(1, lines>>(4*round/t.rounds())))]
		best = h.round(round, best)
	}
	return best[0].dials, h.evaluations
}

// round jumps from each line and lets the best of what comes down go on.
func (h *hunt) round(number int, best []place) []place {
	ends := h.all(roundSize, func(i int) (place, effort) {
		rng := rand.New(rand.NewPCG(seed, uint64(number*roundSize+i+1)))
		from, other := best[i%len(best)], best[rng.IntN(len(best))]
		hop := effort{laps: 2, steps: 50, close: 1e-3, stiffest: 16, giveUp: from.score - hopeless}
		return place{dials: h.jump(from.dials, other.dials, rng), prices: from.prices}, hop
	})
	next := slices.Clone(best)
	for i, end := range ends {
		if line := i % len(best); end.score > next[line].score {
			next[line] = end
		}
	}
	return ordered(next)
}

// all walks down from n places. One that ctx left no time for stays where it
// is and scores nothing.
func (h *hunt) all(n int, from func(i int) (place, effort)) []place {
	ends := make([]place, n)
	parallel(n, func(i int) {
		p, e := from(i)
		p.score = math.Inf(-1)
		ends[i] = p
		if h.ctx.Err() != nil {
			return
		}
		end := h.descend(h.ctx, p.dials, p.prices, e)
		ends[i] = end
		h.lock.Lock()
		defer h.lock.Unlock()
		h.evaluations += end.evaluations
		h.so.Done++
		h.so.Aim = math.Max(h.so.Aim, end.score)
		if h.progress != nil {
			h.progress(h.so)
		}
	})
	return ends
}

func ordered(places []place) []place {
	slices.SortStableFunc(places, func(a, b place) int { return cmp.Compare(b.score, a.score) })
	return places
}

// parallel runs do(0) to do(n-1) on all processors and waits.
func parallel(n int, do func(i int)) {
	next := make(chan int)
	var group sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		group.Go(func() {
			for i := range next {
				do(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	group.Wait()
}

// descend walks down with the polarity free, and again with it kept where the
// least gain is then undercut.
func (t *task) descend(ctx context.Context, from dials, p prices, e effort) place {
	w := t.walk(t.knobs(nil), p)
	d := w.down(ctx, from, e)
	evaluations := w.evaluations
	for i, a := range d.amplitude {
		if math.Abs(a) < t.low[i] {
			w = t.walk(t.knobs(d.amplitude), w.prices)
			d = w.down(ctx, d, e)
			evaluations += w.evaluations
			break
		}
	}
	t.play(d, w.sums)
	return place{d, w.prices, t.score(w.sums, w.prices), evaluations}
}

// score is the aim, less what is missed of the limits: each costs its price,
// and beyond little enough to be put right at the end of a walk much more.
func (t *task) score(s *sums, p prices) float64 {
	const little, more = 0.2, 20.0
	m := t.measures(s)
	score := m.Aim
	charge := func(missed, price float64) {
		score -= price*math.Max(0, missed) + more*math.Max(0, missed-little)
	}
	for f := range t.at {
		if t.HeadroomDB > 0 {
			charge(m.CostDB[f]-t.HeadroomDB, p.cost[f])
		}
		if t.EvennessDB > 0 {
			charge(m.SpreadDB[f]-t.EvennessDB, p.even[f])
		}
	}
	if t.null != nil {
		charge(nullScale*amplitude(m.NullDB), cmplx.Abs(p.null))
	}
	return score
}
