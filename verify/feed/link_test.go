package feed

import (
	"context"
	"errors"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/gorilla/websocket"
)

// ends is a connection seen from both sides: a link with its writer running,
// and the bare other side. Sending on ping makes the link ping; closing stop
// makes it say that it goes away.
type ends struct {
	link  *link
	other *websocket.Conn
	ping  chan time.Time
	stop  chan struct{}
}

func wire(t *testing.T) ends {
	t.Helper()
	e := ends{ping: make(chan time.Time), stop: make(chan struct{})}
	accepted := make(chan *link, 1)
	upgrader := websocket.Upgrader{}
	url := serveRaw(t, func(w http.ResponseWriter, r *http.Request) {
		conn, err := upgrader.Upgrade(w, r, nil)
		if err != nil {
			close(accepted)
			return
		}
		accepted <- newLink(conn)
	})
	other, _, err := websocket.DefaultDialer.DialContext(within(t), url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := other.SetReadDeadline(time.Now().Add(30 * time.Second)); err != nil {
		t.Fatal(err)
	}
	e.other, e.link = other, <-accepted
	if e.link == nil {
		t.Fatal("the server refused the connection")
	}
	go e.link.write(e.stop, e.ping)
	t.Cleanup(func() {
		other.Close()
		select {
		case <-e.link.readEnded:
		default:
			close(e.link.readEnded)
		}
		<-e.link.writeEnded
	})
	return e
}

func TestLinkPingsAtEachTick(t *testing.T) {
	e := wire(t)
	pinged := make(chan struct{}, 3)
	e.other.SetPingHandler(func(string) error { pinged <- struct{}{}; return nil })
	go func() { _, _, _ = e.other.ReadMessage() }() // handles pings until the end
	for range 3 {
		e.ping <- time.Time{}
		select {
		case <-pinged:
		case <-within(t).Done():
			t.Fatal("a tick without a ping")
		}
	}
}

// A peer that has lost its network says nothing at all, not even goodbye.
func TestLinkNoticesADeadPeer(t *testing.T) {
	e := wire(t)
	_, _, err := e.link.read(20 * time.Millisecond)
	var timeout net.Error
	if !errors.As(err, &timeout) || !timeout.Timeout() {
		t.Errorf("read from a silent peer: %v, want a timeout", err)
	}
}

// Everything pushed before a farewell arrives before it, and nothing can be
// pushed once it is over.
func TestLinkSaysGoodbyeLast(t *testing.T) {
	e := wire(t)
	for _, m := range []outgoing{text([]byte(`"one"`)), text([]byte(`"two"`)), farewell(websocket.CloseNormalClosure, "done")} {
		if err := e.link.push(within(t), m); err != nil {
			t.Fatal(err)
		}
	}
	for _, want := range []string{`"one"`, `"two"`} {
		if _, got, err := e.other.ReadMessage(); err != nil || string(got) != want {
			t.Errorf("got %s, %v; want %s", got, err, want)
		}
	}
	var bye *websocket.CloseError
	if _, _, err := e.other.ReadMessage(); !errors.As(err, &bye) || bye.Code != websocket.CloseNormalClosure || bye.Text != "done" {
		t.Errorf("got %v, want close 1000 with its reason", err)
	}
	e.link.drain() // hears the answer
	close(e.link.readEnded)
	<-e.link.writeEnded
	if err := e.link.push(within(t), text(nil)); !errors.Is(err, errClosed) {
		t.Errorf("push after the end: %v, want %v", err, errClosed)
	}
}

func TestLinkGoesAwayWhenStopped(t *testing.T) {
	e := wire(t)
	close(e.stop)
	if _, _, err := e.other.ReadMessage(); !websocket.IsCloseError(err, websocket.CloseGoingAway) {
		t.Errorf("got %v, want close 1001", err)
	}
}

// The writer gives up when the other side is gone, and so does a push that
// waits for room.
func TestPushGivesUp(t *testing.T) {
	stuck := &link{out: make(chan outgoing), writeEnded: make(chan struct{})}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := stuck.push(ctx, text(nil)); !errors.Is(err, context.Canceled) {
		t.Errorf("push with a cancelled context: %v", err)
	}
	close(stuck.writeEnded)
	if err := stuck.push(context.Background(), text(nil)); !errors.Is(err, errClosed) {
		t.Errorf("push on an ended link: %v", err)
	}
}

func TestReasonsFit(t *testing.T) {
	for _, reason := range []string{"", "short", strings.Repeat("x", 123), strings.Repeat("x", 500), strings.Repeat("é", 100), "x" + strings.Repeat("é", 100)} {
		got := fitReason(reason)
		if len(got) > 123 || len(got) < min(len(reason), 122) || !utf8.ValidString(got) || !strings.HasPrefix(reason, got) {
			t.Errorf("%q cut to %q (%d bytes)", reason, got, len(got))
		}
	}
}
