package dashboard

import (
	"encoding/json"
	"net/http"
	"time"

	"github.com/gorilla/websocket"

	"hushback/cmd/internal/dashboard/access"
)

// socket carries pictures over a live socket. The goroutine that sends writes; one
// more reads.
type socket struct {
	conn *websocket.Conn
	said chan beat
	done chan struct{} // closed at the end
	read chan struct{} // closed when reading is over
}

func openSocket(w http.ResponseWriter, r *http.Request) carrier {
	upgrader := websocket.Upgrader{HandshakeTimeout: writeWithin, CheckOrigin: access.SameOrigin}
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return nil // the upgrader has answered
	}
	k := &socket{conn: conn, said: make(chan beat), done: make(chan struct{}), read: make(chan struct{})}
	go k.listen()
	return k
}

func (k *socket) beats() <-chan beat    { return k.said }
func (k *socket) gone() <-chan struct{} { return k.read }

func (k *socket) send(f frame, within time.Duration) error {
	text, err := json.Marshal(f)
	if err != nil {
		return err
	}
	if err := k.conn.SetWriteDeadline(time.Now().Add(within)); err != nil {
		return err
	}
	return k.conn.WriteMessage(websocket.TextMessage, text)
}

// listen reads beats until the page is gone, silent, or talks nonsense.
func (k *socket) listen() {
	defer close(k.read)
	k.conn.SetReadLimit(maxBeat)
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
		case k.said <- b:
		case <-k.done:
			return
		}
	}
}

// close says why and gives the page a moment to answer.
func (k *socket) close(code int, why string) {
	message := websocket.FormatCloseMessage(code, why)
	if k.conn.WriteControl(websocket.CloseMessage, message, time.Now().Add(farewell)) != nil {
		return
	}
	late := time.After(farewell)
	for {
		select {
		case <-k.said: // so that reading gets as far as the page's answer
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
