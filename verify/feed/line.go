package feed

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/protocol"
)

// line is the hub's end of one agent's connection.
type line struct {
	*link
	said  protocol.Hello
	tape  *tape // nil for an agent that sends functions
	clock *clock

	// Of the last frame; only the connection's reader uses them.
	began bool
	seq   uint32
	end   uint64

	mu      sync.Mutex
	lastID  uint32
	waiting map[uint32]chan protocol.Answer // marks not yet answered
}

func newLine(l *link, said protocol.Hello, drift time.Duration) *line {
	if said.Functions {
		l.most = protocol.MaxTextBytes
	}
	return &line{link: l, said: said, clock: &clock{rate: said.Rate, leastSec: drift.Seconds()}, waiting: map[uint32]chan protocol.Answer{}}
}

// listen takes frames and answers until the connection ends, then returns
// nil, or until the agent breaks the protocol, which is the error.
func (ln *line) listen() error {
	for {
		kind, data, err := ln.read(protocol.Silence)
		if errors.Is(err, errTooLong) {
			return err
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

// frame takes audio. An index that goes back within a connection is an error:
// the agent has lost count, and nothing it says about samples can be believed.
func (ln *line) frame(data []byte) error {
	if ln.tape == nil {
		return errors.New("frame: this agent said that it sends functions, and they are text")
	}
	f, err := protocol.DecodeFrame(data, ln.said.Layout)
	if err != nil {
		return err
	}
	if ln.began && f.First < ln.end {
		return fmt.Errorf("sample index went back from %d to %d", ln.end, f.First)
	}
	err = ln.tape.add(ln, f, ln.began && f.Seq != ln.seq+1)
	ln.began, ln.seq, ln.end = true, f.Seq, f.End()
	ln.acknowledge()
	return err
}

// answer hands an answered mark to whoever waits for it; one that nobody waits
// for any more came too late and is dropped.
func (ln *line) answer(data []byte) error {
	a, err := protocol.ReadAnswer(data, ln.said.Functions)
	if err != nil {
		return err
	}
	ln.mu.Lock()
	defer ln.mu.Unlock()
	if asked := ln.waiting[a.ID]; asked != nil {
		asked <- a // room for one, and only one answer gets here
		delete(ln.waiting, a.ID)
	}
	return nil
}

// mark asks the agent which sample it is taking now, or for a function.
func (ln *line) mark(ctx context.Context, patience time.Duration) (a protocol.Answer, err error) {
	answered := make(chan protocol.Answer, 1)
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
	if err := ln.push(ctx, text(protocol.Mark(id))); err != nil {
		return a, err
	}
	select {
	case a = <-answered:
	case <-ln.readEnded:
		return a, errClosed
	case <-time.After(patience):
		return a, fmt.Errorf("no answer to a mark for %v", patience)
	case <-ctx.Done():
		return a, ctx.Err()
	}
	if ln.tape != nil {
		if off := ln.tape.apart(a.Sample); off > lagSec || off < -lagSec {
			return a, fmt.Errorf("answers a mark with sample %d, far from the samples it sends", a.Sample)
		}
	}
	return a, nil
}

// watch asks now and then which sample is being taken, at times drawn by chance
// so that they do not keep step with a recorder's blocks, until ctx or the
// connection ends (nil) or the agent is silent, slow, or counts at another pace
// than it declared.
func (ln *line) watch(ctx context.Context, every, silence time.Duration) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(every/2 + rand.N(every)):
		}
		if quiet := ln.tape.quiet(); quiet > silence {
			return fmt.Errorf("silent: no samples for %v; is the recorder running?", silence)
		}
		asked := time.Now()
		a, err := ln.mark(ctx, silence)
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, errClosed) {
				return nil
			}
			return err
		}
		if behind := ln.tape.apart(a.Sample); behind > lagSec-1 {
			return fmt.Errorf("slow: its samples arrive %.0f s after they were taken; use a faster network or a lower rate", behind)
		}
		took := time.Since(asked)
		if took > slowestAnswer {
			continue // nobody knows when in that time it was true
		}
		if err := ln.clock.tick(asked.Add(took/2), a.Sample); err != nil {
			return err
		}
	}
}
