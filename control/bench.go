package control

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"hushback/control/wire"
)

// Bench mutes and opens outputs for measuring. It sends only what the dry run
// listed for that, and returns once it is read back.
type Bench interface {
	// Solo opens one output and mutes the others. An output that the sheet
	// keeps muted cannot be heard alone.
	Solo(ctx context.Context, output int) error
	// Everything brings every output to its sheet state.
	Everything(ctx context.Context) error
}

// bench is the Bench of one change. It is closed when the measurement is over,
// as a proof that runs on must not reach the processor any more.
type bench struct {
	ctx    context.Context // of the change
	c      *Controller
	change string
	steps  []Step // PartMeasure

	mu     sync.Mutex
	closed bool
	stands int // what the processor is at: an output alone, 0 for all together, or unknown
}

// unknown is where a bench stands after sending that did not go through.
const unknown = -1

func (b *bench) Solo(ctx context.Context, output int) error {
	return b.play(ctx, output, fmt.Sprintf("output %d alone", output))
}

func (b *bench) Everything(ctx context.Context) error {
	return b.play(ctx, 0, "all together")
}

func (b *bench) play(ctx context.Context, solo int, words string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return errors.New("the measurement is over")
	}
	if b.stands == solo {
		return nil // each datagram of the dry run is sent once
	}
	var steps []Step
	for _, s := range b.steps {
		if s.Solo == solo {
			steps = append(steps, s)
		}
	}
	if len(steps) == 0 {
		return fmt.Errorf("%s is not in the dry run", words)
	}
	if err := b.c.note(b.change, "measuring", words); err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	stop := context.AfterFunc(b.ctx, func() { cancel(context.Cause(b.ctx)) })
	defer stop()
	b.stands = unknown
	_, doubts := b.c.wire.Carry(ctx, steps, wire.GiveUp, func(int, []Reading) {})
	if len(doubts) == 0 && ctx.Err() == nil {
		b.stands = solo
	}
	return first(doubts)
}

// close waits for what is under way and refuses everything after it.
func (b *bench) close() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.closed = true
}
