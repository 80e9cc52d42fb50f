package tolerance

import "fmt"

// Worst is the error that does most harm at the target when it alone is as
// large as its tolerance, the first of equals; false where none harms.
func (r Report) Worst() (Effect, bool) {
	const counts = 0.05 // dB
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
// else, and what a round error there costs; where the tolerance is larger than
// that, what the tolerance costs.
func (r Report) Advice() string {
	worst, found := r.Worst()
	if !found {
		return fmt.Sprintf("no single error costs as much as 0.1 dB at %.4g Hz", r.TargetHz)
	}
	size, level := worst.Round, worst.AtRoundDB
	if worst.Tolerance > size {
		size, level = worst.Tolerance, worst.AtToleranceDB
	}
	return fmt.Sprintf("%s: %s there costs %.1f dB (rear over front %.1f dB at %.4g Hz instead of %.1f dB)",
		worst.task(), worst.Kind.amount(size), level-r.Predicted.AtTargetDB, level, r.TargetHz, r.Predicted.AtTargetDB)
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
