package dashboard

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"sync"
	"time"

	"hushback/cmd/internal/dashboard/access"
)

// Where a live socket cannot be had (some phones refuse one to a page whose
// certificate nobody vouches for), the same pictures come as server-sent events,
// and the page's beats as presses that name the stream.

// eventStreams finds the stream that a beat is for.
type eventStreams struct {
	mu   sync.Mutex
	open map[string]*eventStream
}

func (s *eventStreams) add(e *eventStream) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.open == nil {
		s.open = map[string]*eventStream{}
	}
	s.open[e.name] = e
}

func (s *eventStreams) find(name string) *eventStream {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.open[name]
}

func (s *eventStreams) remove(e *eventStream) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, e.name)
}

// eventStream carries pictures as server-sent events.
type eventStream struct {
	name  string // a secret between the daemon and the page
	owner string // the phone that opened it
	all   *eventStreams
	w     http.ResponseWriter
	said  chan beat
	ctx   context.Context // ends when the page is gone or silent
	leave context.CancelFunc
	quiet *time.Timer
}

// openEvents opens a stream and tells the page its name.
func (s *Server) openEvents(w http.ResponseWriter, r *http.Request) carrier {
	if !access.NotForeign(r) {
		s.refuse(w, r, http.StatusForbidden, "this stream was asked for by another site")
		return nil
	}
	who, _ := s.door.Who(r)
	e := &eventStream{name: access.NewToken(), owner: who.Name, all: &s.streams, w: w, said: make(chan beat)}
	e.ctx, e.leave = context.WithCancel(r.Context())
	e.quiet = time.AfterFunc(silentAfter, e.leave)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Connection", "close") // its last write deadline is on it
	e.all.add(e)
	if e.write("stream", e.name, writeWithin) != nil {
		e.end()
		return nil
	}
	return e
}

func (e *eventStream) beats() <-chan beat    { return e.said }
func (e *eventStream) gone() <-chan struct{} { return e.ctx.Done() }

// write sends one event. Its data is one line.
func (e *eventStream) write(event, data string, within time.Duration) error {
	out := http.NewResponseController(e.w)
	if err := out.SetWriteDeadline(time.Now().Add(within)); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(e.w, "event: %s\ndata: %s\n\n", event, data); err != nil {
		return err
	}
	return out.Flush()
}

func (e *eventStream) send(f frame, within time.Duration) error {
	text, err := json.Marshal(f)
	if err != nil {
		return err
	}
	return e.write("frame", string(text), within)
}

func (e *eventStream) close(code int, _ string) {
	_ = e.write("bye", fmt.Sprint(code), farewell) // whoever does not read it sees the stream end
}

func (e *eventStream) end() {
	e.quiet.Stop()
	e.leave()
	e.all.remove(e)
}

// seen takes a beat for a stream, from the phone that opened it.
func (s *Server) seen(w http.ResponseWriter, r *http.Request) {
	who, _ := s.door.Who(r)
	e := s.streams.find(r.URL.Query().Get("stream"))
	if e == nil || e.owner != who.Name {
		http.Error(w, "there is no such stream; open one anew", http.StatusNotFound)
		return
	}
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBeat))
	b, wrong := parseBeat(text)
	if err != nil || wrong != nil {
		e.leave()
		http.Error(w, "this beat could not be read", http.StatusBadRequest)
		return
	}
	e.quiet.Reset(silentAfter)
	select {
	case e.said <- b:
		w.WriteHeader(http.StatusNoContent)
	case <-e.ctx.Done():
		http.Error(w, "the stream has ended; open one anew", http.StatusNotFound)
	case <-r.Context().Done():
	}
}
