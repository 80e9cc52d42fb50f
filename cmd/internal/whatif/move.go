package whatif

import (
	"fmt"
	"math"
	"slices"

	"hushback/engine"
	"hushback/engine/array"
	"hushback/engine/layout"
)

// mover takes a site from one wish to another.
type mover struct {
	from      engine.Site
	site      engine.Site // on its way: its sources and outputs are its own
	was, wish Wish
	speed     float64 // of sound, before
}

// move does so for all arrays of the site, as it was.
func (m *mover) move(parts []array.Array) error {
	m.site.Sources, m.site.Outputs = slices.Clone(m.site.Sources), slices.Clone(m.site.Outputs)
	later := map[int]float64{} // seconds that an output waits longer, before the speed changes
	for _, a := range parts {
		byDelay := delayed(m.from, a)
		if err := m.bend(a, byDelay, later); err != nil {
			return err
		}
		m.places(a, byDelay)
	}
	slower := m.speed / speed(m.site)
	for i, o := range m.site.Outputs {
		if more := later[o.Number]; more != 0 {
			m.site.Outputs[i].BendSec = math.Max(0, o.BendSec+more)
		}
		if o.AsPlaced && slower != 1 {
			m.site.Outputs[i].BendSec *= slower
		}
	}
	return nil
}

// places moves the cabinets of one array.
func (m *mover) places(a array.Array, byDelay bool) {
	shifts := m.shifts(len(a.Front), byDelay)
	for i, src := range a.Front {
		m.shift(a, src, shifts[i])
	}
	for _, src := range a.Behind {
		var by engine.Point
		for i, ahead := range a.Front {
			if math.Abs(a.Aside(ahead.At)-a.Aside(src.At)) < array.ApartM {
				by = shifts[i]
				break
			}
		}
		by.X -= m.deeper()
		m.shift(a, src, by)
	}
}

// deeper is how much farther back everything goes that stands behind a front row.
func (m *mover) deeper() float64 { return m.wish.DepthM - m.was.DepthM }

// shifts is how the cabinets of a front row move, from left to right, on its own
// ground: from one arc to the other. A row that is bent by delay stays straight.
func (m *mover) shifts(count int, byDelay bool) []engine.Point {
	from, to := m.was.ArcRad, m.wish.ArcRad
	if byDelay {
		from, to = 0, 0
	}
	shifts := layout.Row(count, m.wish.SideM, to)
	if m.wish.SideM == m.was.SideM && to == from {
		return make([]engine.Point, count) // no rounding where nothing moves
	}
	for i, p := range layout.Row(count, m.was.SideM, from) {
		shifts[i].X, shifts[i].Y = shifts[i].X-p.X, shifts[i].Y-p.Y
	}
	return shifts
}

// shift moves one source along and aside of its array's axis.
func (m *mover) shift(a array.Array, src engine.Source, by engine.Point) {
	if by == (engine.Point{}) {
		return
	}
	sin, cos := math.Sincos(a.AxisRad)
	i := slices.IndexFunc(m.site.Sources, func(s engine.Source) bool { return s.Name == src.Name })
	at := &m.site.Sources[i].At
	at.X, at.Y = at.X+by.X*cos-by.Y*sin, at.Y+by.X*sin+by.Y*cos
}

// bend works out how much longer the outputs of a front row wait, as placed: to be
// bent anew where it is by delay, and to stay in step with rows behind it that play
// forwards too.
func (m *mover) bend(a array.Array, byDelay bool, later map[int]float64) error {
	n := len(a.Front)
	more := make([]float64, n)
	if byDelay && (m.wish.ArcRad != m.was.ArcRad || m.wish.SideM != m.was.SideM) {
		before := layout.Bend(n, m.was.SideM, m.was.ArcRad, m.speed)
		for i, sec := range layout.Bend(n, m.wish.SideM, m.wish.ArcRad, m.speed) {
			more[i] = sec - before[i]
		}
	}
	inStep := slices.ContainsFunc(a.Behind, func(s engine.Source) bool { return s.Row == engine.RowFront })
	for i, src := range a.Front {
		out, _ := m.from.Output(src.Output)
		if !out.AsPlaced {
			continue // it is aligned in front anyway
		}
		if inStep && m.from.Treatment(out.Group) != engine.TreatPlain {
			more[i] += m.deeper() / m.speed
		}
		if other, set := later[out.Number]; set && math.Abs(other-more[i]) > 1e-9 {
			return fmt.Errorf("this cannot be set up: output %d feeds several cabinets of a row that is bent by delay, each of which would need its own", out.Number)
		}
		later[out.Number] = more[i]
	}
	return nil
}
