package solve

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
)

// round puts an exact array onto the processor's grid. It rounds every value
// by itself. In parts treated for the null it then moves single outputs by one
// step of delay or gain, as long as that deepens the part's null at the target
// and nothing ends further than one step from its exact value. So the result
// is never worse than plain rounding; on sites made at random it is deeper by
// some 20 dB. The other treatments do not aim at one frequency.
//
// Outputs of a row with the same exact delay, such as left and right, move
// together, so that a symmetric site has a symmetric sheet.
func (a array) round(r engine.Ranges) (engine.Sheet, error) {
	g := a.plain(r)
	if !g.fits() {
		return engine.Sheet{}, fmt.Errorf("the outputs need delays %.2f ms apart, the processor has %.2f ms in steps of %.4g ms",
			a.span()*1e3, (r.DelaySec.Max-r.DelaySec.Min)*1e3, r.DelaySec.Step*1e3)
	}
	return g.refine().sheet(), nil
}

// grid is an array in whole steps, counted from the least exact delay and from
// the lowest gain of the range.
type grid struct {
	array
	ranges        engine.Ranges
	delays, gains []int // per channel
}

func (a array) plain(r engine.Ranges) grid {
	g := grid{array: a, ranges: r}
	for i := range a.channels {
		delay, gain := g.exact(i)
		g.delays = append(g.delays, int(math.Round(delay)))
		g.gains = append(g.gains, int(math.Round(gain)))
	}
	return g
}

// exact is where channel i wants to be, in steps.
func (g grid) exact(i int) (delay, gain float64) {
	least, _ := g.extremes()
	ch := g.channels[i]
	return (ch.delaySec - least) / g.ranges.DelaySec.Step, (ch.gainDB - g.ranges.GainDB.Min) / g.ranges.GainDB.Step
}

// fits reports whether the processor can be set so.
func (g grid) fits() bool {
	for i, gain := range g.gains {
		if gain < 0 || gain > g.channels[i].top {
			return false
		}
	}
	room := g.ranges.DelaySec.Max - g.ranges.DelaySec.Min
	span := slices.Max(g.delays) - slices.Min(g.delays)
	return float64(span)*g.ranges.DelaySec.Step <= room*(1+1e-12)
}

// depth is what a part does behind over what it does in front, at the target.
func (g grid) depth(part int) float64 {
	var ahead, behind complex128
	for i, ch := range g.channels {
		if ch.part != part {
			continue
		}
		gain := engine.Ratio(g.ranges.GainDB.Min+float64(g.gains[i])*g.ranges.GainDB.Step) * float64(ch.polarity)
		setting := complex(gain, 0) * g.wait(float64(g.delays[i])*g.ranges.DelaySec.Step)
		ahead += ch.front * setting
		behind += ch.rear * setting
	}
	return cmplx.Abs(behind) / cmplx.Abs(ahead)
}

// refine ends because the depth falls with every move and the places are few.
func (g grid) refine() grid {
	for moved := true; moved; {
		moved = false
		for _, twins := range g.twins() {
			part := g.channels[twins[0]].part
			if g.treatments[part] != engine.TreatNull {
				continue
			}
			for _, step := range [][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
				next := g.moved(twins, step[0], step[1])
				if next.fits() && next.close(twins) && next.depth(part) < g.depth(part) {
					g, moved = next, true
				}
			}
		}
	}
	return g
}

func (g grid) moved(channels []int, delay, gain int) grid {
	g.delays, g.gains = slices.Clone(g.delays), slices.Clone(g.gains)
	for _, i := range channels {
		g.delays[i] += delay
		g.gains[i] += gain
	}
	return g
}

// close reports whether the channels are within a step of where they want to be.
func (g grid) close(channels []int) bool {
	for _, i := range channels {
		delay, gain := g.exact(i)
		if math.Abs(float64(g.delays[i])-delay) > 1 || math.Abs(float64(g.gains[i])-gain) > 1 {
			return false
		}
	}
	return true
}

// twins lists the channels that share a part, a row and an exact delay.
func (g grid) twins() [][]int {
	const same = 1e-3 // of a step
	var groups [][]int
next:
	for i, ch := range g.channels {
		wanted, _ := g.exact(i)
		for k, group := range groups {
			first, _ := g.exact(group[0])
			twin := g.channels[group[0]]
			if twin.part == ch.part && twin.row == ch.row && math.Abs(first-wanted) < same {
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
	delay, gain := g.ranges.DelaySec, g.ranges.GainDB
	settings := make([]engine.Setting, len(g.channels))
	for i, ch := range g.channels {
		settings[i] = engine.Setting{
			Output:   ch.output,
			DelaySec: delay.Nearest(delay.Min + float64(g.delays[i]-earliest)*delay.Step),
			Polarity: ch.polarity,
			GainDB:   gain.Nearest(gain.Min + float64(g.gains[i])*gain.Step),
		}
	}
	return engine.Sheet{Settings: settings}
}
