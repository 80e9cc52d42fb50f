package feed

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/protocol"
)

func measurer(microphone string) string {
	return fmt.Sprintf(`{"type":"hello","microphone":%q,"session":"session-of-the-test","sends":"functions"}`, microphone)
}

func oneFunction(id uint32, levelDB float64) []byte {
	return fmt.Appendf(nil, `{"type":"function","id":%d,"freqHz":[40,50],"levelDB":[%g,-20],"phaseRad":[0,1.5],"coherence":[0.99,0.5],"averages":8}`, id, levelDB)
}

// A function is asked for once it has settled, and is the answer to that very
// question: answers to others, late ones, are nobody's.
func TestFunction(t *testing.T) {
	hub, url := rig(t)
	conn := dial(t, url, measurer("rear"))
	if n := hear(t, conn); n["type"] != "welcome" {
		t.Fatal(n)
	}
	if s := hub.Feed("rear"); !s.Connected || !s.Functions || s.Rate != 0 || !math.IsNaN(s.LevelDB) {
		t.Errorf("status %+v", s)
	}
	asked := time.Now()
	go func() {
		var n protocol.Note
		if conn.ReadJSON(&n) != nil {
			return
		}
		level := 1.0
		if time.Since(asked) < 50*time.Millisecond {
			level = 99
		}
		_ = conn.WriteMessage(websocket.TextMessage, oneFunction(n.ID+7, 50))
		_ = conn.WriteMessage(websocket.TextMessage, oneFunction(n.ID, level))
		_ = conn.WriteMessage(websocket.TextMessage, oneFunction(n.ID, 70))
	}()
	f, err := hub.Function(within(t), "rear", 50*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(20*math.Log10(cmplx.Abs(f.H[0]))-1) > 1e-9 || math.Abs(cmplx.Phase(f.H[1])-1.5) > 1e-12 || f.Averages != 8 || f.FreqHz[1] != 50 {
		t.Errorf("%+v", f)
	}
}

// A connection that is lost while it measures is waited for, and asked again.
func TestFunctionSurvivesADrop(t *testing.T) {
	hub, url := rig(t)
	conn := dial(t, url, measurer("rear"))
	hear(t, conn) // welcome
	type result struct {
		levelDB float64
		err     error
	}
	got := make(chan result)
	go func() {
		f, err := hub.Function(within(t), "rear", 0)
		if err != nil {
			got <- result{err: err}
			return
		}
		got <- result{levelDB: 20 * math.Log10(cmplx.Abs(f.H[0]))}
	}()
	if n := hear(t, conn); n["type"] != "mark" {
		t.Fatal(n)
	}
	conn.NetConn().Close()
	again := dial(t, url, measurer("rear"))
	hear(t, again) // welcome
	n := hear(t, again)
	if n["type"] != "mark" {
		t.Fatal(n)
	}
	if err := again.WriteMessage(websocket.TextMessage, oneFunction(uint32(n["id"].(float64)), -3)); err != nil {
		t.Fatal(err)
	}
	if r := <-got; r.err != nil || math.Abs(r.levelDB+3) > 1e-9 {
		t.Errorf("%+v", r)
	}
}

func TestFunctionFails(t *testing.T) {
	hub, url := rig(t)
	hub.patience.function, hub.patience.resume = 50*time.Millisecond, 50*time.Millisecond
	connect(t, hub, url, "front")
	conn := dial(t, url, measurer("rear"))
	hear(t, conn) // welcome
	for microphone, want := range map[string]string{
		"front": `function at microphone "front": its agent sends audio, want functions`,
		"rear":  `function at microphone "rear": no answer to a mark for 50ms`,
		"side":  `function at microphone "side": not connected`,
	} {
		if _, err := hub.Function(within(t), microphone, 0); err == nil || err.Error() != want {
			t.Errorf("%v, want %s", err, want)
		}
	}
	if _, err := hub.Capture(within(t), "rear", 0, 1); err == nil || !strings.Contains(err.Error(), "sends functions, want audio") {
		t.Errorf("audio of one that has none: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := hub.Function(ctx, "rear", time.Hour); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// What is no function of ours ends the connection with a reason, as audio does.
func TestBrokenFunctionsEndTheConnection(t *testing.T) {
	frame := protocol.EncodeFrame(protocol.Frame{Samples: values(0, 10)}, protocol.Layout{})
	for _, c := range []struct {
		kind int
		data []byte
		want string
	}{
		{websocket.BinaryMessage, frame, "sends functions, and they are text"},
		{websocket.TextMessage, []byte(`{"type":"mark","id":1,"sample":5}`), `type "mark", want "function"`},
		{websocket.TextMessage, []byte(strings.Replace(string(oneFunction(1, 0)), "0.99", "1.5", 1)), "coherence 1.5 at 40 Hz"},
		{websocket.TextMessage, make([]byte, protocol.MaxTextBytes+1), "message too long: over 2097152 bytes"},
	} {
		hub, url := rig(t)
		conn := dial(t, url, measurer("rear"))
		hear(t, conn) // welcome
		if err := conn.WriteMessage(c.kind, c.data); err != nil {
			t.Fatal(err)
		}
		wantRefusal(t, conn, c.want)
		if s := hub.Feed("rear"); !strings.Contains(s.Trouble, c.want) {
			t.Errorf("status %+v, want trouble with %q", s, c.want)
		}
	}
}
