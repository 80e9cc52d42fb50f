// Package feed takes in what measuring microphones send over websockets, as
// package protocol spells it, and cuts captures out of it.
//
// A capture is a span of samples after the answer to a mark. A connection that
// breaks is resumed by the same session, which sends again what it still has.
// What cannot be filled, or is not finite, is a gap, and no capture spans a gap.
// An agent that breaks the protocol or a limit is told why and sent away.
//
// The microphone's side is package agent.
package feed

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/protocol"
)

// patience is how long the hub waits, which tests shorten.
type patience struct {
	sample   time.Duration // for the next samples of a capture, and an answer
	resume   time.Duration // for an agent to come back
	function time.Duration // for a function to be measured
	silence  time.Duration // for samples, with or without a capture
	tick     time.Duration // between two looks at an agent's clock
	drift    time.Duration // until those tell of its rate
	trouble  time.Duration // that trouble stays in Status once it is over
}

func usual() patience {
	return patience{
		sample: 3 * time.Second, resume: protocol.KeepSec * time.Second, function: time.Minute,
		silence: 10 * time.Second, tick: tickEvery, drift: 10 * time.Second, trouble: 30 * time.Second,
	}
}

// spareConnections is how many more connections than microphones there may be:
// agents that are about to say hello, or about to be refused.
const spareConnections = 8

// Hub takes the agents' connections in and cuts captures out of their audio.
// Make one with NewHub; it is an http.Handler for the agents' address.
type Hub struct {
	microphones []string
	token       string
	patience    patience

	// Refused, if it is set before the hub serves, hears why an agent was sent
	// away. microphone is "" if it named none of the hub's, or did not get as far.
	Refused func(microphone string, why error)

	mu      sync.Mutex
	closed  bool
	places  map[string]*place // by microphone
	open    int               // connections
	serving sync.WaitGroup
	stop    chan struct{} // closed by Close
}

// place is what a hub knows of one microphone; the hub's lock guards it.
type place struct {
	line    *line // nil while no agent is connected
	said    protocol.Hello
	tape    *tape // of that session, nil if it sends functions
	left    time.Time
	trouble string
	since   time.Time // when the trouble was
}

// Status is what a hub knows of one microphone.
type Status struct {
	Connected bool
	Functions bool    // it sends functions; what follows is about audio, and LevelDB is NaN
	Rate      int     // samples per second, 0 while never connected
	LevelDB   float64 // rms of the microphone channel over the last second, dB re full scale, at least -150
	Clipped   bool    // a sample of that second reached full scale
	Gaps      int     // breaks in the audio of this session
	// Trouble is why an agent was sent away: within the last half minute, or the
	// last one while none is connected.
	Trouble string
}

// NewHub makes a hub for the named microphones. Agents must show the token; an
// empty token lets nobody in.
func NewHub(microphones []string, token string) *Hub {
	h := &Hub{
		microphones: slices.Clone(microphones), token: token, patience: usual(),
		places: map[string]*place{}, stop: make(chan struct{}),
	}
	for _, name := range microphones {
		h.places[name] = &place{}
	}
	return h
}

// ServeHTTP takes one agent's connection and stays with it until it ends.
func (h *Hub) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if status, why := h.refuse(r); status != 0 {
		h.refused("", errors.New(why))
		http.Error(w, why, status)
		return
	}
	if err := h.enter(); err != nil {
		h.refused("", err)
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
		return
	}
	defer h.exit()
	upgrader := websocket.Upgrader{
		HandshakeTimeout: protocol.HelloPatience,
		ReadBufferSize:   32 << 10,
		Subprotocols:     []string{protocol.Subprotocol},
		CheckOrigin:      func(*http.Request) bool { return true }, // refuse has seen to it
	}
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return // the upgrader has answered
	}
	h.serve(newLink(conn))
}

// enter counts a connection in, unless the hub is closed or full.
func (h *Hub) enter() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if most := len(h.microphones) + spareConnections; h.open >= most {
		return fmt.Errorf("too many feeds: %d connections for %d microphones", h.open, len(h.microphones))
	}
	if h.closed {
		return errors.New("the hub is closed")
	}
	h.open++
	h.serving.Add(1)
	return nil
}

func (h *Hub) exit() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.open--
	h.serving.Done()
}

// refuse says why a request may not become a connection. Agents are programs:
// an Origin means that a web page in somebody's browser is asking.
func (h *Hub) refuse(r *http.Request) (status int, why string) {
	if _, page := r.Header["Origin"]; page {
		return http.StatusForbidden, "feeds are for measuring agents, not for web pages"
	}
	got, _ := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	gotSum, wantSum := sha256.Sum256([]byte(got)), sha256.Sum256([]byte(h.token))
	if h.token == "" || subtle.ConstantTimeCompare(gotSum[:], wantSum[:]) != 1 {
		return http.StatusUnauthorized, "wrong or missing bearer token"
	}
	if !slices.Contains(websocket.Subprotocols(r), protocol.Subprotocol) {
		return http.StatusBadRequest, "want websocket subprotocol " + protocol.Subprotocol
	}
	return 0, ""
}

