package feed

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/protocol"
)

// closePatience is how long the other side may take to answer a close.
const closePatience = time.Second

// outgoing is one message for a link's writer: text or binary, or a close
// with its code and reason, after which the writer ends.
type outgoing struct {
	kind   int // websocket.TextMessage, BinaryMessage or CloseMessage
	data   []byte
	code   int    // with CloseMessage
	reason string // with CloseMessage
}

func text(message []byte) outgoing {
	return outgoing{kind: websocket.TextMessage, data: message}
}

func farewell(code int, reason string) outgoing {
	return outgoing{kind: websocket.CloseMessage, code: code, reason: reason}
}

// link is one websocket connection. The library allows one
// reader and one writer: write is the writer, the link's owner reads and
// closes readEnded when it stops. The writer closes the connection.
type link struct {
	conn       *websocket.Conn
	out        chan outgoing
	readEnded  chan struct{}
	writeEnded chan struct{}

	most int           // bytes of a message that is read
	last bytes.Buffer  // the message that was read last
	due  chan struct{} // room for one: something is to be acknowledged
	ack  func() uint64 // says what, at the time it is sent; set before due is used
}

var (
	errClosed  = errors.New("connection closed")
	errTooLong = errors.New("message too long")
)

func newLink(conn *websocket.Conn) *link {
	return &link{
		conn: conn, most: protocol.MaxFrameBytes, out: make(chan outgoing, 16),
		readEnded: make(chan struct{}), writeEnded: make(chan struct{}), due: make(chan struct{}, 1),
	}
}

// acknowledge lets the writer send an acknowledgement when it comes to it; one
// then stands for all that were asked for.
func (l *link) acknowledge() {
	select {
	case l.due <- struct{}{}:
	default:
	}
}

// refuse says why, and goodbye. It fails only on a connection that has ended.
func (l *link) refuse(why error) {
	_ = l.push(context.Background(), text(protocol.Refusal(why)))
	_ = l.push(context.Background(), farewell(websocket.ClosePolicyViolation, why.Error()))
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
		case <-l.due:
			m = text(protocol.Ack(l.ack()))
		case <-ping:
		case <-stop:
			m = farewell(websocket.CloseGoingAway, "the hub is closing")
		case <-l.readEnded:
			return
		}
		if m.kind == websocket.CloseMessage {
			m.data = websocket.FormatCloseMessage(m.code, fitReason(m.reason))
		}
		_ = l.conn.SetWriteDeadline(time.Now().Add(protocol.WritePatience)) // never fails
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
// stay silent. The data is good until the next read. The library's own limit
// would close without a word.
func (l *link) read(patience time.Duration) (kind int, data []byte, err error) {
	if err := l.conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
		return 0, nil, err
	}
	kind, r, err := l.conn.NextReader()
	if err != nil {
		return 0, nil, err
	}
	l.last.Reset()
	if n, err := l.last.ReadFrom(io.LimitReader(r, int64(l.most)+1)); err != nil {
		return 0, nil, err
	} else if n > int64(l.most) {
		return 0, nil, fmt.Errorf("%w: over %d bytes", errTooLong, l.most)
	}
	return kind, l.last.Bytes(), nil
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
