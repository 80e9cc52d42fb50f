package feed

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// samplePatience is how long a capture waits for the next samples, and for the
// answer to its mark, before it calls the microphone silent.
const samplePatience = 3 * time.Second

// slowPatience is how many times samplePatience a capture may take longer than
// its own samples last: a busy machine is late, a slow sender never comes.
const slowPatience = 3

// Hub takes the agents' connections in and cuts captures out of their audio.
// Make one with NewHub; it is an http.Handler for the agents' address.
type Hub struct {
	microphones []string
	rate        int
	token       string
	patience    time.Duration // samplePatience

	mu      sync.Mutex
	closed  bool
	lines   map[string]*line // by microphone, while connected
	serving sync.WaitGroup
	stop    chan struct{} // closed by Close
}

// Recording is a span of consecutive samples of both channels, full scale ±1.
type Recording struct {
	Rate                  int    // samples per second
	First                 uint64 // index of the first sample, as the agent counts
	Reference, Microphone []float64
}

// Status is what a hub knows of one microphone.
type Status struct {
	Microphone string
	Connected  bool
	Rate       int
	LevelDB    float64 // rms of the microphone channel over the last second, dB re full scale, at least -150
	Clipped    bool    // a sample of that second reached full scale
	Gaps       int     // breaks in the audio since it connected
}

// NewHub makes a hub for the named microphones, all at one sample rate. Agents
// must show the token; an empty token lets nobody in.
func NewHub(microphones []string, rate int, token string) *Hub {
	return &Hub{
		microphones: slices.Clone(microphones), rate: rate, token: token, patience: samplePatience,
		lines: map[string]*line{}, stop: make(chan struct{}),
	}
}

// ServeHTTP takes one agent's connection and stays with it until it ends.
func (h *Hub) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !h.enter() {
		http.Error(w, "the hub is closed", http.StatusServiceUnavailable)
		return
	}
	defer h.serving.Done()
	if status, why := h.refuse(r); status != 0 {
		http.Error(w, why, status)
		return
	}
	upgrader := websocket.Upgrader{
		HandshakeTimeout: helloPatience,
		ReadBufferSize:   32 << 10,
		Subprotocols:     []string{Subprotocol},
		CheckOrigin:      func(*http.Request) bool { return true }, // refuse has seen to it
	}
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return // the upgrader has answered
	}
	h.serve(newLink(conn))
}

// enter counts a connection in, unless the hub is closed.
func (h *Hub) enter() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return false
	}
	h.serving.Add(1)
	return true
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
	if !slices.Contains(websocket.Subprotocols(r), Subprotocol) {
		return http.StatusBadRequest, "want websocket subprotocol " + Subprotocol
	}
	return 0, ""
}

// serve is the connection's reader. What it refuses it says before closing.
func (h *Hub) serve(l *link) {
	ticker := time.NewTicker(pingEvery)
	defer ticker.Stop()
	go l.write(h.stop, ticker.C)
	defer func() {
		close(l.readEnded)
		<-l.writeEnded
	}()
	l.conn.SetPongHandler(func(string) error {
		return l.conn.SetReadDeadline(time.Now().Add(readPatience))
	})
	_, data, err := l.read(helloPatience)
	if err != nil {
		return
	}
	var ln *line
	said, err := readHello(data, h.microphones, h.rate)
	if err == nil {
		ln, err = h.join(said, l)
	}
	if err == nil {
		defer h.leave(ln)
		err = ln.listen()
	}
	if err != nil {
		background := context.Background()
		_ = l.push(background, text(note{Type: typeError, Message: err.Error()})) // fails only when closed
		_ = l.push(background, farewell(websocket.ClosePolicyViolation, err.Error()))
		l.drain()
	}
}

// join enters an agent as its microphone's one connection and welcomes it.
func (h *Hub) join(said Hello, l *link) (*line, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.lines[said.Microphone] != nil {
		return nil, fmt.Errorf("hello: microphone %q is already connected; close the other agent first", said.Microphone)
	}
	// The welcome is queued before anybody can find the line and send a mark.
	if err := l.push(context.Background(), text(note{Type: typeWelcome})); err != nil {
		return nil, err
	}
	ln := &line{link: l, tape: newTape(h.rate), waiting: map[uint32]chan uint64{}}
	h.lines[said.Microphone] = ln
	return ln, nil
}

func (h *Hub) leave(ln *line) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for name, other := range h.lines {
		if other == ln {
			delete(h.lines, name)
		}
	}
}

func (h *Hub) line(microphone string) *line {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.lines[microphone]
}

// Capture waits for length samples of a microphone that begin settle samples
// after the one being taken now. A gap inside starts it over, once. It fails
// when the microphone is not connected or goes away, when no samples come for
// three seconds, when the gap happens again, and when ctx ends.
func (h *Hub) Capture(ctx context.Context, microphone string, settle, length int) (Recording, error) {
	if settle < 0 || length <= 0 {
		return Recording{}, fmt.Errorf("capture at microphone %q: settle %d and length %d samples, want at least 0 and 1", microphone, settle, length)
	}
	r, err := h.capture(ctx, microphone, settle, length)
	if errors.Is(err, errGap) {
		r, err = h.capture(ctx, microphone, settle, length)
	}
	if err != nil {
		return Recording{}, fmt.Errorf("capture at microphone %q: %w", microphone, err)
	}
	return r, nil
}

func (h *Hub) capture(ctx context.Context, microphone string, settle, length int) (Recording, error) {
	ln := h.line(microphone)
	if ln == nil {
		return Recording{}, errors.New("not connected")
	}
	at, err := ln.mark(ctx, h.patience)
	if err != nil {
		return Recording{}, err
	}
	r := Recording{Rate: h.rate, First: at + uint64(settle)}
	whole := time.Duration(settle+length) * time.Second / time.Duration(h.rate)
	late := time.After(whole + slowPatience*h.patience)
	for {
		more, err := ln.tape.read(&r, length)
		if err != nil || len(r.Reference) == length {
			return r, err
		}
		select {
		case <-more:
		case <-ln.readEnded:
			return r, errClosed
		case <-time.After(h.patience):
			return r, fmt.Errorf("no samples for %v", h.patience)
		case <-late:
			return r, fmt.Errorf("%d of %d samples after %v: it sends too slowly", len(r.Reference), length, whole+slowPatience*h.patience)
		case <-ctx.Done():
			return r, ctx.Err()
		}
	}
}

// Status lists the microphones in the order NewHub was given.
func (h *Hub) Status() []Status {
	list := make([]Status, len(h.microphones))
	for i, name := range h.microphones {
		list[i] = Status{Microphone: name, Rate: h.rate, LevelDB: silenceDB}
		if ln := h.line(name); ln != nil {
			list[i].Connected = true
			list[i].LevelDB, list[i].Clipped, list[i].Gaps = ln.tape.level()
		}
	}
	return list
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
