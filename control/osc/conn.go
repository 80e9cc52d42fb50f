package osc

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
)

// Conn talks with one device over one UDP socket that stays open, because a
// device answers to the port that a question came from. It is safe for
// concurrent use. Dial makes one; the zero Conn refuses everything.
type Conn struct {
	address string
	gap     time.Duration
	socket  *net.UDPConn
	turn    chan time.Time // holds the moment the last datagram left; whoever takes it may send
	ended   chan struct{}  // closed when the reader has returned
	dropped atomic.Int64

	mu     sync.Mutex
	asking []*question // in the order in which they were sent
}

// question is one Ask that waits.
type question struct {
	answers func(Message) bool
	answer  chan Message // room for the one answer
	heard   error        // the last thing that came instead; guarded by Conn.mu
}

// Dial opens a socket that sends to address, "HOST:PORT", and hears only what
// comes from there. Between two datagrams it leaves at least gap, so that a
// slow device is not flooded. Nothing is sent yet, so a device that is off
// makes no error here.
func Dial(address string, gap time.Duration) (*Conn, error) {
	to, err := net.ResolveUDPAddr("udp", address)
	if err != nil {
		return nil, fmt.Errorf("device address %q: %w", address, err)
	}
	if to.Port == 0 || to.IP == nil || to.IP.IsUnspecified() || to.IP.IsMulticast() || to.IP.Equal(net.IPv4bcast) {
		return nil, fmt.Errorf("device address %q: want one device as HOST:PORT", address)
	}
	socket, err := net.DialUDP("udp", nil, to)
	if err != nil {
		return nil, fmt.Errorf("device address %q: %w", address, err)
	}
	c := &Conn{
		address: address,
		gap:     gap,
		socket:  socket,
		turn:    make(chan time.Time, 1),
		ended:   make(chan struct{}),
	}
	c.turn <- time.Time{}
	go c.read()
	return c, nil
}

// Send hands one message to the network. That it returns nil says nothing of
// the device: only a value asked for afterwards does.
func (c *Conn) Send(ctx context.Context, m Message) error {
	return c.send(ctx, m, nil)
}

// Ask sends query and returns the first message for which answers is true. It
// waits until ctx ends and never sends again; trying again is the caller's.
//
// Replies carry no number in OSC, so the reply to an earlier question with the
// same address can pass for the answer if it comes while this one waits. One
// that comes while nobody waits is dropped.
//
// answers runs on the reader's goroutine: it must be quick and must not use
// the Conn. When time runs out, the error says what was heard meanwhile: that
// nothing listens there (syscall.ECONNREFUSED), or the last datagram that was
// no answer.
func (c *Conn) Ask(ctx context.Context, query Message, answers func(Message) bool) (Message, error) {
	q := &question{answers: answers, answer: make(chan Message, 1)}
	if err := c.send(ctx, query, q); err != nil {
		c.forget(q)
		return Message{}, err
	}
	var end error
	select {
	case m := <-q.answer:
		return m, nil
	case <-c.ended:
		end = net.ErrClosed
	case <-ctx.Done():
		end = ctx.Err()
	}
	heard := c.forget(q)
	select {
	case m := <-q.answer: // came in the same moment
		return m, nil
	default:
	}
	switch {
	case !errors.Is(end, context.DeadlineExceeded) || heard == nil:
		return Message{}, noAnswer{query.Address, c.address, end}
	case errors.Is(heard, syscall.ECONNREFUSED):
		return Message{}, heard
	}
	return Message{}, fmt.Errorf("%w; heard instead: %w", noAnswer{query.Address, c.address, end}, heard)
}

// noAnswer is a question that was not answered. A person is not told of the
// deadline behind it, a program may ask.
type noAnswer struct {
	query, from string
	end         error
}

func (e noAnswer) Error() string {
	text := fmt.Sprintf("no answer to %s from %s", e.query, e.from)
	if errors.Is(e.end, context.DeadlineExceeded) {
		return text
	}
	return text + ": " + e.end.Error()
}

func (e noAnswer) Unwrap() error { return e.end }

// Dropped counts the datagrams that could not be read or answered nothing.
func (c *Conn) Dropped() int { return int(c.dropped.Load()) }

