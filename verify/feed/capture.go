package feed

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"hushback/verify/feed/protocol"
	"hushback/verify/transfer"
)

// slowPatience is how many times its patience for samples a capture may take
// longer than its own samples last: a busy machine is late, a slow sender never
// comes.
const slowPatience = 3

// nearly is how many samples more than a whole number count as just that.
const nearly = 1e-6

// longestCaptureSec is the most that a capture may settle or last, in seconds.
const longestCaptureSec = 3600

// Recording is a span of consecutive samples of both channels, full scale ±1.
type Recording struct {
	Rate                  int    // samples per second
	First                 uint64 // index of the first sample, as the agent counts
	Reference, Microphone []float64
}

var (
	errNotConnected = errors.New("not connected")
	errLost         = errors.New("the connection was lost and not resumed")
)

// Capture waits for lengthSec of a microphone's samples that begin settleSec
// after the one being taken now, in seconds, rounded to whole samples. An agent
// that loses its connection and resumes in time loses nothing; a gap that cannot
// be filled starts the capture over, once. It fails when the microphone is not
// connected or stays away, when no samples come for three seconds, when the gap
// happens again, and when ctx ends.
func (h *Hub) Capture(ctx context.Context, microphone string, settleSec, lengthSec float64) (Recording, error) {
	if !(settleSec >= 0 && settleSec <= longestCaptureSec) || !(lengthSec > 0 && lengthSec <= longestCaptureSec) {
		return Recording{}, fmt.Errorf("capture at microphone %q: settle %g s and length %g s, want from 0 and above 0, to %d s", microphone, settleSec, lengthSec, longestCaptureSec)
	}
	r, err := h.capture(ctx, microphone, settleSec, lengthSec)
	if errors.Is(err, errGap) {
		r, err = h.capture(ctx, microphone, settleSec, lengthSec)
	}
	if err != nil {
		return Recording{}, fmt.Errorf("capture at microphone %q: %w", microphone, err)
	}
	return r, nil
}

func (h *Hub) capture(ctx context.Context, microphone string, settleSec, lengthSec float64) (Recording, error) {
	now, ln, err := h.ask(ctx, microphone, false, h.patience.sample)
	if err != nil {
		return Recording{}, err
	}
	rate := float64(ln.tape.rate)
	length := max(1, int(math.Round(lengthSec*rate)))
	s := ln.tape.want(now.Sample+uint64(math.Ceil(settleSec*rate-nearly)), length)
	defer ln.tape.forget(s)
	whole := time.Duration((settleSec+lengthSec)*float64(time.Second)) + slowPatience*h.patience.sample + h.patience.resume
	late := time.After(whole)
	look := time.NewTicker(h.patience.sample / 20)
	defer look.Stop()
	for {
		select {
		case <-s.done:
			return s.got, s.err
		case <-look.C:
			if err := h.trouble(microphone, ln.tape); err != nil {
				return Recording{}, err
			}
		case <-late:
			return Recording{}, fmt.Errorf("only some of %d samples after %v: it sends too slowly", length, whole)
		case <-ctx.Done():
			return Recording{}, ctx.Err()
		}
	}
}

// trouble is why no more samples will come onto a tape, or none come.
func (h *Hub) trouble(microphone string, t *tape) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	p := h.places[microphone]
	switch {
	case h.closed:
		return errClosed
	case p.tape != t:
		return fmt.Errorf("%w: another agent took its place", errLost)
	case p.line == nil && time.Since(p.left) > h.patience.resume:
		return errLost
	case p.line != nil && t.quiet() > h.patience.sample:
		return fmt.Errorf("no samples for %v", h.patience.sample)
	}
	return nil
}

// ask marks a microphone's agent, which must send functions or audio as is
// wanted. One that has lost its connection is waited for and asked again.
func (h *Hub) ask(ctx context.Context, microphone string, functions bool, wait time.Duration) (protocol.Answer, *line, error) {
	for {
		ln, err := h.find(ctx, microphone)
		if err != nil {
			return protocol.Answer{}, nil, err
		}
		if ln.said.Functions != functions {
			what := map[bool]string{false: "audio", true: "functions"}
			return protocol.Answer{}, nil, fmt.Errorf("its agent sends %s, want %s", what[!functions], what[functions])
		}
		a, err := ln.mark(ctx, wait)
		if !errors.Is(err, errClosed) {
			return a, ln, err
		}
		select {
		case <-ln.readEnded: // and the place is left, or taken over
		case <-ctx.Done():
		}
	}
}

// find is the connection of a microphone's agent, which is waited for if it was
// there a moment ago.
func (h *Hub) find(ctx context.Context, microphone string) (*line, error) {
	for {
		h.mu.Lock()
		var ln *line
		var left time.Time
		if p := h.places[microphone]; p != nil && !h.closed {
			ln, left = p.line, p.left
		}
		h.mu.Unlock()
		switch {
		case ln != nil:
			return ln, nil
		case left.IsZero():
			return nil, errNotConnected
		case time.Since(left) > h.patience.resume:
			return nil, fmt.Errorf("%w: its agent left", errNotConnected)
		}
		select {
		case <-time.After(h.patience.resume / 500):
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// Function is one that a microphone's agent measures wholly after settle from
// now. It fails when the microphone is not connected or stays away, sends audio,
// takes longer than a minute, and when ctx ends.
func (h *Hub) Function(ctx context.Context, microphone string, settle time.Duration) (transfer.Function, error) {
	select {
	case <-time.After(settle):
	case <-ctx.Done():
		return transfer.Function{}, ctx.Err()
	}
	a, _, err := h.ask(ctx, microphone, true, h.patience.function)
	if err != nil {
		return transfer.Function{}, fmt.Errorf("function at microphone %q: %w", microphone, err)
	}
	return a.Function, nil
}
