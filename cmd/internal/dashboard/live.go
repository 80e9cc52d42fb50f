package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"hushback/cmd/internal/dashboard/access"
	"hushback/cmd/internal/dashboard/pages"
)

// The pace of a live socket. The page sends a beat every second and one more
// for each picture it has taken in.
const (
	maxSockets  = 64
	writeWithin = 5 * time.Second  // or the socket is dropped
	silentAfter = 10 * time.Second // without a beat the page is gone
	stalledAt   = 10 * time.Second // with a picture not taken in, the page is too slow
	farewell    = time.Second      // for the page to answer a close
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

// liveSockets knows who is connected, so that Close can wait for them:
// http.Server does not count hijacked connections.
type liveSockets struct {
	mu      sync.Mutex
	ctx     context.Context
	cancel  context.CancelFunc
	open    int
	running sync.WaitGroup
}

func (l *liveSockets) init() { l.ctx, l.cancel = context.WithCancel(context.Background()) }

func (l *liveSockets) enter() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.ctx.Err() != nil || l.open >= maxSockets {
		return false
	}
	l.open++
	l.running.Add(1)
	return true
}

func (l *liveSockets) leave() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open--
	l.running.Done()
}

func (l *liveSockets) close() {
	l.mu.Lock()
	l.cancel()
	l.mu.Unlock()
	l.running.Wait()
}

// stream serves one live socket until it, the session or the server ends.
func (s *Server) stream(w http.ResponseWriter, r *http.Request) {
	page, known := pages.Find(r.URL.Query().Get("page"))
	if !known {
		s.refuse(w, r, http.StatusNotFound, "there is no such page to follow")
		return
	}
	if !s.live.enter() {
		s.refuse(w, r, http.StatusServiceUnavailable, "no room for another live page")
		return
	}
	defer s.live.leave()
	upgrader := websocket.Upgrader{HandshakeTimeout: writeWithin, CheckOrigin: access.SameOrigin}
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return // the upgrader has answered
	}
	who, _ := s.door.Who(r)
	ctx, cancel := context.WithDeadline(s.live.ctx, who.Until)
	defer cancel()
	changed, stop := s.desk.Watch()
	defer stop()
	newSocket(s, conn, page).serve(ctx, changed)
}

// socket is one connected page. The goroutine that runs serve writes; one more
// reads.
type socket struct {
	server *Server
	conn   *websocket.Conn
	page   pages.Page
	beats  chan beat
	done   chan struct{} // closed when serve is over
	read   chan struct{} // closed when reading is over

	sent     map[string]string // what the page has, by section
	seq      uint64            // of the last picture sent
	patience time.Duration     // with one write
}

func newSocket(s *Server, conn *websocket.Conn, page pages.Page) *socket {
	return &socket{
		server: s, conn: conn, page: page, sent: map[string]string{}, patience: writeWithin,
		beats: make(chan beat), done: make(chan struct{}), read: make(chan struct{}),
	}
}

// serve sends the picture and then what changes in it. At most one picture is
// under way: the next waits until the page says that it has taken this one in,
// and then shows the newest state. So a slow page skips pictures, no queue
// grows, and what the network has swallowed is never mistaken for seen.
func (k *socket) serve(ctx context.Context, changed <-chan struct{}) {
	go k.listen()
	defer k.end()
	stalled := time.NewTimer(stalledAt)
	stalled.Stop()
	news, underWay := true, false
	for {
		if news && !underWay {
			sent, err := k.push()
			if err != nil {
				return
			}
			if news, underWay = false, sent; sent {
				stalled.Reset(stalledAt)
			}
		}
		select {
		case <-ctx.Done():
			k.bye(ctx)
			return
		case <-k.read:
			return
		case <-stalled.C:
			k.close(closeStalled, "too slow")
			return
		case _, open := <-changed:
			if !open {
				k.goodbye()
				return
			}
			news = true
		case b := <-k.beats:
			if underWay && b.Seen >= 0 && uint64(b.Seen) == k.seq {
				underWay = false
				stalled.Stop()
			}
			if k.write(frame{Seq: k.seq, NowMs: time.Now().UnixMilli()}) != nil {
				return
			}
		}
	}
}

// push sends the parts of the page that differ from what the phone has.
func (k *socket) push() (sent bool, err error) {
	seq, parts, err := k.server.painter.Paint(k.server.desk.View())
	if err != nil {
		slog.Error("live picture", "err", err)
		k.close(websocket.CloseInternalServerErr, "the picture could not be drawn")
		return false, err
	}
	changed := map[string]string{}
	for _, id := range k.page.Parts() {
		if old, has := k.sent[id]; !has || old != parts[id] {
			changed[id] = parts[id]
		}
	}
	if len(changed) == 0 {
		return false, nil
	}
	k.sent, k.seq = parts, seq
	return true, k.write(frame{Seq: seq, NowMs: time.Now().UnixMilli(), Sections: changed})
}

func (k *socket) write(f frame) error {
	text, err := json.Marshal(f)
	if err != nil {
		return err
	}
	if err := k.conn.SetWriteDeadline(time.Now().Add(k.patience)); err != nil {
		return err
	}
	return k.conn.WriteMessage(websocket.TextMessage, text)
}

// listen reads beats until the page is gone, silent, or talks nonsense.
func (k *socket) listen() {
	defer close(k.read)
	k.conn.SetReadLimit(256)
	for {
		if k.conn.SetReadDeadline(time.Now().Add(silentAfter)) != nil {
			return
		}
		_, text, err := k.conn.ReadMessage()
		if err != nil {
			return
		}
		b, err := parseBeat(text)
		if err != nil {
			return
		}
		select {
		case k.beats <- b:
		case <-k.done:
			return
		}
	}
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

func (k *socket) bye(ctx context.Context) {
	if ctx.Err() == context.DeadlineExceeded {
		k.close(closeExpired, "the pairing is over")
		return
	}
	k.goodbye()
}

// goodbye shows how things stood when the daemon ended, whether or not the page
// has taken the last picture in, since there will be no other.
func (k *socket) goodbye() {
	k.patience = farewell
	if _, err := k.push(); err == nil {
		k.close(websocket.CloseGoingAway, "the daemon ends")
	}
}

// close says why and gives the page a moment to answer, so that it sees the
// reason rather than a broken connection.
func (k *socket) close(code int, why string) {
	message := websocket.FormatCloseMessage(code, why)
	if k.conn.WriteControl(websocket.CloseMessage, message, time.Now().Add(farewell)) != nil {
		return
	}
	late := time.After(farewell)
	for {
		select {
		case <-k.beats: // so that reading gets as far as the page's answer
		case <-k.read:
			return
		case <-late:
			return
		}
	}
}

func (k *socket) end() {
	close(k.done)
	k.conn.Close()
	<-k.read
}
