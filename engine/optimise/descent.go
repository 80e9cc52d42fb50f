package optimise

import (
	"context"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/optimize"

	"hushback/engine/optimise/forms"
)

// nullScale weighs the null, in parts of everything in phase, against limits
// in dB.
const nullScale = 30

// knob maps two unbounded numbers to one output's delay and amplitude, both
// sines of an angle, so that the ends of a range need no conditions. An
// amplitude that may cross 0 decides about the polarity on its way.
type knob struct {
	delayAt, delayBy float64 // middle and half of the range, s
	perUnit          float64 // of delay near the middle, as an angle
	levelAt, levelBy float64
}

// knobs frees the polarity where signs is nil, or keeps it.
func (t *task) knobs(signs []float64) []knob {
	ks := make([]knob, t.outputs())
	for i, out := range t.Outputs {
		r := out.DelaySec
		k := knob{delayAt: (r.Min + r.Max) / 2, delayBy: (r.Max - r.Min) / 2, levelBy: 1}
		if k.delayBy > 0 {
			k.perUnit = 1 / (t.middle * k.delayBy)
		}
		if signs != nil {
			sign := math.Copysign(1, signs[i])
			k.levelAt, k.levelBy = sign*(1+t.low[i])/2, (1-t.low[i])/2
		}
		ks[i] = k
	}
	return ks
}

// inside keeps a start away from the ends, where a sine has no slope.
const inside = 0.98

// turned is where the knobs stand for some dials.
func turned(ks []knob, d dials) []float64 {
	angle := func(v, at, by float64) float64 {
		if by == 0 {
			return 0
		}
		return math.Asin(math.Max(-inside, math.Min(inside, (v-at)/by)))
	}
	n := len(ks)
	x := make([]float64, 2*n)
	for i, k := range ks {
		if k.perUnit > 0 {
			x[i] = angle(d.delay[i], k.delayAt, k.delayBy) / k.perUnit
		}
		x[n+i] = angle(d.amplitude[i], k.levelAt, k.levelBy)
	}
	return x
}

// rates is how what a walk minimises changes with the energies at a frequency.
type rates struct {
	front, ahead float64 // |Σ a w|², and what scatter adds to it
	load         float64 // scatter and floor behind
	quiet        []float64
	audience     []float64
}

// softest is how stiff limits are at first, per dB; sharpest how sharp the soft
// least becomes.
const (
	softest  = 4
	sharpest = 40
)

// prices are the augmented Lagrangian's: for each limit g ≤ 0 one λ, and how
// stiff all of them are. They belong to a place: near it they are good already.
type prices struct {
	cost, even []float64 // [frequency]
	null       complex128
	stiff      float64
}

func (t *task) unpriced() prices {
	return prices{cost: make([]float64, len(t.at)), even: make([]float64, len(t.at)), stiff: softest}
}

func (p prices) clone() prices {
	p.cost, p.even = slices.Clone(p.cost), slices.Clone(p.even)
	return p
}

// walk is one way downhill: the aim, negative, with what its limits cost.
type walk struct {
	*task
	ks    []knob
	d     dials
	slope dials // of delay and amplitude against the knobs
	sums  *sums
	by    []rates
	pull  []complex128 // derivative against conj(w), for one frequency at a time

	prices
	sharp float64 // of the soft least, per dB

	last        []float64
	value       float64
	grad        []float64
	evaluations int
}

func (t *task) walk(ks []knob, p prices) *walk {
	n := t.outputs()
	w := &walk{
		task: t, ks: ks, sums: t.room(), prices: p.clone(), sharp: 0.5,
		d:     dials{make([]float64, n), make([]float64, n)},
		slope: dials{make([]float64, n), make([]float64, n)},
		pull:  make([]complex128, n), last: make([]float64, 2*n), grad: make([]float64, 2*n),
	}
	w.last[0] = math.NaN()
	for _, at := range t.at {
		w.by = append(w.by, rates{quiet: make([]float64, at.quiet.Count()), audience: make([]float64, at.audience.Count())})
	}
	return w
}

// reckon is value and slope for knobs x, once for each place.
func (w *walk) reckon(x []float64) {
	same := true
	for i, v := range x {
		same = same && v == w.last[i]
	}
	if same {
		return
	}
	copy(w.last, x)
	w.evaluations++
	w.set(x)
	w.play(w.d, w.sums)
	w.value = w.aim() + w.limits()
	w.gather()
}

