package control

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"hushback/control/processor"
	"hushback/engine"
)

// wire is the processor at the far end: settings go in and come back.
type wire struct {
	profile processor.Profile
	to      Exchanger
	writes  atomic.Int64
}

// ask puts one question, once, and puts the answer into the field of into that
// param names.
func (w *wire) ask(ctx context.Context, param processor.Param, output int, into *engine.Setting) error {
	question, err := w.profile.Ask(param, output, false, 0)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, w.profile.Timeout)
	defer cancel()
	reply, err := w.to.Ask(ctx, question.Message, question.Answered)
	if err != nil {
		return err
	}
	return question.Read(reply, into)
}

// read asks for every parameter of an output.
func (w *wire) read(ctx context.Context, output int) (engine.Setting, error) {
	set := engine.Setting{Output: output}
	for _, param := range processor.Params {
		var err error
		for range w.profile.Tries {
			if err = w.ask(ctx, param, output, &set); err == nil || ctx.Err() != nil {
				break
			}
		}
		if ctx.Err() != nil {
			return set, fmt.Errorf("output %d: %s cannot be read: %w", output, param, context.Cause(ctx))
		}
		if err != nil {
			return set, fmt.Errorf("output %d: %s cannot be read: %w (asked %d times: is the processor on, and its address right?)",
				output, param, err, w.profile.Tries)
		}
	}
	return set, nil
}

// write hands one datagram over. One that could not be handed over is as good
// as lost on the way, and both are found by the read-back.
func (w *wire) write(ctx context.Context, step Step) {
	w.writes.Add(1)
	_ = w.to.Send(ctx, step.Message)
}

// settle reads one parameter back until it is what the step wants, and repeats
// the write before each further look. Every write is absolute, so repeating
// one that did arrive changes nothing.
func (w *wire) settle(ctx context.Context, step Step) (Reading, error) {
	r := Reading{Output: step.Output, Param: step.Param, Wanted: w.profile.Words(step.Param, step.want)}
	for try := 1; ; try++ {
		got := step.want
		err := w.ask(ctx, step.Param, step.Output, &got)
		switch {
		case ctx.Err() != nil:
			return r, context.Cause(ctx)
		case err != nil:
			r.Got = "no answer"
			err = fmt.Errorf("output %d: %s: wanted %s: %w", step.Output, step.Param, r.Wanted, err)
		default:
			r.Got = w.profile.Words(step.Param, got)
			r.Same = w.profile.Same(step.Param, step.want, got)
			err = fmt.Errorf("output %d: %s: wanted %s, got %s", step.Output, step.Param, r.Wanted, r.Got)
		}
		if r.Same {
			return r, nil
		}
		if try >= w.profile.Tries {
			return r, err
		}
		w.write(ctx, step)
	}
}

// resolve says what to do about an output that cannot be brought to where it
// should be.
type resolve int

const (
	giveUp resolve = iota // stop at once: there is a way back
	goOn                  // bring every other output as far as it goes: this is the way back
)

// carry sends steps and reads them back in phases: what is muted is muted for
// sure before a value moves, and an output is opened only once its values are
// read back. tell hears of every datagram and every reading.
//
// It returns the readings, ascending, and for each output in doubt why. On the
// way back a mute that did not take counts only where it must stay: elsewhere
// the output ends open, and being muted on the way was a courtesy.
func (w *wire) carry(ctx context.Context, steps []Step, with resolve, tell func(sent int, readings []Reading)) ([]Reading, map[int]error) {
	var readings []Reading
	sent := 0
	doubts := map[int]error{}
	for _, phase := range phases(steps) {
		phase = slices.DeleteFunc(phase, func(s Step) bool { return s.opens() && doubts[s.Output] != nil })
		for _, step := range phase {
			if ctx.Err() != nil {
				break
			}
			w.write(ctx, step)
			sent++
			tell(sent, readings)
		}
		for _, step := range phase {
			if doubts[step.Output] != nil {
				continue // one parameter in doubt is enough, the next would only take time
			}
			r, err := w.settle(ctx, step)
			readings = withReading(readings, r)
			tell(sent, readings)
			if err != nil && with == giveUp {
				return readings, map[int]error{step.Output: err}
			}
			if err != nil && !(step.mutes() && openedLater(steps, step.Output)) {
				doubts[step.Output] = err
			}
		}
	}
	return readings, doubts
}

func openedLater(steps []Step, output int) bool {
	return slices.ContainsFunc(steps, func(s Step) bool { return s.opens() && s.Output == output })
}

// longest is more than carrying out steps can take when every datagram is
// tried as often as it may be.
func (w *wire) longest(steps []Step) time.Duration {
	each := time.Duration(w.profile.Tries) * (w.profile.Timeout + w.profile.Gap)
	return time.Second + time.Duration(len(steps))*each
}

func (s Step) mutes() bool { return s.Param == processor.Mute && s.want.Muted }
func (s Step) opens() bool { return s.Param == processor.Mute && !s.want.Muted }

// phases cuts steps where muting, setting and opening meet. The slices are
// copies.
func phases(steps []Step) [][]Step {
	var cut [][]Step
	for i, s := range steps {
		if i == 0 || s.mutes() != steps[i-1].mutes() || s.opens() != steps[i-1].opens() {
			cut = append(cut, nil)
		}
		cut[len(cut)-1] = append(cut[len(cut)-1], s)
	}
	return cut
}

// withReading is readings with r in its place, ascending by output and parameter. It
// is a new slice each time, as the old one was handed out.
func withReading(readings []Reading, r Reading) []Reading {
	readings = slices.Clone(readings)
	at, found := slices.BinarySearchFunc(readings, r, func(a, b Reading) int {
		if a.Output != b.Output {
			return a.Output - b.Output
		}
		return int(a.Param - b.Param)
	})
	if found {
		readings[at] = r
		return readings
	}
	return slices.Insert(readings, at, r)
}
