package checkup

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// tell says what came of all the questions.
func (k *walker) tell(values []*value) {
	median, worst := middle(k.took), float64(slices.Max(k.took))/float64(time.Millisecond)
	k.MedianMS, k.WorstMS = &median, &worst
	asked := 0 // of the values that answer at all
	for _, v := range values {
		if v.answered > 0 {
			asked += v.asked
			k.Lost += v.asked - v.answered
		}
	}
	k.well(fmt.Sprintf("answers; round trip %.1f ms in the middle of %d, %.1f ms at worst", median, len(k.took), worst))
	if k.Lost > 0 {
		says := fmt.Sprintf("%d of %d questions were lost, they or their answers", k.Lost, asked)
		if float64(k.Lost) > tolerable*float64(asked) {
			k.trouble(says, "look to cable, switch and whatever shares this network; every loss is made good by asking again, but a change takes longer and may be rolled back")
		} else {
			k.note(says, "nothing yet: they are asked again; look to the cable if it grows")
		}
	}
	for _, each := range byOutput(values) {
		k.tellOutput(each)
	}
}

// byOutput sorts values by the outputs that they are of.
func byOutput(values []*value) [][]*value {
	var all [][]*value
	for _, v := range values {
		i := slices.IndexFunc(all, func(of []*value) bool { return of[0].output.Number == v.output.Number })
		if i < 0 {
			all = append(all, []*value{v})
			continue
		}
		all[i] = append(all[i], v)
	}
	return all
}

// tellOutput says what is wrong with one output's values.
func (k *walker) tellOutput(values []*value) {
	name := fmt.Sprintf("output %d (%s): ", values[0].output.Number, values[0].output.Label)
	var silent []string
	for _, v := range values {
		switch {
		case v.wrong != nil:
			k.trouble(name+v.words+": "+v.wrong.Error(), "write type, range and reply into the profile as the processor has them, or take the profile that fits")
		case v.answered == 0:
			silent = append(silent, v.words)
		case v.label:
			k.tellLabel(name, v)
		case v.inForce:
			k.tellInForce(name, v, values)
		}
	}
	if len(silent) > 0 {
		k.trouble(name+"no answer for "+strings.Join(silent, ", "),
			"hold the profile's queries against the processor's manual, and the site's output against the channels that it has")
	}
}

func (k *walker) tellLabel(name string, v *value) {
	switch got := strings.TrimSpace(v.text); got {
	case v.output.Label:
	case "":
		k.note(name+"nobody wrote a label on the processor, so the wiring cannot be told from it", "write the site's label there")
	default:
		k.trouble(fmt.Sprintf("%sthe processor calls it %q", name, got), "put the wiring right, or the label, there or in the site; until then no dry run is taken")
	}
}

// tellInForce compares a value in force with the one stored.
func (k *walker) tellInForce(name string, v *value, values []*value) {
	for _, stored := range values {
		if stored.param != v.param || stored.inForce || stored.label || stored.answered == 0 || stored.wrong != nil {
			continue
		}
		if !k.profile.Same(v.param, stored.setting, v.setting) {
			k.note(fmt.Sprintf("%s%s: stored %s, in force %s", name, v.param, k.profile.Words(v.param, stored.setting), k.profile.Words(v.param, v.setting)),
				"find what limits it, a group or a limiter perhaps, before a change counts on it")
		}
	}
}
