package feed

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/protocol"
)

// dial connects with the bare library, so that a test can say anything.
func dial(t *testing.T, url, hello string) *websocket.Conn {
	t.Helper()
	dialer := websocket.Dialer{Subprotocols: []string{protocol.Subprotocol}}
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
	return fmt.Sprintf(`{"type":"hello","microphone":%q,"session":"session-of-the-test","sends":"audio","rate":%d,"channels":["reference","microphone"],"format":"f32le"}`, microphone, rate)
}

// hear is what the hub says next but for acknowledgements, which come in their
// own time.
func hear(t *testing.T, conn *websocket.Conn) map[string]any {
	t.Helper()
	n, err := next(conn)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func next(conn *websocket.Conn) (map[string]any, error) {
	for {
		var n map[string]any
		if err := conn.ReadJSON(&n); err != nil || n["type"] != "ack" {
			return n, err
		}
	}
}

// wantRefusal reads an error message with the words in it, then a close 1008.
func wantRefusal(t *testing.T, conn *websocket.Conn, want string) {
	t.Helper()
	n := hear(t, conn)
	if message, _ := n["message"].(string); n["type"] != "error" || !strings.Contains(message, want) {
		t.Errorf("hub said %v, want an error with %q", n, want)
	}
	if n, err := next(conn); !websocket.IsCloseError(err, websocket.ClosePolicyViolation) {
		t.Errorf("then %v, %v; want close 1008", n, err)
	}
}

// What is wrong with a hello is told to whoever said it, and to whoever looks.
func TestHelloIsRefused(t *testing.T) {
	hub, url := rig(t)
	for _, c := range []struct{ hello, want string }{
		{"hello", "not a JSON object"},
		{greeting("roof", rate), `"roof" is not in the site`},
		{greeting("rear", 44099), "rate 44099 samples per second, want 44100 to 192000"},
		{strings.Repeat(" ", protocol.MaxFrameBytes) + "{}", "hello: message too long: over 262144 bytes"},
	} {
		wantRefusal(t, dial(t, url, c.hello), c.want)
	}
	if s := hub.Feed("rear"); !strings.Contains(s.Trouble, "rate 44099") {
		t.Errorf("status %+v, want the refusal of the only hello for this microphone", s)
	}
	conn := dial(t, url, greeting("rear", rate))
	if n := hear(t, conn); n["type"] != "welcome" {
		t.Errorf("after all that a good hello got %v", n)
	}
}

func TestBrokenMessagesEndTheConnection(t *testing.T) {
	frame := protocol.EncodeFrame(protocol.Frame{First: 500, Samples: values(500, 10)}, protocol.Layout{})
	for _, c := range []struct {
		name string
		kind int
		data []byte
		want string
	}{
		{"frame cut", websocket.BinaryMessage, frame[:30], "header counts 10 samples"},
		{"no magic", websocket.BinaryMessage, make([]byte, 100), "starts with"},
		{"index goes back", websocket.BinaryMessage, protocol.EncodeFrame(protocol.Frame{Seq: 1, First: 3, Samples: values(3, 10)}, protocol.Layout{}), "went back from 510 to 3"},
		{"not JSON", websocket.TextMessage, []byte("ok"), "invalid character"},
		{"second hello", websocket.TextMessage, []byte(greeting("rear", rate)), `type "hello", want "mark"`},
		{"function from audio", websocket.TextMessage, []byte(`{"type":"function","id":1}`), `type "function"`},
		{"no sample", websocket.TextMessage, []byte(`{"type":"mark","id":1}`), `no "sample"`},
		{"unknown field", websocket.TextMessage, []byte(`{"type":"mark","id":1,"sample":1,"x":0}`), "unknown field"},
		{"too long", websocket.BinaryMessage, make([]byte, protocol.MaxFrameBytes+1), "message too long: over 262144 bytes"},
		{"unknown type", websocket.TextMessage, []byte(`{"type":"stop"}`), `type "stop"`},
		{"negative sample", websocket.TextMessage, []byte(`{"type":"mark","id":1,"sample":-5}`), "cannot unmarshal"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, url := rig(t)
			conn := dial(t, url, greeting("rear", rate))
			hear(t, conn) // welcome
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
			"Authorization": "Bearer " + token, "Sec-WebSocket-Protocol": protocol.Subprotocol,
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

func serveRaw(t *testing.T, handler http.HandlerFunc) string {
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	return "ws" + strings.TrimPrefix(server.URL, "http")
}
