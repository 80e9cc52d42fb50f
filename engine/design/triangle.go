package design

import (
	"errors"
	"math"
	"math/cmplx"

	"hushback/engine"
	"hushback/engine/solve"
)

// byTape is an end-fire as it is set up by hand: the rear row plays at once,
// and the source of the front row that is nearest the axis waits for as long as
// sound takes from the rear row to it along the axis. The others of the front
// row keep their delays against it where the site says as placed, and otherwise
// arrive at the front microphone together with it. Both rows are equally loud
// at the rear microphone at the target, the rear one at 0 dB.
//
// Against a bent row this differs from the time at which the row arrives on
// average: the outer sources are late in front by the way that they stand back.
func byTape(site engine.Site, a array, speed float64) (engine.Sheet, error) {
	at, err := microphones(site)
	if err != nil {
		return engine.Sheet{}, err
	}
	first, rear := a.nearest(a.front), a.nearest(a.rear())
	lead, _ := site.Output(first.Output)
	var sheet engine.Sheet
	for _, out := range site.Outputs {
		set := engine.Setting{Output: out.Number, Polarity: 1}
		src := site.Fed(out.Number)[0]
		switch {
		case src.Row == engine.RowRear && out.AsPlaced:
			set.DelaySec = out.BendSec
		case src.Row == engine.RowRear:
			set.DelaySec = (rear.At.Distance(at[0]) - src.At.Distance(at[0])) / speed
		default:
			set.DelaySec = (a.along(first.At) - a.along(rear.At)) / speed
			if out.AsPlaced {
				set.DelaySec += out.BendSec - lead.BendSec
			} else {
				set.DelaySec += (first.At.Distance(at[0]) - src.At.Distance(at[0])) / speed
			}
		}
		sheet.Settings = append(sheet.Settings, set)
	}
	return matched(site, sheet, at[1])
}

// matched turns the front row to the level of the rear one at a place and at
// the target.
func matched(site engine.Site, sheet engine.Sheet, at engine.Point) (engine.Sheet, error) {
	rows, err := listenRows(site, sheet, []engine.Point{at}, site.Target.NullHz)
	if err != nil {
		return engine.Sheet{}, err
	}
	gain := -engine.DB(cmplx.Abs(rows.front[0]) / cmplx.Abs(rows.rear[0]))
	for i, set := range sheet.Settings {
		if site.Fed(set.Output)[0].Row == engine.RowFront {
			sheet.Settings[i].GainDB += gain
		}
	}
	return sheet, nil
}

// exact is a processor whose steps nobody could measure, so that what follows
// from the places is not blurred by rounding.
func exact() engine.Ranges {
	return engine.Ranges{
		DelaySec: engine.Grid{Max: 1, Step: 1e-9},
		GainDB:   engine.Grid{Min: -120, Max: 120, Step: 1e-6},
	}
}

// endFire is an end-fire as the solver sets it.
func endFire(site engine.Site, _ array) (engine.Sheet, error) {
	return solve.Solve(treat(site, engine.TreatEndFire), exact())
}

// The forward offset is stepped away from 0 until the null has crossed the
// target, then halved down to a tenth of a millimetre.
const (
	offsetStepM = 0.1
	offsetMostM = 5
	offsetFineM = 1e-4
)

// forwardOffset is how far the whole front row must go forward (negative: back)
// for the null to come to the target; a null too high comes down as it goes
// forward. nullAt is the null with the row so far forward, levels matched anew.
// depth is how far the row stands ahead of the rear one.
func forwardOffset(nullAt func(offsetM float64) (float64, error), targetHz, depth float64) (offsetM float64, err error) {
	high := func(offset float64) (bool, error) {
		null, err := nullAt(offset)
		return null > targetHz, err
	}
	start, err := high(0)
	if err != nil {
		return 0, err
	}
	step := offsetStepM
	if !start {
		step = -step
	}
	for offset := 0.0; math.Abs(offset) < offsetMostM && depth+offset+step > offsetStepM; offset += step {
		now, err := high(offset + step)
		if err != nil {
			return 0, err
		}
		if now != start {
			return halve(math.Min(offset, offset+step), math.Max(offset, offset+step), high)
		}
	}
	return 0, errors.New("no place of the front row brings the null to the target")
}

// halve narrows the place between low and high where above turns false.
func halve(low, high float64, above func(float64) (bool, error)) (float64, error) {
	for high-low > offsetFineM {
		middle := (low + high) / 2
		up, err := above(middle)
		if err != nil {
			return 0, err
		}
		if up {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2, nil
}

// triangle works out the forward offset of a bent front row with a rear one.
func (w *worker) triangle(a array) (t Triangle, err error) {
	rear, outer := a.nearest(a.rear()), a.front[0]
	t = Triangle{
		Array:  a.name,
		DepthM: -a.along(rear.At),
		OuterM: a.along(outer.At) - a.along(rear.At),
		AsideM: math.Abs(a.aside(outer.At) - a.aside(rear.At)),
		SlantM: level(rear.At, outer.At),
	}
	t.StraightHz = w.speed / (4 * t.DepthM)
	tape := func(site engine.Site, a array) (engine.Sheet, error) { return byTape(site, a, w.speed) }
	if t.NullBeforeHz, t.OffsetM, t.NullAfterHz, err = w.mend(a, t.DepthM, endFire); err != nil {
		return Triangle{}, err
	}
	if t.TapeBeforeHz, t.TapeOffsetM, t.TapeAfterHz, err = w.mend(a, t.DepthM, tape); err != nil {
		return Triangle{}, err
	}
	t.SlantAfterM = level(rear.At, a.ahead(outer.At, t.OffsetM))
	return t, nil
}

// mend finds the null of an array by itself, timed in one way, and the forward
// offset of its front row that brings it to the target.
func (w *worker) mend(a array, depth float64, timed func(engine.Site, array) (engine.Sheet, error)) (before, offset, after float64, err error) {
	alone := a.alone(w.site)
	nullAt := func(offset float64) (float64, error) {
		site := a.moved(alone, a.front, offset)
		sheet, err := timed(site, gather(a.name, site.Sources))
		if err != nil {
			return 0, err
		}
		return rearNull(site, sheet)
	}
	if before, err = nullAt(0); err != nil {
		return 0, 0, 0, err
	}
	if offset, err = forwardOffset(nullAt, w.site.Target.NullHz, depth); err != nil {
		return 0, 0, 0, err
	}
	after, err = nullAt(offset)
	return before, offset, after, err
}

// level is the distance between two points on the plan, as a tape on the ground
// has it.
func level(p, q engine.Point) float64 { return math.Hypot(p.X-q.X, p.Y-q.Y) }
