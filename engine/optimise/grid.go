package optimise

import (
	"context"
	"math"
)

// rounding is what a limit may be missed by for nothing but the last digits.
const rounding = 1e-9

// settle walks to the end of the line, puts what is found onto the grid and
// says what it does there. Where the grid misses a limit, the walk is done
// again with that much more room; the last resort costs no headroom at all.
func (t *task) settle(best dials) ([]Setting, Measures, int) {
	full := effort{laps: 20, steps: 400, close: 1e-6, stiffest: 1e4, giveUp: math.Inf(-1)}
	var g *gridded
	evaluations, room := 0, 0.0
	for range 4 {
		tight := *t
		tight.HeadroomDB = math.Max(t.HeadroomDB/2, t.HeadroomDB-room)
		tight.EvennessDB = math.Max(t.EvennessDB/2, t.EvennessDB-room)
		end := tight.descend(context.Background(), best, t.unpriced(), full)
		best = end.dials
		next := t.snap(best)
		next.refine()
		evaluations += end.evaluations + next.evaluations
		if g == nil || next.merit > g.merit {
			g = next
		}
		if t.missed(g.measures) <= rounding {
			return g.settings(), g.measures, evaluations
		}
		if t.missed(t.does(best)) > 0.05 { // dB: no matter of rounding
			break
		}
		room += 2 * t.missed(next.measures)
	}
	plain := t.snap(t.aligned()) // costs the least headroom
	plain.refine()
	evaluations += plain.evaluations
	if plain.merit > g.merit {
		g = plain
	}
	return g.settings(), g.measures, evaluations
}

// missed is by how many dB limits are missed at the worst frequency of each.
func (t *task) missed(m Measures) float64 {
	var cost, uneven float64
	for f := range t.at {
		if t.HeadroomDB > 0 {
			cost = math.Max(cost, m.CostDB[f]-t.HeadroomDB)
		}
		if t.EvennessDB > 0 {
			uneven = math.Max(uneven, m.SpreadDB[f]-t.EvennessDB)
		}
	}
	return cost + uneven
}

// unmet is the limit that is missed, nil where none is.
func (t *task) unmet(m Measures) error {
	for f := range t.at {
		if t.HeadroomDB > 0 && m.CostDB[f] > t.HeadroomDB+rounding && m.CostDB[f]-t.HeadroomDB >= t.missed(m)/2 {
			return &Unmet{"headroom cost", t.FreqHz[f], m.CostDB[f], t.HeadroomDB}
		}
		if t.EvennessDB > 0 && m.SpreadDB[f] > t.EvennessDB+rounding && m.SpreadDB[f]-t.EvennessDB >= t.missed(m)/2 {
			return &Unmet{"spread of the audience's levels", t.FreqHz[f], m.SpreadDB[f], t.EvennessDB}
		}
	}
	return nil
}

// gridded is settings in whole steps; outputs without steps keep what they have.
type gridded struct {
	*task
	polarity    []float64
	delay, gain []position
	d           dials
	sums        *sums
	measures    Measures
	merit       float64
	evaluations int
}

// position is a value on a range.
type position struct {
	Range
	k     int     // in steps from Min
	exact float64 // where there are no steps
}

func (r Range) position(v float64) position {
	v = math.Max(r.Min, math.Min(r.Max, v))
	p := position{Range: r, exact: v}
	if r.Step > 0 {
		p.k = min(int(math.Round((v-r.Min)/r.Step)), r.last())
	}
	return p
}

// last is the highest whole step in the range.
func (r Range) last() int { return int(math.Floor((r.Max-r.Min)/r.Step + 1e-9)) }

func (p position) value() float64 {
	if p.Step == 0 {
		return p.exact
	}
	return math.Min(p.Max, p.Min+float64(p.k)*p.Step)
}

// moved is some steps on; false where there is nothing.
func (p position) moved(steps int) (position, bool) {
	p.k += steps
	return p, p.Step > 0 && p.k >= 0 && p.k <= p.last()
}

