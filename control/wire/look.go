package wire

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// Seen is what was found out about one output.
type Seen struct {
	Setting engine.Setting
	Limited string // in words, where a value in force is not the one stored
	Err     error  // why the output is not known
}

// Read asks for every output that can be read, ascending. It is as good as the
// network: see Look.
func (w *Wire) Read(ctx context.Context) ([]engine.Setting, error) {
	asking, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	// One that does not answer is enough to give up.
	seen := w.see(asking, w.Readable(), reading, func(err error) { cancel(err) })
	if asking.Err() != nil && ctx.Err() == nil {
		return nil, context.Cause(asking)
	}
	return Settings(seen)
}

// Settings are those that were seen, or why one was not.
func Settings(seen []Seen) ([]engine.Setting, error) {
	settings := make([]engine.Setting, len(seen))
	for i, s := range seen {
		if s.Err != nil {
			return nil, s.Err
		}
		settings[i] = s.Setting
	}
	return settings, nil
}

// Look finds out for certain what outputs hold. With most processors an answer
// does not say which question it answers, so one that comes late, twice or out
// of order can pass for the answer to a later question, and tell of a value
// that stood before a write, or before somebody else turned a knob; and a write
// of ours that comes late can undo what was read back after it.
//
// So Look first lets Profile.Late pass since the last question and the last
// write about these outputs left, which is the longest that a datagram or its
// answer is ever under way. Then none is. Why what it finds is certain: let T be
// the moment at which it begins to ask. Whatever arrives after T answers a
// question that left after T, because the answers to all older ones have come
// or will never come; so it was given after T, and says what the processor held
// at a moment after T. It does not matter which of several questions after T it
// answers, the first or the repeated one. And nothing of ours can have changed
// that value since, because no write of ours is under way and none is sent: the
// caller lets nobody else write, nor ask, until Look returns. Only somebody
// else's hand can, and no look can know of what comes after it. Where question and
// answer carry a number an old answer is none, and only the writes are waited for.
func (w *Wire) Look(ctx context.Context, outputs []int) []Seen {
	w.quiet(ctx, outputs)
	return w.see(ctx, outputs, looking, func(error) {})
}

// quiet waits until nothing of ours about these outputs is under way. All of
// them wait for the last, as a damaged datagram can reach another output than
// it was for.
func (w *Wire) quiet(ctx context.Context, outputs []int) {
	var until time.Time
	for _, output := range outputs {
		s := w.seats[output]
		s.mu.Lock()
		due := s.last[s.channel].Add(s.Profile.Late)
		s.mu.Unlock()
		if due.After(until) {
			until = due
		}
	}
	wait(ctx, until)
}

// wait returns when ctx ends, if that is earlier.
func wait(ctx context.Context, until time.Time) {
	left := time.Until(until)
	if left <= 0 {
		return
	}
	timer := time.NewTimer(left)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
}

// left notes that something about an output left, or may have.
func (s seat) left() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last[s.channel] = time.Now()
}

// care is with how much of it outputs are asked for: how many times as often as
// the profile says, as more hangs on a look; and a look asks for what is in force
// as well.
type care int

const (
	reading care = 1
	looking care = 2
)

// see asks for outputs, all at once as far as their processors take it. failed
// hears of the first failure of each.
func (w *Wire) see(ctx context.Context, outputs []int, with care, failed func(error)) []Seen {
	seen := make([]Seen, len(outputs))
	var all sync.WaitGroup
	for i, output := range outputs {
		all.Go(func() {
			if seen[i] = w.seats[output].see(ctx, with); seen[i].Err != nil {
				failed(seen[i].Err)
			}
		})
	}
	all.Wait()
	return seen
}

// see asks for every parameter of the output. The first that cannot be had ends
// the others.
func (s seat) see(ctx context.Context, with care) Seen {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	seen := Seen{Setting: engine.Setting{Output: s.output}}
	var limited []string
	var mu sync.Mutex
	var all sync.WaitGroup
	for _, param := range s.Profile.Params() {
		all.Go(func() {
			got, limit, err := s.know(ctx, param, with)
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err != nil && seen.Err == nil:
				seen.Err = err
				cancel(err)
			case err == nil:
				put(param, got, &seen.Setting)
			}
			if limit != "" {
				limited = append(limited, limit)
			}
		})
	}
	all.Wait()
	slices.Sort(limited)
	seen.Setting.Muted = seen.Setting.Muted || s.Profile.Mutes(seen.Setting.GainDB)
	seen.Limited = strings.Join(limited, "; ")
	return seen
}

