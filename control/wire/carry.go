package wire

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// Reading is one value read back beside the one wanted.
type Reading struct {
	Output  int
	Param   processor.Param
	InForce bool   // not the value stored but the one in force, where the two can differ
	Wanted  string // in words and units: "4.21 ms"
	Got     string
	Same    bool // within half a step
	Blind   bool // sent to a processor that cannot be read back: neither the same nor another
}

// Resolve says what to do about an output that cannot be brought to where it
// should be.
type Resolve int

const (
	GiveUp Resolve = iota // stop at once: there is a way back
	GoOn                  // bring every other output as far as it goes: this is the way back
)

// run is one way being carried out.
type run struct {
	w        *Wire
	with     Resolve
	tell     func(sent int, readings []Reading)
	sent     int
	readings []Reading
	doubts   map[int]error
	stands   map[int]engine.Setting // what each output holds after the phases so far
}

// Carry sends steps and reads them back in phases: what is muted is muted
// before a value moves, and an output is opened only once its values are read
// back. A phase is over on all processors before the next begins on any. tell
// hears, one call at a time, of every phase sent and of the readings as they come.
//
// It returns the readings, ascending, and for each output in doubt why. On the
// way back each value is tried twice as often, and nothing is made louder before
// its values were looked at for certain, as answers to the way there may still be
// under way. A gain that could not be lowered is no doubt there if that look finds
// it no higher than where it shall end, and a mute that did not take counts only
// where it must stay: elsewhere the output ends open, and being muted on the way
// was a courtesy.
func (w *Wire) Carry(ctx context.Context, steps []Step, with Resolve, tell func(sent int, readings []Reading)) ([]Reading, map[int]error) {
	r := &run{w: w, with: with, tell: tell, doubts: map[int]error{}, stands: map[int]engine.Setting{}}
	var next time.Time // when the ramp may go on
	sure := with == GiveUp
	for _, phase := range phases(steps) {
		if phase[0].stage.louder() && !sure {
			r.makeSure(ctx, steps)
			sure = true
		}
		if phase[0].stage > raising {
			wait(ctx, next)
		}
		if err := context.Cause(ctx); err != nil && with == GiveUp {
			return r.readings, map[int]error{phase[0].Output: err}
		}
		phase = slices.DeleteFunc(phase, func(s Step) bool { return s.stage.louder() && r.doubts[s.Output] != nil })
		next = time.Now().Add(w.pace(phase))
		r.send(ctx, phase)
		r.settle(ctx, phase, steps)
		if with == GiveUp && len(r.doubts) > 0 {
			break
		}
	}
	return r.readings, r.doubts
}

// phases cuts steps where the stage changes. The slices are copies.
func phases(steps []Step) [][]Step {
	var cut [][]Step
	for i, s := range steps {
		if i == 0 || s.stage != steps[i-1].stage {
			cut = append(cut, nil)
		}
		cut[len(cut)-1] = append(cut[len(cut)-1], s)
	}
	return cut
}

// pace is how long a ramp waits after a phase.
func (w *Wire) pace(phase []Step) time.Duration {
	var every time.Duration
	for _, s := range phase {
		every = max(every, w.Profile(s.Output).Ramp.Every)
	}
	return every
}

// makeSure looks for certain at every output that is to become louder: it must
// hold what the phases so far gave it, or what is no louder than where it ends.
func (r *run) makeSure(ctx context.Context, steps []Step) {
	ends := map[int]Step{}
	var outputs []int
	for _, s := range steps {
		if !s.stage.louder() || r.doubts[s.Output] != nil || r.w.Profile(s.Output).Blind {
			continue
		}
		if _, there := ends[s.Output]; !there {
			outputs = append(outputs, s.Output)
		}
		ends[s.Output] = s
	}
	if len(outputs) == 0 {
		return
	}
	for i, seen := range r.w.Look(ctx, outputs) {
		want, err := r.stands[outputs[i]], seen.Err
		if r.w.hasMute(want) && opened(steps, outputs[i]) {
			seen.Setting.Muted = want.Muted
		}
		if gain := ends[outputs[i]].Want.GainDB; seen.Setting.GainDB <= gain+hair*r.w.step(want) {
			seen.Setting.GainDB = want.GainDB
		}
		if what := r.w.Difference(want, seen.Setting); what != "" && err == nil {
			err = errors.New(what)
		}
		if err != nil {
			r.doubts[outputs[i]] = err
		}
	}
}

