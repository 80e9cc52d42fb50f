package feed

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/gorilla/websocket"
)

// outgoing is one message for a link's writer: text or binary, or a close
// with its code and reason, after which the writer ends.
type outgoing struct {
	kind   int // websocket.TextMessage, BinaryMessage or CloseMessage
	data   []byte
	code   int    // with CloseMessage
	reason string // with CloseMessage
}

func text(message any) outgoing {
	return outgoing{kind: websocket.TextMessage, data: encode(message)}
}

func farewell(code int, reason string) outgoing {
	return outgoing{kind: websocket.CloseMessage, code: code, reason: reason}
}

// link is one websocket connection, either side. The library allows one
// reader and one writer: write is the writer, the link's owner reads and
// closes readEnded when it stops. The writer closes the connection.
type link struct {
	conn       *websocket.Conn
	out        chan outgoing
	readEnded  chan struct{}
	writeEnded chan struct{}
}

var errClosed = errors.New("connection closed")

func newLink(conn *websocket.Conn) *link {
	conn.SetReadLimit(maxFrameBytes)
	return &link{
		conn: conn, out: make(chan outgoing, 16),
		readEnded: make(chan struct{}), writeEnded: make(chan struct{}),
	}
}

// push hands the writer a message. It may still be lost with the connection;
// once that has ended, push says so.
func (l *link) push(ctx context.Context, m outgoing) error {
	select {
	case <-l.writeEnded: // even if there is room in the queue
		return errClosed
	default:
	}
	select {
	case l.out <- m:
		return nil
	case <-l.writeEnded:
		return errClosed
	case <-ctx.Done():
		return ctx.Err()
	}
}

// write sends what is pushed, and a ping at each tick, until a close was sent
// and answered, stop closes (then it says 1001, going away), a write fails or
// the reader ends.
func (l *link) write(stop <-chan struct{}, ping <-chan time.Time) {
	defer close(l.writeEnded)
	defer l.conn.Close()
	for {
		m := outgoing{kind: websocket.PingMessage}
		select {
		case m = <-l.out:
		case <-ping:
		case <-stop:
			m = farewell(websocket.CloseGoingAway, "the hub is closing")
		case <-l.readEnded:
			return
		}
		if m.kind == websocket.CloseMessage {
			m.data = websocket.FormatCloseMessage(m.code, fitReason(m.reason))
		}
		_ = l.conn.SetWriteDeadline(time.Now().Add(writePatience)) // never fails
		if err := l.conn.WriteMessage(m.kind, m.data); err != nil {
			return // closing the connection tells the reader
		}
		if m.kind == websocket.CloseMessage {
			select {
			case <-l.readEnded: // the other side has answered, or is gone
			case <-time.After(closePatience):
			}
			return
		}
	}
}

// read waits for the next message; patience is how long the other side may
// stay silent.
func (l *link) read(patience time.Duration) (kind int, data []byte, err error) {
	if err := l.conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
		return 0, nil, err
	}
	return l.conn.ReadMessage()
}

// drain reads until the connection ends, for a close is only answered by
// somebody who reads.
func (l *link) drain() {
	for {
		if _, _, err := l.conn.NextReader(); err != nil {
			return
		}
	}
}

// fitReason cuts a close reason to the 123 bytes that RFC 6455, section 5.5,
// leaves for it.
func fitReason(reason string) string {
	return strings.ToValidUTF8(reason[:min(len(reason), 123)], "")
}
