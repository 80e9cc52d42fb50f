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

// Transport is how packets travel.
type Transport string

// The transports. Over TCP each packet is framed, with its length before it
// (OSC 1.0) or in the manner of RFC 1055 with an END on both sides (OSC 1.1).
const (
	UDP       Transport = "udp"
	TCPLength Transport = "tcp-length"
	TCPSLIP   Transport = "tcp-slip"
)

// Options say how to talk with a device. The zero value is UDP without pacing.
type Options struct {
	Transport Transport     // "" is UDP
	Gap       time.Duration // least time from one message to the next
	Burst     int           // messages that may leave together before Gap counts: at most Burst in Burst·Gap; 0 is 1
	ReplyPort int           // UDP: send from and hear at this port, for a device that answers to a fixed one; 0 takes a free one
	Bundle    int           // most messages in one bundle of SendAll; 0 and 1: no bundles
	Renew     []Renewal
}

// Renewal is a message that keeps a device answering: it is sent as soon as
// there is a connection, and again every Every.
type Renewal struct {
	Message Message
	Every   time.Duration // more than 0
}

// Conn talks with one device over one socket that stays open, because a device
// answers to the port that a question came from. It is safe for concurrent
// use. Dial makes one; the zero Conn refuses everything.
type Conn struct {
	address string
	options Options
	link    link
	turn    chan departures // whoever takes it may send
	closing context.CancelFunc
	ended   chan struct{} // closed when the reader has returned
	renewed sync.WaitGroup
	dropped atomic.Int64
	foreign atomic.Int64

	mu     sync.Mutex
	asking []*question // in the order in which they were sent
}

// link carries packets to and from one device.
type link interface {
	// write sends one packet, waiting for a connection until ctx ends.
	write(ctx context.Context, packet []byte) error
	// read calls back with every packet until close. up is called whenever a
	// connection was made.
	read(packet func([]byte), up func())
	close() error
}

// question is one Ask that waits.
type question struct {
	answers func(Message) bool
	answer  chan Message // room for the one answer
	heard   error        // the last thing that came instead; guarded by Conn.mu
}

// Dial makes a Conn that sends to address, "HOST:PORT", and hears only what
// comes from there. The device need not be there: over TCP a connection is made
// when it is, and made again when it was lost.
func Dial(address string, o Options) (*Conn, error) {
	o.Burst = max(1, o.Burst)
	c := &Conn{
		address: address,
		options: o,
		turn:    make(chan departures, 1),
		ended:   make(chan struct{}),
	}
	var err error
	switch o.Transport {
	case UDP, "":
		c.link, err = openDatagrams(address, o.ReplyPort, &c.foreign, c.tell)
	case TCPLength, TCPSLIP:
		c.link, err = openStream(address, o.Transport, c.tell)
	default:
		err = fmt.Errorf("transport %q: want %s, %s or %s", o.Transport, UDP, TCPLength, TCPSLIP)
	}
	if err != nil {
		return nil, fmt.Errorf("processor address %q: %w", address, err)
	}
	for _, r := range o.Renew {
		if _, err := Encode(r.Message); err != nil || r.Every <= 0 {
			return nil, errors.Join(fmt.Errorf("processor address %q: a renewal every %s of %s cannot be sent", address, r.Every, r.Message), err, c.link.close())
		}
	}
	c.turn <- make(departures, o.Burst)
	ctx, cancel := context.WithCancel(context.Background())
	c.closing = cancel
	up := make(chan struct{}, 1)
	c.renewed.Go(func() { c.renew(ctx, up) })
	go func() {
		defer close(c.ended)
		c.link.read(c.receive, func() {
			select {
			case up <- struct{}{}:
			default: // one is waiting already
			}
		})
	}()
	return c, nil
}

