package design

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"sync"

	"hushback/engine"
	"hushback/engine/array"
	"hushback/engine/response"
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
func byTape(site engine.Site, a array.Array, speed float64) (engine.Sheet, error) {
	at, err := response.Microphones(site)
	if err != nil {
		return engine.Sheet{}, err
	}
	first, rear := a.Nearest(a.Front), a.Nearest(a.Rear())
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
			set.DelaySec = (a.Along(first.At) - a.Along(rear.At)) / speed
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
	rows, err := response.ByRow(site, sheet, []engine.Point{at}, site.Target.NullHz)
	if err != nil {
		return engine.Sheet{}, err
	}
	gain := -engine.DB(cmplx.Abs(rows.Front[0]) / cmplx.Abs(rows.Rear[0]))
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
func endFire(site engine.Site, _ array.Array) (engine.Sheet, error) {
	return solve.Solve(treat(site, engine.TreatEndFire), exact())
}

// The forward offset is stepped away from 0 until the null has crossed the
// target, then halved down to a tenth of a millimetre.
const (
	offsetStepM = 0.1
	offsetMostM = 5
	offsetFineM = 1e-4
	offsetHz    = 0.1 // what counts as on target
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
func (w *worker) triangle(a array.Array) (t Triangle, err error) {
	rear, outer := a.Nearest(a.Rear()), a.Front[0]
	t = Triangle{
		Array:  a.Name,
		DepthM: -a.Along(rear.At),
		OuterM: a.Along(outer.At) - a.Along(rear.At),
		AsideM: math.Abs(a.Aside(outer.At) - a.Aside(rear.At)),
		SlantM: level(rear.At, outer.At),
	}
	t.StraightHz = w.speed / (4 * t.DepthM)
	tape := func(site engine.Site, a array.Array) (engine.Sheet, error) { return byTape(site, a, w.speed) }
	// Side by side: while somebody tries things out, this is what they wait for.
	var mending sync.WaitGroup
	var tapeErr error
	mending.Go(func() { t.TapeBeforeHz, t.TapeOffsetM, t.TapeAfterHz, tapeErr = w.mend(a, t.DepthM, tape) })
	t.NullBeforeHz, t.OffsetM, t.NullAfterHz, err = w.mend(a, t.DepthM, endFire)
	mending.Wait()
	if err = cmp.Or(err, tapeErr); err != nil {
		return Triangle{}, err
	}
	t.SlantAfterM = level(rear.At, a.Ahead(outer.At, t.OffsetM))
	return t, nil
}

// mend finds the null of an array by itself, timed in one way, and the forward
// offset of its front row that brings it to the target. A null that jumps over
// the target, as one of several does, is an error.
func (w *worker) mend(a array.Array, depth float64, timed func(engine.Site, array.Array) (engine.Sheet, error)) (before, offset, after float64, err error) {
	alone := a.Alone(w.site)
	nullAt := func(offset float64) (float64, error) {
		site := a.Moved(alone, a.Front, offset)
		sheet, err := timed(site, array.Gather(a.Name, site.Sources))
		if err != nil {
			return 0, err
		}
		return response.RearNull(site, sheet)
	}
	if before, err = nullAt(0); err != nil {
		return 0, 0, 0, err
	}
	if offset, err = forwardOffset(nullAt, w.site.Target.NullHz, depth); err != nil {
		return 0, 0, 0, err
	}
	if after, err = nullAt(offset); err != nil {
		return 0, 0, 0, err
	}
	if math.Abs(after-w.site.Target.NullHz) > offsetHz {
		return 0, 0, 0, fmt.Errorf("the null jumps past the target, to %s", hertz(after))
	}
	return before, offset, after, nil
}

// level is the distance between two points on the plan, as a tape on the ground
// has it.
func level(p, q engine.Point) float64 { return math.Hypot(p.X-q.X, p.Y-q.Y) }
