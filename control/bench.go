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
	// Solo opens one group of outputs and mutes the others. The dry run has to
	// list the group (Config.Alone); outputs that the sheet keeps muted stay so.
	Solo(ctx context.Context, outputs ...int) error
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
	stands string // what is heard as the processor is; "" once sending did not go through
}

func (b *bench) Solo(ctx context.Context, outputs ...int) error {
	return b.play(ctx, wire.Alone(outputs))
}

func (b *bench) Everything(ctx context.Context) error {
	return b.play(ctx, wire.Together)
}

func (b *bench) play(ctx context.Context, heard string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return errors.New("the measurement is over")
	}
	if b.stands == heard {
		return nil // each datagram of the dry run is sent once
	}
	var steps []Step
	for _, s := range b.steps {
		if s.Heard == heard {
			steps = append(steps, s)
		}
	}
	if len(steps) == 0 {
		return fmt.Errorf("%s is not in the dry run", heard)
	}
	if err := b.c.note(b.change, "measuring", heard); err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	stop := context.AfterFunc(b.ctx, func() { cancel(context.Cause(b.ctx)) })
	defer stop()
	b.stands = ""
	_, doubts := b.c.wire.Carry(ctx, steps, wire.GiveUp, func(int, []Reading) {})
	if len(doubts) == 0 && ctx.Err() == nil {
		b.stands = heard
	}
	return first(doubts)
}

// close waits for what is under way and refuses everything after it.
func (b *bench) close() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.closed = true
}