// serve is the connection's reader. What it refuses it says before closing.
func (h *Hub) serve(l *link) {
	ticker := time.NewTicker(protocol.PingEvery)
	defer ticker.Stop()
	go l.write(h.stop, ticker.C)
	defer func() {
		close(l.readEnded)
		<-l.writeEnded
	}()
	l.conn.SetPongHandler(func(string) error {
		return l.conn.SetReadDeadline(time.Now().Add(protocol.Silence))
	})
	said, err := h.attend(l)
	if err != nil && !errors.Is(err, errReplaced) {
		h.refused(said.Microphone, err)
		l.refuse(err)
		l.drain()
	}
}

// attend hears an agent out, from its hello to the end of the connection (nil)
// or to what it must be refused for.
func (h *Hub) attend(l *link) (said protocol.Hello, err error) {
	_, data, err := l.read(protocol.HelloPatience)
	switch {
	case errors.Is(err, errTooLong):
		return said, fmt.Errorf("hello: %w", err)
	case err != nil:
		return said, nil
	}
	said, err = protocol.ReadHello(data, h.microphones)
	if err != nil {
		return said, err
	}
	ln, err := h.join(newLine(l, said, h.patience.drift))
	if err != nil {
		return said, err
	}
	defer h.leave(ln)
	if ln.tape != nil {
		ctx, cancel := context.WithCancel(context.Background())
		var watching sync.WaitGroup
		watching.Go(func() { h.watch(ctx, ln) })
		defer watching.Wait()
		defer cancel()
	}
	return said, ln.listen()
}

// watch sends an agent away that is silent, slow or off its rate.
func (h *Hub) watch(ctx context.Context, ln *line) {
	if err := ln.watch(ctx, h.patience.tick, h.patience.silence); err != nil {
		h.refused(ln.said.Microphone, err)
		ln.refuse(err)
	}
}

// join enters an agent as its microphone's one connection and welcomes it. The
// same agent coming back takes the place of the connection that it lost, which
// may not have ended yet on this side.
func (h *Hub) join(ln *line) (*line, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	p := h.places[ln.said.Microphone]
	same := p.said == ln.said
	if p.line != nil && !same {
		return nil, fmt.Errorf("hello: microphone %q is already connected; close the other agent first", ln.said.Microphone)
	}
	var next uint64
	if !ln.said.Functions {
		if ln.tape = p.tape; !same {
			ln.tape = newTape(ln.said.Rate)
		}
		next = ln.tape.own(ln)
		ln.ack = ln.tape.expected
	}
	// The welcome is queued before anybody can find the line and send a mark.
	if err := ln.push(context.Background(), text(protocol.Welcome(next))); err != nil {
		return nil, err
	}
	if p.line != nil {
		p.line.conn.Close()
	}
	p.line, p.said, p.tape = ln, ln.said, ln.tape
	if time.Since(p.since) > h.patience.trouble {
		p.trouble = ""
	}
	return ln, nil
}

func (h *Hub) leave(ln *line) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if p := h.places[ln.said.Microphone]; p.line == ln {
		p.line, p.left = nil, time.Now()
	}
}

// refused keeps why an agent was sent away; microphone is "" if it named none of ours.
func (h *Hub) refused(microphone string, why error) {
	h.mu.Lock()
	if p := h.places[microphone]; p != nil {
		p.trouble, p.since = why.Error(), time.Now()
	}
	h.mu.Unlock()
	if h.Refused != nil {
		h.Refused(microphone, why)
	}
}

// Feed is what a hub knows of one microphone; nothing if it is none of its own.
func (h *Hub) Feed(microphone string) Status {
	h.mu.Lock()
	defer h.mu.Unlock()
	if p := h.places[microphone]; p != nil {
		return p.status(h.patience.trouble)
	}
	return Status{LevelDB: silenceDB}
}

func (p *place) status(recently time.Duration) Status {
	s := Status{LevelDB: silenceDB, Connected: p.line != nil, Functions: p.said.Functions, Rate: p.said.Rate}
	if s.Functions {
		s.LevelDB = math.NaN()
	}
	if s.Connected && p.tape != nil {
		s.LevelDB, s.Clipped, s.Gaps = p.tape.level()
	}
	if !s.Connected || time.Since(p.since) < recently {
		s.Trouble = p.trouble
	}
	return s
}

// Close ends every connection with 1001, going away, and waits until all have
// ended. Connections that come later are refused.
func (h *Hub) Close() {
	h.mu.Lock()
	if !h.closed && h.stop != nil {
		close(h.stop)
	}
	h.closed = true
	h.mu.Unlock()
	h.serving.Wait()
}