func (w *walk) set(x []float64) {
	n := len(w.ks)
	for i, k := range w.ks {
		sin, cos := math.Sincos(x[i] * k.perUnit)
		w.d.delay[i], w.slope.delay[i] = k.delayAt+k.delayBy*sin, k.delayBy*k.perUnit*cos
		sin, cos = math.Sincos(x[n+i])
		w.d.amplitude[i], w.slope.amplitude[i] = k.levelAt+k.levelBy*sin, k.levelBy*cos
	}
}

// aim is the negative aim in dB.
func (w *walk) aim() float64 {
	if w.Worst {
		return w.softLeast()
	}
	var mean float64
	part := decibel / float64(len(w.at))
	for f := range w.at {
		by, behind := &w.by[f], w.behind(w.sums, f)
		mean -= part * math.Log(w.sums.ahead[f]/behind)
		by.ahead, by.load = -part/w.sums.ahead[f], part/behind
		by.front = by.ahead
		for r := range by.quiet {
			by.quiet[r] = by.load
		}
	}
	return mean
}

// softLeast is the negative least ratio, softly: (1/k)·ln Σ e^{-k·ratio} over
// frequencies and points, which is never below it.
func (w *walk) softLeast() float64 {
	least := math.Inf(1)
	for f := range w.at {
		least = math.Min(least, decibel*math.Log(w.sums.ahead[f]/w.behind(w.sums, f)))
	}
	var sum float64
	for f := range w.at {
		by, s := &w.by[f], w.sums
		by.ahead, by.load = 0, 0
		for r, y := range s.quiet[f] {
			behind := forms.Energy(y) + s.load[f]
			part := math.Exp(-w.sharp * (decibel*math.Log(s.ahead[f]/behind) - least))
			sum += part
			by.quiet[r] = part * decibel / behind
			by.load += by.quiet[r]
			by.ahead -= part * decibel / s.ahead[f]
		}
	}
	for f := range w.at {
		by := &w.by[f]
		by.ahead, by.load = by.ahead/sum, by.load/sum
		by.front = by.ahead
		for r := range by.quiet {
			by.quiet[r] /= sum
		}
	}
	return -least + math.Log(sum)/w.sharp
}

// priced is what a limit costs that is missed by g, and how that rises with g.
func (w *walk) priced(g, price float64) (value, rise float64) {
	rise = math.Max(0, price+w.stiff*g)
	return (rise*rise - price*price) / (2 * w.stiff), rise
}

func (w *walk) limits() float64 {
	var sum float64
	for f := range w.at {
		if g := w.over(f); !math.IsInf(g, -1) {
			value, rise := w.priced(g, w.cost[f])
			sum += value
			w.by[f].front -= rise * decibel / forms.Energy(w.sums.front[f])
		}
		if w.EvennessDB > 0 {
			g, shares := w.uneven(f)
			value, rise := w.priced(g, w.even[f])
			sum += value
			clear(w.by[f].audience)
			for _, s := range shares {
				w.by[f].audience[s.Point] += rise * s.Part * decibel / forms.Energy(w.sums.audience[f][s.Point])
			}
		}
	}
	if w.task.null != nil {
		h := w.missed()
		push := w.prices.null + complex(w.stiff, 0)*h
		sum += (forms.Energy(push) - forms.Energy(w.prices.null)) / (2 * w.stiff)
	}
	return sum
}

// margin keeps the continuous optimum just inside its limits, for rounding.
const margin = 1e-6

// over is by how much the headroom limit is missed at a frequency, in dB.
func (w *walk) over(f int) float64 {
	if w.HeadroomDB == 0 {
		return math.Inf(-1)
	}
	return w.at[f].cost(w.sums.front[f]) - w.HeadroomDB + margin
}

func (w *walk) uneven(f int) (float64, [4]forms.Share) {
	s, shares := forms.Spread(w.sums.audience[f])
	return s - w.EvennessDB + margin, shares
}

func (w *walk) missed() complex128 { return w.sums.null * complex(nullScale/w.full, 0) }

