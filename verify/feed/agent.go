package feed

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// Agent is a microphone's connection to a hub. Connect makes one. Its methods
// may be called from any goroutine, Send and Skip from one at a time.
type Agent struct {
	link *link

	mu   sync.Mutex
	now  func() uint64
	seq  uint32
	next uint64 // index of the next sample to be sent
	why  string // the hub's last word, when it refused something
}

// Connect dials a hub (ws:// or wss://), says hello and waits for the welcome.
// ctx rules the connecting only. The error carries the hub's reason.
func Connect(ctx context.Context, url, token string, said Hello) (*Agent, error) {
	dialer := websocket.Dialer{HandshakeTimeout: helloPatience, Subprotocols: []string{Subprotocol}}
	conn, resp, err := dialer.DialContext(ctx, url, http.Header{"Authorization": {"Bearer " + token}})
	if err != nil {
		return nil, fmt.Errorf("feed: connect to %s: %w%s", url, err, reply(resp))
	}
	a := &Agent{link: newLink(conn)}
	conn.SetPingHandler(func(data string) error {
		_ = conn.SetReadDeadline(time.Now().Add(readPatience)) // a bad deadline shows in the next read
		return conn.WriteControl(websocket.PongMessage, []byte(data), time.Now().Add(writePatience))
	})
	go a.link.write(nil, nil)
	hangUp := context.AfterFunc(ctx, func() { conn.Close() })
	err = a.greet(ctx, said)
	if !hangUp() && err == nil {
		err = ctx.Err()
	}
	if err != nil {
		close(a.link.readEnded)
		<-a.link.writeEnded
		return nil, fmt.Errorf("feed: connect to %s: %w", url, err)
	}
	go a.listen()
	return a, nil
}

// reply is what the hub said when it refused the handshake.
func reply(resp *http.Response) string {
	if resp == nil {
		return ""
	}
	body, _ := io.ReadAll(resp.Body) // the dialer has cut it to 1 KiB, in memory
	return fmt.Sprintf(": %s: %s", resp.Status, strings.TrimSpace(string(body)))
}

func (a *Agent) greet(ctx context.Context, said Hello) error {
	err := a.link.push(ctx, text(hello{
		Type: typeHello, Microphone: said.Microphone, Rate: said.Rate, Channels: channelNames(), Format: format,
	}))
	if err != nil {
		return err
	}
	_, data, err := a.link.read(helloPatience)
	if err != nil {
		return fmt.Errorf("no welcome: %w", err)
	}
	var n note
	if err := strict(data, &n); err != nil {
		return fmt.Errorf("no welcome: %w", err)
	}
	if n.Type != typeWelcome {
		return fmt.Errorf("no welcome: %s", n.Message)
	}
	return nil
}

// listen answers marks until the connection ends.
func (a *Agent) listen() {
	defer close(a.link.readEnded)
	for {
		_, data, err := a.link.read(readPatience)
		if err != nil {
			return
		}
		var n note
		if err := strict(data, &n); err != nil {
			return // not a hub of this protocol
		}
		switch n.Type {
		case typeMark:
			if a.link.push(context.Background(), text(marked{Type: typeMark, ID: n.ID, Sample: a.sample()})) != nil {
				return
			}
		case typeError:
			a.mu.Lock()
			a.why = n.Message
			a.mu.Unlock()
		}
	}
}

// Marks says how to tell which sample is being taken right now, in the same
// count as Skip and Send. Until it is called, marks are answered with the
// first sample not sent yet, which is right only for an agent that sends
// samples the moment they are taken.
func (a *Agent) Marks(sampleNow func() uint64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.now = sampleNow
}

func (a *Agent) sample() uint64 {
	a.mu.Lock()
	now, next := a.now, a.next
	a.mu.Unlock()
	if now == nil {
		return next
	}
	return now()
}

// Skip counts samples that will not be sent: those before the agent began, or
// lost on the way from the converter. The hub sees a gap.
func (a *Agent) Skip(samples uint64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.next += samples
}

// Send hands over the next samples, interleaved reference and microphone,
// full scale ±1. It waits while the connection is behind, so an agent with a
// live converter gives ctx a deadline and calls Skip for what it had to drop.
// After an error nothing more can be sent: Close, and Connect again.
func (a *Agent) Send(ctx context.Context, interleaved []float32) error {
	if len(interleaved)%channels != 0 {
		return fmt.Errorf("feed: %d values to send, want pairs of reference and microphone", len(interleaved))
	}
	for len(interleaved) > 0 {
		part := interleaved[:min(len(interleaved), maxFrameSamples*channels)]
		interleaved = interleaved[len(part):]
		a.mu.Lock()
		f := Frame{Seq: a.seq, First: a.next, Samples: part}
		a.seq++
		a.next += uint64(len(part) / channels)
		a.mu.Unlock()
		if err := a.link.push(ctx, outgoing{kind: websocket.BinaryMessage, data: EncodeFrame(f)}); err != nil {
			return fmt.Errorf("feed: send: %w%s", err, a.lastWord())
		}
	}
	return nil
}

func (a *Agent) lastWord() string {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.why == "" {
		return ""
	}
	return ": " + a.why
}

// Close sends what is queued, says goodbye and waits until the connection has
// ended. Closing twice is harmless.
func (a *Agent) Close() {
	_ = a.link.push(context.Background(), farewell(websocket.CloseNormalClosure, "")) // fails only when closed
	<-a.link.writeEnded
	<-a.link.readEnded
}