func opened(steps []Step, output int) bool {
	return slices.ContainsFunc(steps, func(s Step) bool { return s.stage == opening && s.Output == output })
}

// send hands a phase over, to all processors at once.
func (r *run) send(ctx context.Context, phase []Step) {
	var all sync.WaitGroup
	for _, l := range r.w.links {
		var messages []osc.Message
		var to []seat
		for _, s := range phase {
			if seat := r.w.seats[s.Output]; seat.link == l {
				messages, to = append(messages, s.Message), append(to, seat)
			}
		}
		if len(messages) > 0 {
			all.Go(func() { l.sendAll(ctx, messages, to) })
		}
	}
	all.Wait()
	r.sent += len(phase)
	r.tell(r.sent, slices.Clone(r.readings))
}

// sendAll hands messages over. One that could not be handed over is as good as
// lost on the way, and both are found by the read-back.
func (l *link) sendAll(ctx context.Context, messages []osc.Message, to []seat) {
	l.writes.Add(int64(len(messages)))
	_ = l.Wire.SendAll(ctx, messages)
	for _, s := range to {
		s.left()
	}
}

// result is what came of one step.
type result struct {
	step     Step
	readings []Reading
	err      error
}

// settle reads a phase back, all of its values at once.
func (r *run) settle(ctx context.Context, phase, steps []Step) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	results := make(chan result, len(phase))
	asked := 0
	for _, l := range r.w.links {
		var mine []Step
		for _, step := range phase {
			// One parameter in doubt is enough, the next would only take time.
			if r.w.seats[step.Output].link == l && r.doubts[step.Output] == nil {
				mine = append(mine, step)
			}
		}
		asked += len(mine)
		l.spread(len(mine), func(i int) {
			readings, err := r.w.seats[mine[i].Output].settle(ctx, mine[i], r.with)
			results <- result{mine[i], readings, err}
		})
	}
	var told time.Time
	for ; asked > 0; asked-- {
		r.note(<-results, steps)
		if r.with == GiveUp && len(r.doubts) > 0 {
			cancel(errEnough)
		}
		if asked == 1 || time.Since(told) > tellEvery {
			r.tell(r.sent, slices.Clone(r.readings))
			told = time.Now()
		}
	}
}

// tellEvery is how often readings are told of while they come: faster than
// anybody reads.
const tellEvery = 20 * time.Millisecond

// errEnough is why what is still asked is not waited for.
var errEnough = errors.New("another value could not be brought to where it should be")

// note takes down what came of one step.
func (r *run) note(got result, steps []Step) {
	output := got.step.Output
	set := r.stands[output]
	set.Output = output
	put(got.step.Param, got.step.Want, &set)
	r.stands[output] = r.w.Stored(set)
	for _, reading := range got.readings {
		r.readings = withReading(r.readings, reading)
	}
	switch {
	case got.err == nil || r.doubts[output] != nil:
	case r.with == GiveUp && len(r.doubts) > 0: // it gave up for the first one's sake
	case r.with == GoOn && got.step.stage == lowering: // makeSure will tell
	case r.with == GoOn && got.step.stage == muting && opened(steps, output):
	default:
		r.doubts[output] = got.err
	}
}

// settle reads one parameter back until it is what the step wants, and then the
// value in force where there is one. On the way back that one is only told: what
// was stored is all that can be given back.
func (s seat) settle(ctx context.Context, step Step, with Resolve) ([]Reading, error) {
	tries := s.Profile.Tries
	if with == GoOn {
		tries *= 2
	}
	if s.Profile.Blind {
		r, err := s.insist(ctx, step, tries)
		return []Reading{r}, err
	}
	stored, err := s.readBack(ctx, step, false, tries)
	if err != nil || s.Profile.Parameters[step.Param].InForce == nil {
		return []Reading{stored}, err
	}
	real, err := s.readBack(ctx, step, true, tries)
	if with == GoOn {
		err = nil
	}
	return []Reading{stored, real}, err
}

