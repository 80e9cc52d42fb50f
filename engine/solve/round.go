package solve

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
)

// outwards is how far the search goes: plain rounding first, then outwards.
var outwards = [...]int{0, 1, -1, 2, -2}

// round puts an exact array onto the processor's grid with the deepest null at
// the target that a small search finds. It tries the gain of the row that is
// not at its loudest and the delay of the rear row up to two steps beside the
// exact values, every output rounded to its nearest delay. From the best of these it moves single outputs
// by one delay step, as long as that deepens the null and none is further than
// one step from its place. Outputs of a row with the same exact delay, such as
// left and right, move together, so that a symmetric site has a symmetric
// sheet. Plain rounding is among what is tried, so the result is never worse.
func (a array) round(r engine.Ranges) (engine.Sheet, error) {
	var best grid
	deepest := math.Inf(1)
	for _, gain := range outwards {
		for _, late := range outwards {
			g := a.plain(r, gain, late)
			if g.fits() && g.depth() < deepest {
				best, deepest = g, g.depth()
			}
		}
	}
	if math.IsInf(deepest, 1) {
		return engine.Sheet{}, fmt.Errorf("in whole steps the delays do not fit: they are %.2f ms apart, the processor spans %.2f ms",
			a.span()*1e3, (r.DelaySec.Max-r.DelaySec.Min)*1e3)
	}
	return best.refine().sheet(), nil
}

// grid is an array in whole steps.
type grid struct {
	array
	ranges engine.Ranges
	late   int    // steps that the rear row waits beyond its exact delay
	delays []int  // per channel, from the least exact delay
	gains  [2]int // per row, from the range's least
}

// plain rounds every value by itself, with the row that is not at its loudest
// gain steps louder and the rear row late steps later.
func (a array) plain(r engine.Ranges, gain, late int) grid {
	g := grid{array: a, ranges: r, late: late, delays: make([]int, len(a.channels))}
	for i := range a.channels {
		g.delays[i] = int(math.Round(g.exact(i)))
	}
	for i, row := range a.rows {
		g.gains[i] = int(math.Round((row.gainDB - r.GainDB.Min) / r.GainDB.Step))
	}
	free := front
	if a.rows[rear].top-g.gains[rear] > a.rows[front].top-g.gains[front] {
		free = rear
	}
	g.gains[free] += gain
	return g
}

// exact is where channel i wants to be, in steps.
func (g grid) exact(i int) float64 {
	least, _ := g.extremes()
	steps := (g.channels[i].delaySec - least) / g.ranges.DelaySec.Step
	if g.channels[i].row == rear {
		steps += float64(g.late)
	}
	return steps
}

// fits reports whether the processor can be set so.
func (g grid) fits() bool {
	for i, gain := range g.gains {
		if gain < 0 || gain > g.rows[i].top {
			return false
		}
	}
	room := g.ranges.DelaySec.Max - g.ranges.DelaySec.Min
	span := slices.Max(g.delays) - slices.Min(g.delays)
	return float64(span)*g.ranges.DelaySec.Step <= room*(1+1e-12)
}

// depth is rear over front at the target.
func (g grid) depth() float64 {
	var ahead, behind complex128
	for i, ch := range g.channels {
		row := g.rows[ch.row]
		gain := engine.Ratio(g.ranges.GainDB.Min+float64(g.gains[ch.row])*g.ranges.GainDB.Step) * float64(row.polarity)
		setting := complex(gain, 0) * g.wait(float64(g.delays[i])*g.ranges.DelaySec.Step)
		ahead += ch.front * setting
		behind += ch.rear * setting
	}
	return cmplx.Abs(behind) / cmplx.Abs(ahead)
}

// refine moves twins by single delay steps while that deepens the null. It
// ends because the depth falls with every move and the places are few.
func (g grid) refine() grid {
	for moved := true; moved; {
		moved = false
		for _, twins := range g.twins() {
			for _, step := range []int{1, -1} {
				if next := g.moved(twins, step); next.fits() && next.close(twins) && next.depth() < g.depth() {
					g, moved = next, true
				}
			}
		}
	}
	return g
}

func (g grid) moved(channels []int, step int) grid {
	g.delays = slices.Clone(g.delays)
	for _, i := range channels {
		g.delays[i] += step
	}
	return g
}

func (g grid) close(channels []int) bool {
	for _, i := range channels {
		if math.Abs(float64(g.delays[i])-g.exact(i)) > 1 {
			return false
		}
	}
	return true
}

// twins lists the channels that share a row and an exact delay.
func (g grid) twins() [][]int {
	const same = 1e-3 // of a step
	var groups [][]int
next:
	for i, ch := range g.channels {
		for k, group := range groups {
			first := group[0]
			if g.channels[first].row == ch.row && math.Abs(g.exact(first)-g.exact(i)) < same {
				groups[k] = append(group, i)
				continue next
			}
		}
		groups = append(groups, []int{i})
	}
	return groups
}

// sheet spells the steps out, the earliest output at the least delay.
func (g grid) sheet() engine.Sheet {
	earliest := slices.Min(g.delays)
	settings := make([]engine.Setting, len(g.channels))
	for i, ch := range g.channels {
		delay, gain := g.ranges.DelaySec, g.ranges.GainDB
		settings[i] = engine.Setting{
			Output:   ch.output,
			DelaySec: delay.Nearest(delay.Min + float64(g.delays[i]-earliest)*delay.Step),
			Polarity: g.rows[ch.row].polarity,
			GainDB:   gain.Nearest(gain.Min + float64(g.gains[ch.row])*gain.Step),
		}
	}
	return engine.Sheet{Settings: settings}
}
