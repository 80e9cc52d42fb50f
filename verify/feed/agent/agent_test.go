package agent

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/protocol"
)

const rate = 48000

// daemon is the other end, as a test plays it: each connection an agent makes
// comes out of calls, after its hello.
type daemon struct {
	url   string
	calls chan *call
}

type call struct {
	*websocket.Conn
	t     *testing.T
	hello protocol.Hello
	token string
}

func answering(t *testing.T) *daemon {
	t.Helper()
	before := runtime.NumGoroutine()
	d := &daemon{calls: make(chan *call, 16)}
	upgrader := websocket.Upgrader{Subprotocols: []string{protocol.Subprotocol}}
	ended := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		conn, err := upgrader.Upgrade(w, r, nil)
		if err != nil {
			return
		}
		defer conn.Close()
		_, text, err := conn.ReadMessage()
		if err != nil {
			return
		}
		hello, err := protocol.ReadHello(text, []string{"rear"})
		if err != nil {
			t.Error(err)
			return
		}
		d.calls <- &call{conn, t, hello, r.Header.Get("Authorization")}
		<-ended
	}))
	d.url = "ws" + strings.TrimPrefix(server.URL, "http")
	t.Cleanup(func() {
		close(ended)
		server.Close()
		for wait := time.Millisecond; runtime.NumGoroutine() > before; wait *= 2 {
			if wait > 10*time.Second {
				buf := make([]byte, 1<<16)
				t.Fatalf("goroutines left behind:\n%s", buf[:runtime.Stack(buf, true)])
			}
			time.Sleep(wait)
		}
	})
	return d
}

// next is the agent's next connection.
func (d *daemon) next(t *testing.T) *call {
	t.Helper()
	select {
	case c := <-d.calls:
		if err := c.SetReadDeadline(time.Now().Add(30 * time.Second)); err != nil {
			t.Fatal(err)
		}
		return c
	case <-time.After(30 * time.Second):
		t.Fatal("it does not come back")
		return nil
	}
}

func (c *call) say(text []byte) {
	c.t.Helper()
	if err := c.WriteMessage(websocket.TextMessage, text); err != nil {
		c.t.Fatal(err)
	}
}

// frame is the next frame that comes.
func (c *call) frame() protocol.Frame {
	c.t.Helper()
	kind, data, err := c.ReadMessage()
	if err != nil || kind != websocket.BinaryMessage {
		c.t.Fatalf("message of kind %d %q, %v", kind, data, err)
	}
	f, err := protocol.DecodeFrame(data, c.hello.Layout)
	if err != nil {
		c.t.Fatal(err)
	}
	return f
}

// samples reads frames, which must follow each other, up to an index.
func (c *call) samples(from, to uint64) {
	c.t.Helper()
	for seq := uint32(0); from < to; seq++ {
		f := c.frame()
		if f.Seq != seq || f.First != from || f.Count() > frameSamples {
			c.t.Fatalf("frame %d has %d samples from %d on, want number %d from %d", f.Seq, f.Count(), f.First, seq, from)
		}
		for i := range f.Count() {
			if want := value(from + uint64(i)); f.Samples[2*i] != want || f.Samples[2*i+1] != -want {
				c.t.Fatalf("sample %d: %v and %v, want ±%v", from+uint64(i), f.Samples[2*i], f.Samples[2*i+1], want)
			}
		}
		from = f.End()
	}
	if from != to {
		c.t.Fatalf("samples up to %d, want %d", from, to)
	}
}

func value(index uint64) float32 { return float32(index%9973) / 16384 }

func audio(first uint64, count int) []float32 {
	var s []float32
	for i := range uint64(count) {
		s = append(s, value(first+i), -value(first+i))
	}
	return s
}