// snap rounds, after moving all delays so that the least is the least possible.
func (t *task) snap(d dials) *gridded {
	n := t.outputs()
	g := &gridded{task: t, d: dials{make([]float64, n), make([]float64, n)}, sums: t.room()}
	early := math.Inf(1)
	for i, out := range t.Outputs {
		early = math.Min(early, d.delay[i]-out.DelaySec.Min)
	}
	for i, out := range t.Outputs {
		g.polarity = append(g.polarity, math.Copysign(1, d.amplitude[i]))
		g.delay = append(g.delay, out.DelaySec.position(d.delay[i]-early))
		least := amplitude(out.GainDB.Min - out.GainDB.Max)
		g.gain = append(g.gain, out.GainDB.position(out.GainDB.Max+2*decibel*math.Log(math.Max(least, math.Abs(d.amplitude[i])))))
	}
	g.judge()
	return g
}

// enoughNull is how deep a null is sought on the grid; no rig holds a deeper.
const enoughNull = -60

// judge predicts with the values as they will be sent. A limit weighs so much
// that none is traded for the aim; a null weighs dB for dB until it is deep.
func (g *gridded) judge() {
	for i := range g.d.delay {
		g.d.delay[i] = g.delay[i].value()
		g.d.amplitude[i] = g.polarity[i] * amplitude(g.gain[i].value()-g.gain[i].Max)
	}
	g.evaluations++
	g.play(g.d, g.sums)
	g.measures = g.task.measures(g.sums)
	g.merit = g.measures.Aim
	if missed := g.missed(g.measures); missed > rounding {
		g.merit -= 1000 * missed
	}
	if g.null != nil {
		g.merit -= math.Max(0, g.measures.NullDB-enoughNull)
	}
}

// refine moves single outputs by a few steps, and where a limit is missed or a
// null held, or the outputs are few, also two at once, while that is better. It
// ends because every move is better than the last by something and sweeps are
// counted.
func (g *gridded) refine() {
	const sweeps = 30
	strides := []int{1, -1, 2, -2, 5, -5}
	for range sweeps {
		before := g.merit
		for i := range g.delay {
			for _, s := range strides {
				g.try(func() bool { return shift(&g.delay[i], s) }, &g.delay[i])
				g.try(func() bool { return shift(&g.gain[i], s) }, &g.gain[i])
			}
		}
		if g.merit > before+1e-9 {
			continue
		}
		wanting := g.null != nil && g.measures.NullDB > enoughNull || g.missed(g.measures) > rounding
		if !(wanting || len(g.delay) <= everyPolarity) || !g.pairs() {
			return
		}
	}
}

func shift(p *position, steps int) bool {
	next, ok := p.moved(steps)
	if ok {
		*p = next
	}
	return ok
}

// pairs moves two values by one step each and reports whether that helped.
func (g *gridded) pairs() bool {
	var all []*position
	for i := range g.delay {
		all = append(all, &g.delay[i], &g.gain[i])
	}
	before := g.merit
	for i, a := range all {
		for _, b := range all[:i] {
			for _, s := range [][2]int{{1, 1}, {1, -1}, {-1, 1}, {-1, -1}} {
				g.try(func() bool { return shift(a, s[0]) && shift(b, s[1]) }, a, b)
			}
		}
	}
	return g.merit > before+1e-9
}

// try keeps a move if it is better and undoes it if not.
func (g *gridded) try(move func() bool, moved ...*position) {
	was := make([]position, len(moved))
	for i, p := range moved {
		was[i] = *p
	}
	merit, measures := g.merit, g.measures
	if move() {
		if g.judge(); g.merit > merit {
			return
		}
	}
	for i, p := range moved {
		*p = was[i]
	}
	g.merit, g.measures = merit, measures
}

// settings spells the positions out, the least delay as low as it can be.
func (g *gridded) settings() []Setting {
	low := math.MaxInt
	for _, p := range g.delay {
		low = min(low, p.k)
		if p.Step == 0 || p.Range != g.delay[0].Range {
			low = 0
		}
	}
	for i := range g.delay {
		g.delay[i].k -= low
	}
	g.judge()
	list := make([]Setting, len(g.delay))
	for i := range list {
		list[i] = Setting{DelaySec: g.delay[i].value(), Polarity: int(g.polarity[i]), GainDB: g.gain[i].value()}
	}
	return list
}