// know asks for one parameter until it is answered, and for the value in force
// where there is one and it is wanted.
func (s seat) know(ctx context.Context, param processor.Param, with care) (got engine.Setting, limited string, err error) {
	got.Output = s.output
	if err := s.again(ctx, param, false, with, &got); err != nil {
		return got, "", err
	}
	if with != looking || s.Profile.Parameters[param].InForce == nil {
		return got, "", nil
	}
	real := got
	if err := s.again(ctx, param, true, with, &real); err != nil {
		return got, "", err
	}
	if !s.Profile.Same(param, got, real) {
		limited = s.limited(param, got, real)
	}
	return got, limited, nil
}

func (s seat) limited(param processor.Param, stored, real engine.Setting) string {
	return fmt.Sprintf("output %d: %s: stored %s, in force %s: something limits it",
		s.output, param, s.Profile.Words(param, stored), s.Profile.Words(param, real))
}

// again asks until it is answered, but not for ever.
func (s seat) again(ctx context.Context, param processor.Param, inForce bool, with care, into *engine.Setting) error {
	tries := int(with) * s.Profile.Tries
	err := s.repeat(ctx, tries, func() error { return s.ask(ctx, param, inForce, into) })
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil || errors.As(err, new(Refusal)):
		return fmt.Errorf("output %d: %s cannot be read: %w", s.output, param, err)
	}
	return fmt.Errorf("output %d: %s cannot be read: %w (asked %d times: is the processor on, and its address right?)",
		s.output, param, err, tries)
}

func (s seat) repeat(ctx context.Context, tries int, once func() error) (err error) {
	for i := range tries {
		if i > 0 {
			s.repeats.Add(1)
		}
		if err = once(); err == nil || errors.As(err, new(Refusal)) {
			return err
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
	}
	return err
}

// ask puts one question, once, and puts the answer into the field of into that
// param names.
func (s seat) ask(ctx context.Context, param processor.Param, inForce bool, into *engine.Setting) error {
	question, err := s.Profile.Ask(param, s.channel, inForce, s.sequence.Add(1))
	if err != nil {
		return err
	}
	reply, err := s.exchange(ctx, question, s.Profile.Sequenced(param, inForce))
	if err != nil {
		return err
	}
	return question.Read(reply, into)
}

// Refusal is that the processor said no, and in what words.
type Refusal string

func (r Refusal) Error() string { return "the processor refused: " + string(r) }

// exchange puts a question when there is room for one more.
func (s seat) exchange(ctx context.Context, q processor.Question, sequenced bool) (osc.Message, error) {
	select {
	case s.asking <- struct{}{}:
		defer func() { <-s.asking }()
	case <-ctx.Done():
		return osc.Message{}, context.Cause(ctx)
	}
	ctx, cancel := context.WithTimeout(ctx, s.Profile.Timeout)
	defer cancel()
	if !sequenced {
		defer s.left() // no later than now
	}
	s.counts.ask()
	reply, err := s.Wire.Ask(ctx, q.Message, func(m osc.Message) bool {
		_, refused := q.Refused(m)
		return refused || q.Answered(m)
	})
	if err != nil {
		if !errors.Is(ctx.Err(), context.Canceled) { // else it was not waited for
			s.unanswered.Add(1)
		}
		return reply, err
	}
	s.answer()
	if why, refused := q.Refused(reply); refused && !q.Answered(reply) {
		return reply, Refusal(why)
	}
	return reply, nil
}

// Label is the text that the processor has for an output; false where it has
// none.
func (w *Wire) Label(ctx context.Context, output int) (text string, has bool, err error) {
	s := w.seats[output]
	if _, has := s.Profile.AskLabel(s.channel, 0); !has {
		return "", false, nil
	}
	err = s.repeat(ctx, s.Profile.Tries, func() error {
		q, _ := s.Profile.AskLabel(s.channel, s.sequence.Add(1))
		reply, err := s.exchange(ctx, q, false)
		if err == nil {
			text, err = q.Text(reply)
		}
		return err
	})
	if err != nil {
		err = fmt.Errorf("output %d: its label cannot be read: %w", output, err)
	}
	return text, true, err
}
