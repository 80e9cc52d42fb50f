package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/protocol"
)

// line is one connection to a daemon. Its listener reads; both that and the
// agent's own goroutine write.
type line struct {
	conn   *websocket.Conn
	layout protocol.Layout
	seq    uint32 // of the next frame
	took   bool   // samples were acknowledged; the listener's until it ends

	writing sync.Mutex
}

// dial connects, says hello and waits for the welcome, which names the first
// sample that is wanted. The error carries the daemon's reason.
func dial(ctx context.Context, url, token string, said protocol.Hello) (*line, uint64, error) {
	dialer := websocket.Dialer{HandshakeTimeout: protocol.HelloPatience, Subprotocols: []string{protocol.Subprotocol}}
	conn, resp, err := dialer.DialContext(ctx, url, http.Header{"Authorization": {"Bearer " + token}})
	if err != nil {
		return nil, 0, fmt.Errorf("connect to %s: %w%s", url, err, reply(resp))
	}
	conn.SetReadLimit(protocol.MaxTextBytes)
	l := &line{conn: conn, layout: said.Layout}
	conn.SetPingHandler(func(data string) error {
		return errors.Join(l.awake(protocol.Silence), conn.WriteControl(websocket.PongMessage, []byte(data), time.Now().Add(protocol.WritePatience)))
	})
	hangUp := context.AfterFunc(ctx, func() { conn.Close() })
	next, err := l.greet(said)
	if !hangUp() {
		err = ctx.Err()
	}
	if err != nil {
		conn.Close()
		return nil, 0, fmt.Errorf("connect to %s: %w", url, err)
	}
	return l, next, nil
}

// reply is what the daemon said when it refused the handshake.
func reply(resp *http.Response) string {
	if resp == nil {
		return ""
	}
	body, _ := io.ReadAll(resp.Body) // the dialer has cut it to 1 KiB, in memory
	return fmt.Sprintf(": %s: %s", resp.Status, strings.TrimSpace(string(body)))
}

func (l *line) greet(said protocol.Hello) (next uint64, err error) {
	hello, err := said.Encode()
	if err == nil {
		err = l.write(websocket.TextMessage, hello)
	}
	if err != nil {
		return 0, err
	}
	note, err := l.hear(protocol.HelloPatience)
	if err == nil && note.Type != protocol.TypeWelcome {
		err = fmt.Errorf("it said %q", note.Type)
	}
	if err != nil {
		return 0, fmt.Errorf("no welcome: %w", err)
	}
	return note.Next, nil
}

// hear waits for the next note; one that sends the agent away is an error.
func (l *line) hear(patience time.Duration) (protocol.Note, error) {
	if err := l.awake(patience); err != nil {
		return protocol.Note{}, err
	}
	_, data, err := l.conn.ReadMessage()
	if err != nil {
		return protocol.Note{}, err
	}
	note, err := protocol.ReadNote(data)
	if err == nil && note.Type == protocol.TypeError {
		err = errors.New(note.Message)
	}
	return note, err
}

// awake is how long the daemon may say nothing from now on.
func (l *line) awake(patience time.Duration) error {
	return l.conn.SetReadDeadline(time.Now().Add(patience))
}

// listen answers marks and takes acknowledgements until the connection ends,
// which is the error.
func (l *line) listen(a *Agent) error {
	for {
		note, err := l.hear(protocol.Silence)
		if err != nil {
			return fmt.Errorf("connection to %s ended: %w", a.url, err)
		}
		switch note.Type {
		case protocol.TypeMark:
			// What a failed write means, the next read tells.
			_ = l.write(websocket.TextMessage, protocol.EncodeSample(note.ID, a.sample()))
		case protocol.TypeAck:
			l.took = true
			a.taken(note.Next)
		}
	}
}

func (l *line) send(f protocol.Frame) error {
	f.Seq = l.seq
	l.seq++
	return l.write(websocket.BinaryMessage, protocol.EncodeFrame(f, l.layout))
}

// write fails on a connection that has ended. The listener then has a moment to
// hear why.
func (l *line) write(kind int, data []byte) error {
	l.writing.Lock()
	defer l.writing.Unlock()
	err := l.conn.SetWriteDeadline(time.Now().Add(protocol.WritePatience))
	if err == nil {
		err = l.conn.WriteMessage(kind, data)
	}
	if err != nil {
		return errors.Join(err, l.awake(time.Second))
	}
	return nil
}

// bye says goodbye, if that can still be said, and hangs up.
func (l *line) bye() {
	goodbye := websocket.FormatCloseMessage(websocket.CloseNormalClosure, "")
	_ = l.conn.WriteControl(websocket.CloseMessage, goodbye, time.Now().Add(time.Second))
	l.conn.Close()
}
