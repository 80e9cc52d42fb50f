package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"hushback/cmd/internal/dashboard/pages"
)

// The pace of a live page. It sends a beat every second and one more for each
// picture it has taken in.
const (
	maxLive     = 64
	writeWithin = 5 * time.Second  // or the page is dropped
	silentAfter = 10 * time.Second // without a beat the page is gone
	stalledAt   = 10 * time.Second // with a picture not taken in, the page is too slow
	farewell    = time.Second      // for the page to answer a close
	maxBeat     = 256              // bytes
)

// Close codes of our own, beside those of RFC 6455.
const (
	closeStalled = 4001 // too slow for pictures; come back when there is room
	closeExpired = 4002 // the pairing is over
)

// frame goes to the page: a heartbeat's answer, or with Sections a picture.
type frame struct {
	Seq      uint64            `json:"seq"`                // of the last picture sent
	NowMs    int64             `json:"now"`                // the daemon's clock, Unix milliseconds: the page's own may be wrong
	Sections map[string]string `json:"sections,omitempty"` // HTML by element id
}

// beat comes from the page.
type beat struct {
	Seen int64 `json:"seen"` // Seq of the last picture taken in, -1 before the first
}

func parseBeat(text []byte) (beat, error) {
	b := beat{Seen: -1}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&b); err != nil {
		return b, err
	}
	if _, err := dec.Token(); err != io.EOF {
		return b, io.ErrUnexpectedEOF
	}
	return b, nil
}

// livePages knows who is connected, so that Close can wait for them: http.Server
// does not count hijacked connections.
type livePages struct {
	mu      sync.Mutex
	ctx     context.Context
	cancel  context.CancelFunc
	open    int
	running sync.WaitGroup
}

func (l *livePages) init() { l.ctx, l.cancel = context.WithCancel(context.Background()) }

func (l *livePages) enter() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.ctx.Err() != nil || l.open >= maxLive {
		return false
	}
	l.open++
	l.running.Add(1)
	return true
}

func (l *livePages) leave() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open--
	l.running.Done()
}

func (l *livePages) count() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.open
}

func (l *livePages) close() {
	l.mu.Lock()
	l.cancel()
	l.mu.Unlock()
	l.running.Wait()
}

// carrier is how pictures get to a page and its beats come back.
type carrier interface {
	send(f frame, within time.Duration) error
	beats() <-chan beat
	gone() <-chan struct{}      // closed when the page is gone, silent, or talks nonsense
	close(code int, why string) // so that the page sees the reason rather than a broken connection
	end()                       // after which nothing of it runs
}

// live serves a page that follows the daemon, by the carrier that open makes of
// the request; without one it has answered by itself.
func (s *Server) live(open func(http.ResponseWriter, *http.Request) carrier) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		page, known := pages.Find(r.URL.Query().Get("page"))
		if !known {
			s.refuse(w, r, http.StatusNotFound, "there is no such page to follow")
			return
		}
		if !s.following.enter() {
			s.refuse(w, r, http.StatusServiceUnavailable, "no room for another live page")
			return
		}
		defer s.following.leave()
		by := open(w, r)
		if by == nil {
			return
		}
		defer by.end()
		f := follower{server: s, request: r, page: page, by: by, sent: map[string]string{}, patience: writeWithin}
		f.serve(s.following.ctx)
	}
}

// follower is one page that is kept up to date.
type follower struct {
	server  *Server
	request *http.Request // which says whose page it is
	page    pages.Page
	by      carrier

	sent     map[string]string // what the page has, by part
	seq      uint64            // of the last picture sent
	patience time.Duration     // with one write
}

// serve sends the picture and then what changes in it. At most one picture is
// under way: the next waits until the page says that it has taken this one in,
// and then shows the newest state. So a slow page skips pictures, no queue
// grows, and what the network has swallowed is never mistaken for seen.
func (f *follower) serve(ctx context.Context) {
	changed, stop := f.server.desk.Watch()
	defer stop()
	handed, unwatch := f.server.door.Watch()
	defer unwatch()
	stalled := time.NewTimer(stalledAt)
	stalled.Stop()
	news, underWay := true, false
	for {
		if news && !underWay {
			sent, err := f.push()
			if err != nil {
				return
			}
			if news, underWay = false, sent; sent {
				stalled.Reset(stalledAt)
			}
		}
		select {
		case <-ctx.Done():
			f.goodbye()
			return
		case <-f.by.gone():
			return
		case <-stalled.C:
			f.by.close(closeStalled, "too slow")
			return
		case _, open := <-changed:
			if !open {
				f.goodbye()
				return
			}
			news = true
		case <-handed:
			news = true
		case b := <-f.by.beats():
			if underWay && b.Seen >= 0 && uint64(b.Seen) == f.seq {
				underWay = false
				stalled.Stop()
			}
			if f.answer() != nil {
				return
			}
		}
	}
}

var errExpired = errors.New("the pairing is over")

// answer tells the page that it was heard, unless its pairing is over.
func (f *follower) answer() error {
	if _, known := f.server.door.Who(f.request); !known {
		f.by.close(closeExpired, errExpired.Error())
		return errExpired
	}
	f.server.door.Heard(f.request)
	return f.by.send(frame{Seq: f.seq, NowMs: time.Now().UnixMilli()}, f.patience)
}

// push sends the parts of the page that differ from what the phone has.
func (f *follower) push() (sent bool, err error) {
	seat, known := f.server.seat(f.request)
	if !known {
		f.by.close(closeExpired, errExpired.Error())
		return false, errExpired
	}
	seq, parts, err := f.server.painter.Paint(f.server.desk.View(), seat)
	if err != nil {
		slog.Error("live picture", "err", err)
		f.by.close(websocket.CloseInternalServerErr, "the picture could not be drawn")
		return false, err
	}
	changed := map[string]string{}
	for _, id := range f.page.Parts() {
		if old, has := f.sent[id]; !has || old != parts[id] {
			changed[id] = parts[id]
		}
	}
	if len(changed) == 0 {
		return false, nil
	}
	f.sent, f.seq = parts, seq
	return true, f.by.send(frame{Seq: seq, NowMs: time.Now().UnixMilli(), Sections: changed}, f.patience)
}

// goodbye shows how things stood when the daemon ended, whether or not the page
// has taken the last picture in, since there will be no other.
func (f *follower) goodbye() {
	f.patience = farewell
	if _, err := f.push(); err == nil {
		f.by.close(websocket.CloseGoingAway, "the daemon ends")
	}
}
