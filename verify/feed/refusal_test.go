package feed

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// dial connects with the bare library, so that a test can say anything.
func dial(t *testing.T, url, hello string) *websocket.Conn {
	t.Helper()
	dialer := websocket.Dialer{Subprotocols: []string{Subprotocol}}
	conn, _, err := dialer.DialContext(within(t), url, http.Header{"Authorization": {"Bearer " + token}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if err := conn.SetReadDeadline(time.Now().Add(30 * time.Second)); err != nil {
		t.Fatal(err)
	}
	if err := conn.WriteMessage(websocket.TextMessage, []byte(hello)); err != nil {
		t.Fatal(err)
	}
	return conn
}

func greeting(microphone string, rate int) string {
	return fmt.Sprintf(`{"type":"hello","microphone":%q,"rate":%d,"channels":["reference","microphone"],"format":"f32le"}`, microphone, rate)
}

func readNote(t *testing.T, conn *websocket.Conn) map[string]any {
	t.Helper()
	_, data, err := conn.ReadMessage()
	if err != nil {
		t.Fatal(err)
	}
	var n map[string]any
	if err := json.Unmarshal(data, &n); err != nil {
		t.Fatal(err)
	}
	return n
}

// wantRefusal reads an error message with the words in it, then a close 1008.
func wantRefusal(t *testing.T, conn *websocket.Conn, want string) {
	t.Helper()
	n := readNote(t, conn)
	if message, _ := n["message"].(string); n["type"] != "error" || !strings.Contains(message, want) {
		t.Errorf("hub said %v, want an error with %q", n, want)
	}
	if _, _, err := conn.ReadMessage(); !websocket.IsCloseError(err, websocket.ClosePolicyViolation) {
		t.Errorf("then %v, want close 1008", err)
	}
}

func TestHelloIsStrict(t *testing.T) {
	_, url := rig(t)
	good := greeting("rear", rate)
	swap := func(old, new string) string { return strings.Replace(good, old, new, 1) }
	for _, c := range []struct{ name, hello, want string }{
		{"not JSON", "hello", "invalid character"},
		{"empty", "", "EOF"},
		{"unknown field", swap(`"type"`, `"volume":11,"type"`), `unknown field \"volume\"`},
		{"trailing", good + "{}", "more after"},
		{"type", swap(`"hello"`, `"hallo"`), `type \"hallo\"`},
		{"microphone", greeting("roof", rate), `\"roof\" is not in the site`},
		{"rate", greeting("rear", 44100), "44100 samples per second, want 48000"},
		{"rate spelled out", swap("48000", `"fast"`), "cannot unmarshal"},
		{"channels swapped", swap(`"reference","microphone"]`, `"microphone","reference"]`), "channels"},
		{"one channel", swap(`"reference",`, ``), "channels"},
		{"format", swap("f32le", "s16le"), `format \"s16le\"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			want := strings.ReplaceAll(c.want, `\"`, `"`)
			wantRefusal(t, dial(t, url, c.hello), want)
		})
	}
	conn := dial(t, url, good)
	if n := readNote(t, conn); n["type"] != "welcome" {
		t.Errorf("after all that a good hello got %v", n)
	}
}

func TestBrokenMessagesEndTheConnection(t *testing.T) {
	frame := EncodeFrame(Frame{First: 500, Samples: values(500, 10)})
	for _, c := range []struct {
		name string
		kind int
		data []byte
		want string
	}{
		{"frame cut", websocket.BinaryMessage, frame[:30], "header counts 10 samples"},
		{"no magic", websocket.BinaryMessage, make([]byte, 100), "starts with"},
		{"index goes back", websocket.BinaryMessage, EncodeFrame(Frame{Seq: 1, First: 3, Samples: values(3, 10)}), "went back from 510 to 3"},
		{"not JSON", websocket.TextMessage, []byte("ok"), "invalid character"},
		{"second hello", websocket.TextMessage, []byte(greeting("rear", rate)), "unknown field"},
		{"unknown type", websocket.TextMessage, []byte(`{"type":"stop"}`), `type "stop"`},
		{"negative sample", websocket.TextMessage, []byte(`{"type":"mark","id":1,"sample":-5}`), "cannot unmarshal"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, url := rig(t)
			conn := dial(t, url, greeting("rear", rate))
			readNote(t, conn) // welcome
			late := []byte(`{"type":"mark","id":99,"sample":5}`)
			for _, m := range []outgoing{
				{kind: websocket.BinaryMessage, data: frame},
				{kind: websocket.TextMessage, data: late}, // an answer nobody waits for is no offence
				{kind: c.kind, data: c.data},
			} {
				if err := conn.WriteMessage(m.kind, m.data); err != nil {
					t.Fatal(err)
				}
			}
			wantRefusal(t, conn, c.want)
		})
	}
}

func TestOversizeFrameIsCutOff(t *testing.T) {
	hub, url := rig(t)
	conn := dial(t, url, greeting("rear", rate))
	readNote(t, conn)
	if err := conn.WriteMessage(websocket.BinaryMessage, make([]byte, maxFrameBytes+1)); err != nil {
		t.Fatal(err)
	}
	if _, _, err := conn.ReadMessage(); !websocket.IsCloseError(err, websocket.CloseMessageTooBig) {
		t.Errorf("read %v, want close 1009", err)
	}
	conn.Close()
	a := takeOver(t, url, "rear")
	big := make(chan error, 1)
	asked := make(chan struct{})
	a.Marks(func() uint64 { close(asked); return 0 })
	go func() {
		<-asked
		big <- a.Send(context.Background(), values(0, 2*maxFrameSamples+5)) // the agent splits
	}()
	r, err := hub.Capture(within(t), "rear", 0, 2*maxFrameSamples+5)
	if err != nil {
		t.Fatal(err)
	}
	if err := <-big; err != nil {
		t.Fatal(err)
	}
	check(t, r, 2*maxFrameSamples+5)
}

func TestHandshakeIsGuarded(t *testing.T) {
	_, url := rig(t)
	page := strings.Replace(url, "ws", "http", 1)
	for _, c := range []struct {
		name   string
		change func(http.Header)
		want   int
	}{
		{"no token", func(h http.Header) { h.Del("Authorization") }, 401},
		{"wrong token", func(h http.Header) { h.Set("Authorization", "Bearer nonsense") }, 401},
		{"token cut short", func(h http.Header) { h.Set("Authorization", "Bearer "+token[:5]) }, 401},
		{"empty token", func(h http.Header) { h.Set("Authorization", "Bearer ") }, 401},
		{"foreign page", func(h http.Header) { h.Set("Origin", "http://elsewhere.example") }, 403},
		{"null origin", func(h http.Header) { h.Set("Origin", "null") }, 403},
		{"own page", func(h http.Header) { h.Set("Origin", page) }, 403},
		{"no subprotocol", func(h http.Header) { h.Del("Sec-WebSocket-Protocol") }, 400},
		{"other subprotocol", func(h http.Header) { h.Set("Sec-WebSocket-Protocol", "chat") }, 400},
		{"no websocket", func(h http.Header) { h.Del("Upgrade") }, 400},
		{"as it should be", func(http.Header) {}, 101},
	} {
		req, err := http.NewRequestWithContext(within(t), "GET", page, nil)
		if err != nil {
			t.Fatal(err)
		}
		for k, v := range map[string]string{
			"Authorization": "Bearer " + token, "Sec-WebSocket-Protocol": Subprotocol,
			"Connection": "Upgrade", "Upgrade": "websocket",
			"Sec-WebSocket-Version": "13", "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", // RFC 6455, section 1.3
		} {
			req.Header.Set(k, v)
		}
		c.change(req.Header)
		resp, err := http.DefaultTransport.RoundTrip(req)
		if err != nil {
			t.Fatal(err)
		}
		if resp.StatusCode != c.want {
			t.Errorf("%s: status %s, want %d", c.name, resp.Status, c.want)
		}
		resp.Body.Close()
	}
}

func TestAgentHearsWhyItWasRefused(t *testing.T) {
	_, url := rig(t)
	for _, c := range []struct {
		name, token string
		said        Hello
		want        string
	}{
		{"token", "wrong", Hello{"rear", rate}, "401 Unauthorized: wrong or missing bearer token"},
		{"microphone", token, Hello{"roof", rate}, `microphone "roof" is not in the site`},
		{"rate", token, Hello{"rear", 96000}, "96000 samples per second, want 48000"},
	} {
		if _, err := Connect(within(t), url, c.token, c.said); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Connect(ctx, url, token, Hello{"rear", rate}); err == nil {
		t.Error("connected with a cancelled context")
	}
	a := connect(t, url, "rear")
	if err := a.Send(within(t), make([]float32, 3)); err == nil {
		t.Error("sent one and a half samples")
	}
	// Losing count ends the connection; a later Send says why.
	if err := a.Send(within(t), values(0, 10)); err != nil {
		t.Fatal(err)
	}
	a.mu.Lock()
	a.next = 0
	a.mu.Unlock()
	var err error
	await(t, "the hub's refusal", func() bool {
		err = a.Send(within(t), values(0, 10))
		return err != nil
	})
	if !strings.Contains(err.Error(), "went back from 10 to 0") {
		t.Errorf("send error %v, want the hub's reason", err)
	}
}

// A hub that stalls: Connect gives up when its context does.
func TestConnectGivesUp(t *testing.T) {
	accepted := make(chan struct{})
	release := make(chan struct{})
	upgrader := websocket.Upgrader{Subprotocols: []string{Subprotocol}}
	server := serveRaw(t, func(w http.ResponseWriter, r *http.Request) {
		conn, err := upgrader.Upgrade(w, r, nil)
		if err != nil {
			return
		}
		defer conn.Close()
		close(accepted)
		<-release
	})
	ctx, cancel := context.WithCancel(context.Background())
	go func() { <-accepted; cancel() }()
	if _, err := Connect(ctx, server, token, Hello{"rear", rate}); err == nil {
		t.Error("connected to a hub that never answered")
	}
	close(release)
}

func serveRaw(t *testing.T, handler http.HandlerFunc) string {
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	return "ws" + strings.TrimPrefix(server.URL, "http")
}
