package wire

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// Step is one message that a change would send, with its meaning.
type Step struct {
	Part    Part
	Output  int
	Param   processor.Param
	Words   string // "output 2: delay 4.21 ms"
	Message osc.Message
	Bytes   []byte

	Want  engine.Setting // Param of it is what the read-back must show
	Heard string         // in PartMeasure: what is heard after it, see Alone; "all together" for everything
	stage stage
}

// Part says when in a change a step is sent.
type Part string

// The parts of a change.
const (
	PartSend    Part = "send"    // bring the sheet onto the processor
	PartMeasure Part = "measure" // mute and open outputs while measuring
	PartUndo    Part = "undo"    // back to what stood before, if it comes to that
)

// stage is a phase of a part. What belongs to one is sent to all processors,
// then read back from all of them, before the next begins.
type stage int

const (
	lowering stage = iota // gains down to the lower end
	muting                // everything muted
	setting               // delays and polarities
	opening               // what shall be heard
	raising               // gains up to the higher end; every ramp step is a stage of its own from here on
)

// louder reports whether a step can make an output louder than it was.
func (s stage) louder() bool { return s >= opening }

// Way lists how outputs come from any of the states in from, or one in between,
// to another. No moment of it is louder than the loudest of these states, for
// any output: first gains go down, to the least gain that it has in any of
// them; then everything is muted; then delays and polarities change; then what
// shall be heard is opened, still at the least gain; and then gains go up, in
// steps of the ramp. So an output whose mute was lost is heard at the least gain
// of all while a value moves. An output that was muted counts with the gain that
// it had behind its mute: opening it is a jump by nature, but never one beyond
// the least gain.
//
// An output that no state of from tells of may be anywhere: it comes up from the
// lowest gain that its processor has.
func (w *Wire) Way(part Part, to []engine.Setting, from ...[]engine.Setting) ([]Step, error) {
	l := list{w: w, part: part}
	to = slices.Clone(to)
	low := make([]engine.Setting, len(to))
	for i, set := range to {
		to[i] = w.Stored(set)
		low[i] = to[i]
		low[i].GainDB = w.least(to[i], from)
	}
	l.stage = lowering
	for _, set := range low {
		if w.hasMute(set) { // else muting is lower still
			l.add(processor.Gain, set)
		}
	}
	l.stage = muting
	for _, set := range to {
		l.mute(set, true)
	}
	l.stage = setting
	for _, set := range to {
		l.add(processor.Delay, set)
		l.add(processor.Polarity, set)
	}
	l.stage = opening
	for _, set := range low {
		if !set.Muted && !w.Profile(set.Output).Mutes(set.GainDB) {
			l.mute(set, false)
		}
	}
	for i, set := range to {
		l.raise(low[i].GainDB, set)
	}
	slices.SortStableFunc(l.steps, func(a, b Step) int { return int(a.stage - b.stage) })
	return l.steps, errors.Join(l.errs...)
}

// least is the lowest gain that an output has in any state. What float32 makes
// of one gain does not count as two.
func (w *Wire) least(set engine.Setting, from [][]engine.Setting) float64 {
	grid := w.Profile(set.Output).Ranges().GainDB
	least, known := set.GainDB, false
	for _, state := range from {
		was, ok := (engine.Sheet{Settings: state}).Setting(set.Output)
		known = known || ok
		if gain := w.Stored(was).GainDB; ok && gain < least-hair*grid.Step {
			least = gain
		}
	}
	if !known && !math.IsNaN(set.GainDB) { // which is for the profile to refuse
		least = grid.Min
	}
	return least
}

// step is the step of an output's gain.
func (w *Wire) step(set engine.Setting) float64 { return w.Profile(set.Output).Ranges().GainDB.Step }

// hair is the part of a step by which two gains can differ and still be one.
const hair = 1e-3

func (w *Wire) hasMute(set engine.Setting) bool {
	p := w.Profile(set.Output)
	return p.HasMute()
}

// Together is what Step.Heard says of everything that the sheet opens.
const Together = "all together"

// Alone is what Step.Heard says of some outputs, in the order given, while all
// others are muted.
func Alone(outputs []int) string {
	words := "output"
	for i, o := range outputs {
		switch {
		case i == 0 && len(outputs) > 1:
			words = "outputs"
		case i > 0 && i == len(outputs)-1:
			words += " and"
		case i > 0:
			words += ","
		}
		words += fmt.Sprintf(" %d", o)
	}
	return words + " alone"
}

// Measure lists how each of the groups of outputs is heard alone in turn, then
// all outputs of the sheet. An output that the sheet keeps muted is never opened;
// a group of none but such is left out.
func (w *Wire) Measure(after []engine.Setting, groups [][]int) ([]Step, error) {
	l := list{w: w, part: PartMeasure}
	all := slices.DeleteFunc(slices.Clone(after), func(s engine.Setting) bool { return s.Muted })
	for _, group := range groups {
		alone := slices.DeleteFunc(slices.Clone(all), func(s engine.Setting) bool { return !slices.Contains(group, s.Output) })
		if len(alone) > 0 {
			l.heard = Alone(group)
			l.only(after, alone)
		}
	}
	l.heard = Together
	l.only(after, all)
	return l.steps, errors.Join(l.errs...)
}

// list gathers steps, and what is wrong with them.
type list struct {
	w     *Wire
	part  Part
	stage stage
	heard string // in PartMeasure
	steps []Step
	errs  []error
}

// only opens some outputs and mutes the others, mutes first.
func (l *list) only(outputs, open []engine.Setting) {
	l.stage = muting
	for _, set := range outputs {
		if !slices.Contains(open, set) {
			l.mute(set, true)
		}
	}
	l.stage = opening
	for _, set := range open {
		l.mute(set, false)
	}
}

// mute mutes an output or opens it at the gain that set has. Without a mute of
// its own the gain does both.
func (l *list) mute(set engine.Setting, muted bool) {
	set.Muted = muted
	if l.w.hasMute(set) {
		l.add(processor.Mute, set)
	} else {
		l.add(processor.Gain, l.w.Stored(set))
	}
}

// raise brings a gain up to that of set, in steps of the ramp that lie on the
// processor's grid: none is higher than the ramp allows, unless the grid itself
// is coarser.
func (l *list) raise(low float64, set engine.Setting) {
	p := l.w.Profile(set.Output)
	grid := p.Ranges().GainDB
	index := func(gain float64) float64 { return math.Floor((gain-grid.Min)/grid.Step + 1e-6) }
	each := math.Max(1, index(grid.Min+p.Ramp.StepDB))
	at := math.Max(index(low+p.Ramp.StepDB), index(low)+1)
	top := set.GainDB
	for l.stage = raising; low < top; l.stage++ {
		low = math.Min(top, grid.Min+at*grid.Step)
		if top-low < hair*grid.Step {
			low = top
		}
		set.GainDB = low
		l.add(processor.Gain, set)
		at += each
	}
}

// add appends the step that sets one parameter.
func (l *list) add(param processor.Param, set engine.Setting) {
	message, err := l.w.message(param, set)
	if err != nil {
		l.errs = append(l.errs, err)
		return
	}
	bytes, err := osc.Encode(message)
	if err != nil {
		l.errs = append(l.errs, err)
		return
	}
	words := fmt.Sprintf("output %d: %s", set.Output, l.w.Words(param, set))
	if l.heard != "" {
		words = l.heard + ": " + words
	}
	l.steps = append(l.steps, Step{
		Part: l.part, Output: set.Output, Param: param,
		Words: words, Message: message, Bytes: bytes,
		Want: set, Heard: l.heard, stage: l.stage,
	})
}