// gather turns the rates into slopes along the knobs. With φ what is minimised
// and pull its derivative against conj(w), dφ = 2·Re(conj(pull) dw), where
// dw/da = e^{-jωτ} and dw/dτ = -jω·w.
func (w *walk) gather() {
	n := len(w.ks)
	clear(w.grad)
	for f := range w.at {
		w.pulled(f)
		omega, turns := w.at[f].omega, w.sums.turn[f]
		for i, pull := range w.pull {
			turn := turns[i]
			re := real(pull)*real(turn) + imag(pull)*imag(turn)
			im := real(pull)*imag(turn) - imag(pull)*real(turn)
			w.grad[i] += 2 * omega * im * w.d.amplitude[i]
			w.grad[n+i] += 2 * re
		}
	}
	if w.task.null != nil {
		push := cmplx.Conj(w.prices.null+complex(w.stiff, 0)*w.missed()) * complex(nullScale/w.full, 0)
		omega := 2 * math.Pi * w.Null.FreqHz
		w.grad[0] -= omega * imag(push*w.sums.null) // whose delay the others are counted from
		for i, rear := range w.task.null {
			along := push * rear * w.sums.nullTurn[i]
			w.grad[i] += omega * imag(along) * w.d.amplitude[i]
			w.grad[n+i] += real(along)
		}
	}
	for i := range n {
		w.grad[i] *= w.slope.delay[i]
		w.grad[n+i] *= w.slope.amplitude[i]
	}
}

// pulled fills in pull for one frequency.
func (w *walk) pulled(f int) {
	at, by, s := &w.at[f], &w.by[f], w.sums
	front := s.front[f] * complex(by.front, 0)
	for i, a := range at.front {
		load := by.ahead*at.frontLoad[i] + by.load*at.quietLoad[i]
		w.pull[i] = cmplx.Conj(a)*front + complex(load, 0)*s.weight[f][i]
	}
	at.quiet.AddAdjoint(w.pull, s.quiet[f], by.quiet)
	at.audience.AddAdjoint(w.pull, s.audience[f], by.audience)
}

// effort is how far a walk goes.
type effort struct {
	laps     int     // rounds of the augmented Lagrangian
	steps    int     // of BFGS in each
	close    float64 // dB that is not worth another
	stiffest float64
	giveUp   float64 // at a score below this after a round
}

// down walks from d for as far as the effort goes, until ctx ends, or until
// a limit is missed by as much as before for some rounds.
func (w *walk) down(ctx context.Context, d dials, e effort) dials {
	const patience = 3
	x := turned(w.ks, d)
	before, stuck := math.Inf(1), 0
	w.stiff = softest
	for lap := range e.laps {
		w.last[0] = math.NaN() // prices changed
		x = w.lap(ctx, x, e)
		w.reckon(x)
		missed := w.reprice()
		done := lap > 0 && missed < e.close && (!w.Worst || w.sharp == sharpest)
		if done || ctx.Err() != nil || w.score(w.sums, w.prices) < e.giveUp {
			break
		}
		if missed > before/4 {
			w.stiff = math.Min(e.stiffest, 4*w.stiff)
		}
		if stuck++; missed < 0.9*before || missed < 100*e.close {
			stuck = 0
		}
		if stuck == patience {
			break
		}
		before = missed
		w.sharp = math.Min(sharpest, 3*w.sharp)
	}
	w.set(x)
	return w.d.clone()
}

// reprice moves the prices to where the limits are felt now and returns by how
// much the worst is missed.
func (w *walk) reprice() (missed float64) {
	for f := range w.at {
		if g := w.over(f); !math.IsInf(g, -1) {
			missed = math.Max(missed, math.Max(g, math.Min(math.Abs(g), w.cost[f]/w.stiff)))
			_, w.cost[f] = w.priced(g, w.cost[f])
		}
		if w.EvennessDB > 0 {
			g, _ := w.uneven(f)
			missed = math.Max(missed, math.Max(g, math.Min(math.Abs(g), w.even[f]/w.stiff)))
			_, w.even[f] = w.priced(g, w.even[f])
		}
	}
	if w.task.null != nil {
		h := w.missed()
		missed = math.Max(missed, cmplx.Abs(h))
		w.prices.null += complex(w.stiff, 0) * h
	}
	return missed
}

// lap is BFGS from x with the prices as they are.
func (w *walk) lap(ctx context.Context, x []float64, e effort) []float64 {
	problem := optimize.Problem{
		Func: func(x []float64) float64 { w.reckon(x); return w.value },
		Grad: func(grad, x []float64) { w.reckon(x); copy(grad, w.grad) },
		Status: func() (optimize.Status, error) {
			if ctx.Err() != nil {
				return optimize.RuntimeLimit, nil
			}
			return optimize.NotTerminated, nil
		},
	}
	settings := &optimize.Settings{
		MajorIterations: e.steps,
		Converger:       &optimize.FunctionConverge{Absolute: e.close / 10, Iterations: 4},
	}
	// Where a line search finds no lower place it says so by an error; the
	// place that it stands at is the result all the same.
	result, _ := optimize.Minimize(problem, x, settings, &optimize.BFGS{})
	if result == nil {
		return x
	}
	return result.X
}