// insist sends a step to a processor that cannot be read back several times
// more, because nobody would notice a loss.
func (s seat) insist(ctx context.Context, step Step, times int) (r Reading, err error) {
	r = Reading{
		Output: step.Output, Param: step.Param, Blind: true,
		Wanted: s.Profile.Words(step.Param, step.Want), Got: "sent, cannot be read back",
	}
	for range times {
		if err = s.write(ctx, step); ctx.Err() != nil {
			return r, context.Cause(ctx)
		}
	}
	if err != nil {
		r.Got = "not sent"
		err = fmt.Errorf("output %d: %s: wanted %s: %w", step.Output, step.Param, r.Wanted, err)
	}
	return r, err
}

// write repeats a write. One that was given up before it left is none.
func (s seat) write(ctx context.Context, step Step) error {
	defer s.left()
	err := s.Wire.Send(ctx, step.Message)
	if err == nil {
		s.writes.Add(1)
	}
	return err
}

// readBack asks for one value until it is what the step wants, and repeats the
// write before each further look. Every write is absolute, so repeating one
// that did arrive changes nothing. A wrong value once is most likely a lost write,
// and repaired at once; again, it may be an old answer, and the time in which more
// of those come is let pass.
func (s seat) readBack(ctx context.Context, step Step, inForce bool, tries int) (Reading, error) {
	r := Reading{Output: step.Output, Param: step.Param, InForce: inForce, Wanted: s.Profile.Words(step.Param, step.Want)}
	for try := 1; ; try++ {
		got, asked := step.Want, time.Now()
		err := s.ask(ctx, step.Param, inForce, &got)
		if err == nil && s.Profile.Same(step.Param, step.Want, got) && ctx.Err() == nil {
			r.Got, r.Same = s.Profile.Words(step.Param, got), true
			return r, nil
		}
		switch {
		case ctx.Err() != nil:
			return r, context.Cause(ctx)
		case err != nil:
			r.Got = "no answer"
			if errors.As(err, new(Refusal)) {
				r.Got, try = "refused", tries
			}
			err = fmt.Errorf("output %d: %s: wanted %s: %w", step.Output, step.Param, r.Wanted, err)
		default:
			s.mismatches.Add(1)
			r.Got = s.Profile.Words(step.Param, got)
			err = fmt.Errorf("output %d: %s: wanted %s, got %s", step.Output, step.Param, r.Wanted, r.Got)
			if inForce {
				err = errors.New(s.limited(step.Param, step.Want, got))
			}
		}
		if try >= tries {
			return r, err
		}
		if try > 1 && r.Got != "no answer" {
			wait(ctx, asked.Add(s.Profile.Timeout))
		}
		s.repeats.Add(1)
		_ = s.write(ctx, step)
	}
}

// Longest is more than carrying out steps, and looking afterwards, can take when
// every message is tried as often as it may be.
func (w *Wire) Longest(steps []Step) time.Duration {
	var each, late, every time.Duration
	for _, l := range w.links {
		each = max(each, time.Duration(2*l.Profile.Tries+1)*(l.Profile.Timeout+l.Profile.Gap))
		late = max(late, l.Profile.Late)
		every = max(every, l.Profile.Ramp.Every)
	}
	questions := len(steps) + 2*len(processor.Params)*len(w.outputs)
	return time.Second + 3*late + time.Duration(len(steps))*every + time.Duration(2*questions)*each
}

// withReading is readings with r in its place, ascending by output and
// parameter, the value in force after the one stored.
func withReading(readings []Reading, r Reading) []Reading {
	order := func(r Reading) int {
		n := 2 * (r.Output*len(processor.Params) + int(r.Param))
		if r.InForce {
			n++
		}
		return n
	}
	at, found := slices.BinarySearchFunc(readings, r, func(a, b Reading) int { return order(a) - order(b) })
	if found {
		readings[at] = r
		return readings
	}
	return slices.Insert(readings, at, r)
}
