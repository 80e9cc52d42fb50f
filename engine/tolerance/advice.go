package tolerance

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// counts is what an error must cost to be spoken of, dB: less reads as 0.0.
const counts = 0.05

// Costliest are the errors that do harm at the target when each alone is as
// large as its tolerance, the worst first, equals in the order of Effects, and
// no more than most of them.
func (r Report) Costliest(most int) []Effect {
	harmless := r.Predicted.AtTargetDB + counts
	all := slices.DeleteFunc(slices.Clone(r.Effects), func(e Effect) bool { return !(e.AtToleranceDB > harmless) })
	// Twins on either side of the axis cost the same but for their last bits, which
	// differ from machine to machine: they stay in the site's order.
	cost := func(e Effect) float64 { return math.Round(e.AtToleranceDB * 1e6) }
	slices.SortStableFunc(all, func(a, b Effect) int { return cmp.Compare(cost(b), cost(a)) })
	return all[:min(most, len(all))]
}

// Worst is the first of the Costliest; false where none harms.
func (r Report) Worst() (Effect, bool) {
	for _, e := range r.Costliest(1) {
		return e, true
	}
	return Effect{}, false
}

// Advice is a sentence for an engineer: what to look at again before anything
// else, and what a round error there alone costs; where the tolerance is larger
// than that, what the tolerance costs. The cost is counted from what half of
// such rigs reach: from a perfect null any error costs whatever one likes.
func (r Report) Advice() string {
	worst, found := r.Worst()
	size, level := worst.Round, worst.AtRoundDB
	if worst.Tolerance > size {
		size, level = worst.Tolerance, worst.AtToleranceDB
	}
	cost := level - r.AtTargetDB.Median
	if !found || cost < counts {
		return fmt.Sprintf("no single error costs as much as 0.1 dB at %.4g Hz, where %.1f dB rear over front are to be expected",
			r.TargetHz, r.AtTargetDB.Median)
	}
	return fmt.Sprintf("%s: %s there costs %.1f dB (rear over front %.1f dB at %.4g Hz instead of the %.1f dB to be expected)",
		worst.task(), worst.Kind.Amount(size), cost, level, r.TargetHz, r.AtTargetDB.Median)
}

// task is what to do about an error.
func (e Effect) task() string {
	switch e.Kind {
	case SourceAlong:
		return fmt.Sprintf("measure again how far forward source %q stands", e.Of)
	case SourceAside:
		return fmt.Sprintf("measure again how far aside source %q stands", e.Of)
	case SourceLevel:
		return fmt.Sprintf("match the level of source %q again", e.Of)
	case MicrophoneAlong:
		return fmt.Sprintf("measure again how far forward microphone %q stands", e.Of)
	case MicrophoneAside:
		return fmt.Sprintf("measure again how far aside microphone %q stands", e.Of)
	case DelayStep:
		return fmt.Sprintf("a finer delay on output %s would help most", e.Of)
	}
	return "take the temperature of the air again"
}

// Amount is a size of an error in the unit that people use for it.
func (k Kind) Amount(size float64) string {
	unit := " cm"
	switch k {
	case SourceLevel:
		unit = " dB"
	case Temperature:
		unit = " °C"
	case DelayStep:
		unit = " ms"
		size *= 1e3
	default:
		size *= 100
	}
	return fmt.Sprintf("%.3g%s", size, unit)
}
