package verify

import (
	"fmt"
	"math"

	"hushback/engine"
)

// LikelyPercent is how sure the interval is that is shown beside the one that
// decides.
const LikelyPercent = 90

// finish fills in what follows from a claim's numbers. likely is the same claim
// reckoned for LikelyPercent, averages how many the captures have that it rests on.
func (c *Claim) finish(likely Claim, averages float64, evidence []string) {
	c.Likely = [2]float64{likely.Low, likely.High}
	c.Evidence = evidence
	margin, half := 0.0, 0.0
	switch c.kind {
	case isAtMost: // in dB, where it is the amplitude that errors add to
		c.Margin = c.Limit - c.Value
		margin, half = engine.Ratio(c.Limit)-engine.Ratio(c.Value), engine.Ratio(c.High)-engine.Ratio(c.Value)
	case isWithin:
		c.Margin = c.Limit - math.Abs(c.Value)
		margin, half = c.Margin, math.Max(c.High-c.Value, c.Value-c.Low)
	case isAtLeast:
		c.Margin = c.Value - c.Limit
		margin, half = c.Margin, c.Value-c.Low
	}
	switch {
	case c.Outcome != Undecided:
	case c.kind == isAtLeast && margin < 0:
		c.Decide = fmt.Sprintf("%.0f dB more level, or as much less noise", math.Ceil(-margin))
	default:
		c.Decide = decideBy(math.Abs(margin), half, averages)
	}
}

// kind is how a claim's value is held against its limit.
type kind int

const (
	isAtMost kind = iota
	isWithin
	isAtLeast
)

// decideBy says what would bring an interval from half its width down to the
// margin, if the value stays. The width goes with one over the root of the
// averages, and with one over the signal.
func decideBy(margin, half, averages float64) string {
	const most = 400 // averages; beyond it nobody waits
	shrink := half / margin
	more := math.Ceil(averages * (shrink*shrink - 1))
	switch {
	case math.IsNaN(shrink) || math.IsInf(half, 1):
		return "more signal, until its level is known at all"
	case more > most:
		return fmt.Sprintf("no measurement in reasonable time: the value is too near its limit (%.0f times the averages)", shrink*shrink)
	}
	return fmt.Sprintf("%.0f more averages, or %.0f dB more level", math.Max(1, more), math.Max(1, math.Ceil(20*math.Log10(shrink))))
}