func started(t *testing.T, url string) *Agent {
	t.Helper()
	a, err := Start(url, "token", protocol.Hello{Microphone: "rear", Rate: rate, Layout: protocol.Layout{Format: protocol.S24, MicrophoneFirst: true}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Close)
	return a
}

func await(t *testing.T, what string, happened func() bool) {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); !happened(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// What was not acknowledged comes again over the next connection, from the sample
// that the daemon wants, in the same session; what was, does not.
func TestResume(t *testing.T) {
	d := answering(t)
	a := started(t, d.url)
	if err := a.Send(audio(0, 3*frameSamples)); err != nil {
		t.Fatal(err)
	}
	first := d.next(t)
	if first.token != "Bearer token" || first.hello.Rate != rate || first.hello.Layout != (protocol.Layout{Format: protocol.S24, MicrophoneFirst: true}) {
		t.Errorf("token %q, hello %+v", first.token, first.hello)
	}
	first.say(protocol.Welcome(0))
	first.samples(0, 3*frameSamples)
	first.say(protocol.Ack(frameSamples + 100))
	await(t, "the acknowledgement", func() bool { return a.kept() == 2*frameSamples-100 })
	first.NetConn().Close()

	second := d.next(t)
	if second.hello != first.hello {
		t.Errorf("hello %+v, want the same as before", second.hello)
	}
	if err := a.Send(audio(3*frameSamples, 100)); err != nil {
		t.Fatal(err)
	}
	second.say(protocol.Welcome(2 * frameSamples)) // more arrived than was acknowledged
	second.samples(2*frameSamples, 3*frameSamples+100)
	flushed := make(chan error)
	go func() { flushed <- a.Flush(t.Context()) }()
	second.say(protocol.Ack(3*frameSamples + 100))
	if err := <-flushed; err != nil || a.State() != (State{Connected: true, Times: 2}) {
		t.Errorf("flushed: %v, %+v", err, a.State())
	}
}

func (a *Agent) kept() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.backlog.kept
}

// A daemon that was started again wants sample 0, and gets what there is. What was
// skipped is a jump in the index.
func TestSkip(t *testing.T) {
	d := answering(t)
	a := started(t, d.url)
	a.Skip(1e12)
	if err := errors.Join(a.Send(audio(1e12, 10)), a.Send(nil)); err != nil {
		t.Fatal(err)
	}
	a.Skip(5)
	if err := a.Send(audio(1e12+15, 10)); err != nil {
		t.Fatal(err)
	}
	c := d.next(t)
	c.say(protocol.Welcome(0))
	c.samples(1e12, 1e12+10)
	if f := c.frame(); f.Seq != 1 || f.First != 1e12+15 || f.Count() != 10 {
		t.Errorf("then %d samples from %d on", f.Count(), f.First)
	}
	if err := a.Send(make([]float32, 3)); err == nil {
		t.Error("one and a half samples were taken")
	}
}

func TestMarks(t *testing.T) {
	d := answering(t)
	a := started(t, d.url)
	a.Skip(77)
	c := d.next(t)
	c.say(protocol.Welcome(0))
	for _, want := range []uint64{77, 1234} {
		c.say(protocol.Mark(uint32(want)))
		_, text, err := c.ReadMessage()
		if err != nil {
			t.Fatal(err)
		}
		if got, err := protocol.ReadAnswer(text, false); err != nil || got.ID != uint32(want) || got.Sample != want {
			t.Errorf("answer %s, %v; want sample %d", text, err, want)
		}
		a.Marks(func() uint64 { return 1234 })
	}
}

// Whatever goes wrong is told, and it comes back.
func TestTrouble(t *testing.T) {
	d := answering(t)
	for _, c := range []struct {
		do   func(*call)
		want string
	}{
		{func(c *call) { c.say(protocol.Refusal(errors.New("hello: you again"))) }, "no welcome: hello: you again"},
		{func(c *call) { c.say([]byte(`{"type":"ack","next":5}`)) }, `no welcome: it said "ack"`},
		{func(c *call) { c.say([]byte(`good evening`)) }, "no welcome: not a JSON object"},
		{func(c *call) { c.NetConn().Close() }, "no welcome: "},
		{func(c *call) {
			c.say(protocol.Welcome(0))
			c.say(protocol.Refusal(errors.New("silent: no samples")))
		}, "ended: silent: no samples"},
		{func(c *call) { c.say(protocol.Welcome(0)); c.say([]byte(`{"type":"mark"}`)) }, `ended: mark: no "id"`},
		{func(c *call) { c.say(protocol.Welcome(0)); c.NetConn().Close() }, "ended: "},
		{func(c *call) { c.say(protocol.Welcome(protocol.MaxIndex + 1)) }, "want none beyond"},
	} {
		a := started(t, d.url)
		c.do(d.next(t))
		await(t, c.want, func() bool { return strings.Contains(a.State().Trouble, c.want) })
		d.next(t).say(protocol.Welcome(0))
		await(t, "another connection", func() bool { return a.State().Connected })
		a.Close()
	}
}

func TestWhereNobodyAnswers(t *testing.T) {
	door := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "wrong or missing bearer token", http.StatusUnauthorized)
	}))
	defer door.Close()
	for url, want := range map[string]string{
		"ws" + strings.TrimPrefix(door.URL, "http"): "401 Unauthorized: wrong or missing bearer token",
		"ws://127.0.0.1:1/":                         "connect to ws://127.0.0.1:1/",
		"telephone":                                 "connect to telephone",
	} {
		a := started(t, url)
		await(t, want, func() bool { return strings.Contains(a.State().Trouble, want) })
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := errors.Join(a.Send(audio(0, 10)), a.Flush(ctx)); !errors.Is(err, context.Canceled) {
			t.Errorf("flush with a cancelled context: %v", err)
		}
		a.Close()
		a.Close() // twice is harmless
		if err := a.Flush(t.Context()); err == nil {
			t.Error("flushed after the end")
		}
		door.CloseClientConnections()
	}
}

// Whatever the daemon does not do, Close does not wait for it.
func TestCloseDoesNotHang(t *testing.T) {
	for _, c := range []struct {
		name  string
		until func(*daemon, *Agent)
	}{
		{"while it waits for a welcome", func(d *daemon, _ *Agent) { d.next(t) }},
		{"while nobody reads", func(d *daemon, a *Agent) {
			d.next(t).say(protocol.Welcome(0))
			for range 10 { // more than any socket takes
				if err := a.Send(make([]float32, 2*rate)); err != nil {
					t.Error(err)
				}
			}
			await(t, "the connection", func() bool { return a.State().Connected })
		}},
	} {
		d := answering(t)
		a := started(t, d.url)
		c.until(d, a)
		closed := make(chan struct{})
		go func() { a.Close(); close(closed) }()
		select {
		case <-closed:
		case <-time.After(protocol.HelloPatience):
			t.Errorf("%s: closing takes longer than %v", c.name, protocol.HelloPatience)
			<-closed
		}
	}
}

func TestStartRefuses(t *testing.T) {
	for want, said := range map[string]protocol.Hello{
		"microphone is empty":  {Rate: rate},
		"rate 8000":            {Microphone: "rear", Rate: 8000},
		`format "u8"`:          {Microphone: "rear", Rate: rate, Layout: protocol.Layout{Format: "u8"}},
		`session "x"`:          {Microphone: "rear", Rate: rate, Session: "x"},
		"audio, not functions": {Microphone: "rear", Functions: true},
	} {
		if a, err := Start("ws://127.0.0.1:1/", "", said); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want an error with %q", said, err, want)
			a.Close()
		}
	}
}