// renew sends the renewals when a connection comes up, and again when they are
// due. One that could not be sent is due again at its next time.
func (c *Conn) renew(ctx context.Context, up <-chan struct{}) {
	if len(c.options.Renew) == 0 {
		return
	}
	due := make([]time.Time, len(c.options.Renew))
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for connected := false; ; {
		select {
		case <-ctx.Done():
			return
		case <-up:
			connected = true
			clear(due)
		case <-timer.C:
		}
		if !connected {
			continue
		}
		next := time.Now().Add(time.Hour)
		for i, r := range c.options.Renew {
			if now := time.Now(); !now.Before(due[i]) {
				_ = c.Send(ctx, r.Message)
				due[i] = now.Add(r.Every)
			}
			if due[i].Before(next) {
				next = due[i]
			}
		}
		timer.Reset(time.Until(next))
	}
}

// Send hands one message to the network. That it returns nil says nothing of
// the device: only a value asked for afterwards does.
func (c *Conn) Send(ctx context.Context, m Message) error {
	packet, err := Encode(m)
	if err != nil {
		return err
	}
	return c.send(ctx, m.Address, packet, 1, nil)
}

// SendAll hands messages to the network in their order: as bundles to be
// carried out immediately where the options allow them, else one by one.
func (c *Conn) SendAll(ctx context.Context, messages []Message) error {
	for len(messages) > 0 {
		packet, n, err := pack(messages, c.options.Bundle)
		if err == nil {
			err = c.send(ctx, messages[0].Address, packet, n, nil)
		}
		if err != nil {
			return err
		}
		messages = messages[n:]
	}
	return nil
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
	packet, err := Encode(query)
	if err != nil {
		return Message{}, err
	}
	if err := c.send(ctx, query.Address, packet, 1, q); err != nil {
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

// Foreign counts the datagrams that came from elsewhere and were not looked at.
func (c *Conn) Foreign() int { return int(c.foreign.Load()) }

// Close closes the socket and waits for the reader to end. Whoever still waits
// for an answer gets an error.
func (c *Conn) Close() error {
	if c.link == nil {
		return nil
	}
	c.closing()
	err := c.link.close()
	<-c.ended
	c.renewed.Wait()
	if err != nil && !errors.Is(err, net.ErrClosed) {
		return fmt.Errorf("closing the connection to %s: %w", c.address, err)
	}
	return nil
}

// send writes a packet of n messages when it is its turn and the gap has
// passed. A question begins to listen only then, so that nothing which was on
// its way before can pass for its answer.
func (c *Conn) send(ctx context.Context, what string, packet []byte, n int, q *question) error {
	if c.link == nil {
		return errors.New("osc connection was never opened")
	}
	left, err := c.await(ctx, n)
	if err != nil {
		return fmt.Errorf("sending %s to %s: %w", what, c.address, err)
	}
	defer func() { c.turn <- left }()
	if q != nil {
		c.mu.Lock()
		c.asking = append(c.asking, q)
		c.mu.Unlock()
	}
	err = c.link.write(ctx, packet)
	left = left.leave(n, time.Now())
	if err != nil {
		return fmt.Errorf("sending %s: %w", what, err)
	}
	return nil
}

// departures are the moments at which the last messages left, as many as may
// leave together, the oldest first. They are counted from when a message has
// left, not from a schedule: after a late one the next must wait too.
type departures []time.Time

// due is when n more messages may leave, long past if at once.
func (d departures) due(n int, gap time.Duration) time.Time {
	return d[min(n, len(d))-1].Add(time.Duration(len(d)) * gap)
}

// leave notes that n messages left.
func (d departures) leave(n int, now time.Time) departures {
	for range min(n, len(d)) {
		d = append(d[1:], now)
	}
	return d
}

// await takes the turn and lets the gap pass. With an error it holds no turn.
func (c *Conn) await(ctx context.Context, n int) (left departures, err error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	select {
	case left = <-c.turn:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	gap := time.Until(left.due(n, c.options.Gap))
	if gap <= 0 { // a timer for nothing costs more than the sending
		return left, nil
	}
	select {
	case <-time.After(gap):
		return left, nil
	case <-ctx.Done():
		c.turn <- left
		return nil, ctx.Err()
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
