package source

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/transfer"
)

// Times of a connection. A source that is away is tried again after firstPause,
// then twice as long each time up to longestPause. One that says nothing, not
// even a pong, for silence is taken for dead.
const (
	firstPause   = 250 * time.Millisecond
	longestPause = 8 * time.Second
	handshake    = 5 * time.Second
	pingEvery    = 5 * time.Second
	silence      = 15 * time.Second
)

// Source keeps a connection to one program and hands its newest functions over.
// Make one with New; Run it in a goroutine of its own.
type Source struct {
	mapping Mapping

	mu      sync.Mutex
	status  Status
	newest  transfer.Function
	came    time.Time     // when newest did
	changed chan struct{} // closed, and replaced, with every newer one
}

// Status is how a source is doing.
type Status struct {
	Connected bool
	Functions int    // that were read
	Other     int    // messages that hold no function
	Refused   int    // messages that could not be read
	Trouble   string // why the last one could not, or why there is no connection
}

// New makes a source of a mapping without Problems.
func New(m Mapping) *Source {
	return &Source{mapping: m, changed: make(chan struct{})}
}

// Status tells how the source is doing.
func (s *Source) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.status
}

// Run keeps the source connected until ctx ends.
func (s *Source) Run(ctx context.Context) {
	pause := firstPause
	for ctx.Err() == nil {
		heard, err := s.follow(ctx)
		if heard {
			pause = firstPause
		}
		s.note(func(st *Status) { st.Connected, st.Trouble = false, err.Error() })
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
		pause = min(2*pause, longestPause)
	}
}

func (s *Source) note(change func(*Status)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change(&s.status)
}

// follow reads one connection to its end. heard says that it was any good.
func (s *Source) follow(ctx context.Context) (heard bool, err error) {
	dialer := websocket.Dialer{HandshakeTimeout: handshake}
	if s.mapping.Subprotocol != "" {
		dialer.Subprotocols = []string{s.mapping.Subprotocol}
	}
	conn, _, err := dialer.DialContext(ctx, s.mapping.URL, http.Header{})
	if err != nil {
		return false, fmt.Errorf("connecting to %s: %w", s.mapping.URL, err)
	}
	defer conn.Close()
	if got := conn.Subprotocol(); got != s.mapping.Subprotocol {
		return false, fmt.Errorf("%s speaks subprotocol %q, want %q", s.mapping.URL, got, s.mapping.Subprotocol)
	}
	if s.mapping.Say != "" {
		if err := conn.WriteMessage(websocket.TextMessage, []byte(s.mapping.Say)); err != nil {
			return false, fmt.Errorf("%s: %w", s.mapping.URL, err)
		}
	}
	s.note(func(st *Status) { st.Connected, st.Trouble = true, "" })
	over := make(chan struct{})
	defer close(over)
	go keepAlive(ctx, conn, over)
	return s.read(conn)
}

// keepAlive is the connection's writer: it pings, and hangs up when ctx ends.
func keepAlive(ctx context.Context, conn *websocket.Conn, over <-chan struct{}) {
	tick := time.NewTicker(pingEvery)
	defer tick.Stop()
	for {
		select {
		case <-over:
			return
		case <-ctx.Done():
			conn.Close()
			return
		case <-tick.C:
			if conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(handshake)) != nil {
				conn.Close() // which tells the reader
				return
			}
		}
	}
}

func (s *Source) read(conn *websocket.Conn) (heard bool, err error) {
	conn.SetReadLimit(maxMessage)
	alive := func(string) error { return conn.SetReadDeadline(time.Now().Add(silence)) }
	conn.SetPongHandler(alive)
	for {
		if err := alive(""); err != nil {
			return heard, err
		}
		_, message, err := conn.ReadMessage()
		if err != nil {
			return heard, fmt.Errorf("%s: %w", s.mapping.URL, err)
		}
		heard = true
		f, ok, err := s.mapping.Read(message)
		switch {
		case err != nil:
			s.note(func(st *Status) { st.Refused, st.Trouble = st.Refused+1, err.Error() })
		case !ok:
			s.note(func(st *Status) { st.Other++ })
		default:
			s.take(f)
		}
	}
}

// take makes a function the newest and tells whoever waits for one.
func (s *Source) take(f transfer.Function) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.status.Functions, s.status.Trouble = s.status.Functions+1, ""
	s.newest, s.came = f, time.Now()
	close(s.changed)
	s.changed = make(chan struct{})
}

// Function waits for one that holds nothing of what was before settle from now:
// it has to come a whole averaging time later. Errors: the source is not
// connected, sends nothing for longer than that and silence, or ctx ends.
func (s *Source) Function(ctx context.Context, settle time.Duration) (transfer.Function, error) {
	clean := time.Now().Add(settle + time.Duration(s.mapping.AveragingSec*float64(time.Second)))
	ctx, cancel := context.WithDeadlineCause(ctx, clean.Add(silence), errors.New("it sends no function"))
	defer cancel()
	for {
		s.mu.Lock()
		f, came, changed, status := s.newest, s.came, s.changed, s.status
		s.mu.Unlock()
		if came.After(clean) {
			return f, nil
		}
		if !status.Connected {
			return transfer.Function{}, fmt.Errorf("source of microphone %q is not connected: %s", s.mapping.Microphone, status.Trouble)
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return transfer.Function{}, fmt.Errorf("source of microphone %q: %w", s.mapping.Microphone, trouble(ctx, status))
		}
	}
}

// trouble is why waiting ended, and what was wrong with what came instead.
func trouble(ctx context.Context, s Status) error {
	err := context.Cause(ctx)
	if s.Trouble != "" {
		return fmt.Errorf("%w that can be read: %s", err, s.Trouble)
	}
	return err
}
