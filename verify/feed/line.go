package feed

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// line is the hub's end of one agent's connection.
type line struct {
	*link
	tape *tape

	mu      sync.Mutex
	lastID  uint32
	waiting map[uint32]chan uint64 // marks not yet answered
}

// listen takes frames and answers until the connection ends, then returns
// nil, or until the agent breaks the protocol, which is the error.
func (ln *line) listen() error {
	for {
		kind, data, err := ln.read(readPatience)
		if errors.Is(err, websocket.ErrReadLimit) {
			return fmt.Errorf("message over %d bytes", maxFrameBytes)
		}
		if err != nil {
			return nil
		}
		if kind == websocket.BinaryMessage {
			err = ln.frame(data)
		} else {
			err = ln.answer(data)
		}
		if err != nil {
			return err
		}
	}
}

func (ln *line) frame(data []byte) error {
	f, err := DecodeFrame(data)
	if err != nil {
		return err
	}
	return ln.tape.add(f)
}

// answer hands an answered mark to whoever waits for it; one that nobody waits
// for any more came too late and is dropped.
func (ln *line) answer(data []byte) error {
	var m marked
	if err := strict(data, &m); err != nil {
		return fmt.Errorf("message: %w", err)
	}
	if m.Type != typeMark {
		return fmt.Errorf("message has type %q, want %q", m.Type, typeMark)
	}
	ln.mu.Lock()
	defer ln.mu.Unlock()
	if asked := ln.waiting[m.ID]; asked != nil {
		asked <- m.Sample // room for one, and only one answer gets here
		delete(ln.waiting, m.ID)
	}
	return nil
}

// mark asks the agent which sample it is taking now.
func (ln *line) mark(ctx context.Context, patience time.Duration) (sample uint64, err error) {
	answered := make(chan uint64, 1)
	ln.mu.Lock()
	ln.lastID++
	id := ln.lastID
	ln.waiting[id] = answered
	ln.mu.Unlock()
	defer func() {
		ln.mu.Lock()
		delete(ln.waiting, id)
		ln.mu.Unlock()
	}()
	if err := ln.push(ctx, text(note{Type: typeMark, ID: id})); err != nil {
		return 0, err
	}
	select {
	case sample = <-answered:
	case <-ln.readEnded:
		return 0, errClosed
	case <-time.After(patience):
		return 0, fmt.Errorf("no answer to a mark for %v", patience)
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	if !ln.tape.near(sample) {
		return 0, fmt.Errorf("answers a mark with sample %d, far from the samples it sends", sample)
	}
	return sample, nil
}
