package tolerance

import "fmt"

// counts is what an error must cost to be spoken of, dB: less reads as 0.0.
const counts = 0.05

// Worst is the error that does most harm at the target when it alone is as
// large as its tolerance, the first of equals; false where none harms.
func (r Report) Worst() (Effect, bool) {
	var worst Effect
	loudest := r.Predicted.AtTargetDB + counts
	found := false
	for _, e := range r.Effects {
		if e.AtToleranceDB > loudest {
			worst, loudest, found = e, e.AtToleranceDB, true
		}
	}
	return worst, found
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
		worst.task(), worst.Kind.amount(size), cost, level, r.TargetHz, r.AtTargetDB.Median)
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

// amount is a size of an error in the unit that people use for it.
func (k Kind) amount(size float64) string {
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