// Close closes the socket and waits for the reader to end. Whoever still waits
// for an answer gets an error.
func (c *Conn) Close() error {
	if c.socket == nil {
		return nil
	}
	err := c.socket.Close()
	<-c.ended
	if err != nil && !errors.Is(err, net.ErrClosed) {
		return fmt.Errorf("closing the connection to %s: %w", c.address, err)
	}
	return nil
}

// send writes m when it is its turn and the gap has passed. A question begins
// to listen only then, so that nothing which was on its way before can pass
// for its answer. The gap is counted from the moment a datagram has left, not
// from a schedule: after a late one the next must wait too.
func (c *Conn) send(ctx context.Context, m Message, q *question) error {
	if c.socket == nil {
		return errors.New("osc connection was never opened")
	}
	packet, err := Encode(m)
	if err != nil {
		return err
	}
	last, err := c.await(ctx)
	if err != nil {
		return fmt.Errorf("sending %s to %s: %w", m.Address, c.address, err)
	}
	defer func() { c.turn <- last }()
	if q != nil {
		c.mu.Lock()
		c.asking = append(c.asking, q)
		c.mu.Unlock()
	}
	err = c.write(packet)
	last = time.Now()
	if err != nil {
		return fmt.Errorf("sending %s: %w", m.Address, err)
	}
	return nil
}

// await takes the turn and lets the gap pass. With an error it holds no turn.
func (c *Conn) await(ctx context.Context) (last time.Time, err error) {
	if err := ctx.Err(); err != nil {
		return last, err
	}
	select {
	case last = <-c.turn:
	case <-ctx.Done():
		return last, ctx.Err()
	}
	select {
	case <-time.After(time.Until(last.Add(c.gap))):
		return last, nil
	case <-ctx.Done():
		c.turn <- last
		return last, ctx.Err()
	}
}

// write sends one datagram. "Connection refused" tells what became of an
// earlier datagram, and this one has not left: so it is sent again.
func (c *Conn) write(packet []byte) (err error) {
	for range 3 {
		if _, err = c.socket.Write(packet); err == nil {
			return nil
		}
		err = c.explain(err)
		if !errors.Is(err, syscall.ECONNREFUSED) {
			return err
		}
		c.tell(err)
	}
	return err
}

// read takes what the device sends until the socket is closed. Neither bad
// datagrams nor refused ones end it.
func (c *Conn) read() {
	defer close(c.ended)
	buffer := make([]byte, 1<<16) // more than any datagram
	for {
		n, err := c.socket.Read(buffer)
		switch {
		case errors.Is(err, net.ErrClosed):
			return
		case err != nil:
			c.tell(c.explain(err))
			time.Sleep(time.Millisecond) // a socket that fails for good must not take a whole core
		default:
			c.receive(buffer[:n])
		}
	}
}

// receive gives the messages of one datagram to those who wait for them.
func (c *Conn) receive(packet []byte) {
	messages, heard := Decode(packet)
	if heard == nil {
		heard = errors.New("a bundle without messages")
	}
	answered := false
	for _, m := range messages {
		if c.deliver(m) {
			answered = true
		} else {
			heard = fmt.Errorf("%.200s", m)
		}
	}
	if !answered {
		c.tell(heard)
		c.dropped.Add(1)
	}
}

// deliver gives a message to the question that has waited longest of those it
// answers.
func (c *Conn) deliver(m Message) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, q := range c.asking {
		if q.answers(m) {
			q.answer <- m
			c.asking = slices.Delete(c.asking, i, i+1)
			return true
		}
	}
	return false
}

// tell lets everybody who waits know what came instead of an answer.
func (c *Conn) tell(heard error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, q := range c.asking {
		q.heard = heard
	}
}

// forget ends a question and returns what was heard instead of an answer.
func (c *Conn) forget(q *question) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if i := slices.Index(c.asking, q); i >= 0 {
		c.asking = slices.Delete(c.asking, i, i+1)
	}
	return q.heard
}

// explain puts an error of the socket in words.
func (c *Conn) explain(err error) error {
	if errors.Is(err, syscall.ECONNREFUSED) {
		return fmt.Errorf("nothing is listening at %s: %w", c.address, syscall.ECONNREFUSED)
	}
	return fmt.Errorf("connection to %s: %w", c.address, err)
}
