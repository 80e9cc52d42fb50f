package feed

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/protocol"
)

// refusals collects what a hub's Refused hears.
type refusals struct {
	mu  sync.Mutex
	all []string
}

func (r *refusals) of(hub *Hub) *refusals {
	hub.Refused = func(microphone string, why error) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.all = append(r.all, fmt.Sprintf("%s: %v", microphone, why))
	}
	return r
}

func (r *refusals) heard(want string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.ContainsFunc(r.all, func(s string) bool { return strings.Contains(s, want) })
}

// shared is a connection that several goroutines write.
type shared struct {
	*websocket.Conn
	mu sync.Mutex
}

func (s *shared) WriteMessage(kind int, data []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.Conn.WriteMessage(kind, data)
}

// marks answers what a hub asks with what the count says, until the connection
// ends; then the channel has the last error the hub told.
func marks(conn *shared, count func() uint64) <-chan string {
	told := make(chan string, 1)
	go func() {
		last := ""
		defer func() { told <- last }()
		for {
			var n protocol.Note
			if conn.ReadJSON(&n) != nil {
				return
			}
			switch n.Type {
			case protocol.TypeMark:
				_ = conn.WriteMessage(websocket.TextMessage, protocol.EncodeSample(n.ID, count()))
			case protocol.TypeError:
				last = n.Message
			}
		}
	}()
	return told
}

// Agents that are silent, slow, mute or off their rate are told so and sent away,
// and whoever looks at the hub can see it.
func TestBadAgentsAreSentAway(t *testing.T) {
	began := time.Now()
	running := func(factor float64) func() uint64 {
		return func() uint64 { return uint64(factor * rate * time.Since(began).Seconds()) }
	}
	hold := make(chan struct{})
	for _, c := range []struct {
		name   string
		count  func() uint64
		frames bool // it sends them, at its pace
		silent time.Duration
		want   string
	}{
		{"silent", running(1), false, time.Second, "silent: no samples for 1s; is the recorder running?"},
		{"slow", func() uint64 { return 12.5 * rate }, true, time.Minute, "slow: its samples arrive 12 s after they were taken"},
		{"out of its mind", func() uint64 { return 1e15 }, true, time.Minute, "answers a mark with sample 1000000000000000, far from the samples it sends"},
		{"mute", func() uint64 { <-hold; return 0 }, true, 400 * time.Millisecond, "no answer to a mark for 400ms"},
		{"twice as fast as declared", running(2), true, time.Minute, "samples a second, and declared 48000"},
	} {
		t.Run(c.name, func(t *testing.T) {
			hub, url := rig(t)
			heard := new(refusals).of(hub)
			hub.patience.silence, hub.patience.tick, hub.patience.drift = c.silent, 20*time.Millisecond, 300*time.Millisecond
			conn := &shared{Conn: dial(t, url, greeting("rear", rate))}
			told := marks(conn, c.count)
			if c.frames {
				go func() {
					for at := uint64(0); ; at += rate / 10 {
						f := protocol.EncodeFrame(protocol.Frame{Seq: uint32(at / (rate / 10)), First: at, Samples: make([]float32, 2*rate/10)}, protocol.Layout{})
						if conn.WriteMessage(websocket.BinaryMessage, f) != nil {
							return
						}
						time.Sleep(time.Second / 10) // its pace
					}
				}()
			}
			if c.name == "mute" {
				time.AfterFunc(time.Second, func() { close(hold) })
			}
			if got := <-told; !strings.Contains(got, c.want) {
				t.Errorf("it is told %q, want %q", got, c.want)
			}
			s := hub.Feed("rear")
			if !strings.Contains(s.Trouble, c.want) || !heard.heard("rear: "+c.want) && !heard.heard(c.want) {
				t.Errorf("status %+v, refusals %q", s, heard.all)
			}
		})
	}
}

// More connections than there may be microphones are turned away at the door, and
// those that are there do not notice.
func TestTooManyFeeds(t *testing.T) {
	hub, url := rig(t)
	heard := new(refusals).of(hub)
	a := connect(t, hub, url, "rear")
	header := http.Header{"Authorization": {"Bearer " + token}}
	dialer := websocket.Dialer{Subprotocols: []string{protocol.Subprotocol}}
	var last *websocket.Conn
	for range 2 + spareConnections - 1 {
		conn, _, err := dialer.Dial(url, header)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		last = conn
	}
	_, resp, err := dialer.Dial(url, header)
	if err == nil || resp == nil || resp.StatusCode != http.StatusServiceUnavailable {
		t.Fatalf("one too many: %v, %v", resp, err)
	}
	if want := ": too many feeds: 10 connections for 2 microphones"; !heard.heard(want) {
		t.Errorf("refusals %q, want %q", heard.all, want)
	}
	last.Close()
	await(t, "room for another", func() bool {
		conn, _, err := dialer.Dial(url, header)
		if err == nil {
			conn.Close()
		}
		return err == nil
	})
	if !a.State().Connected {
		t.Error("the agent that was there is gone")
	}
}
