package sound

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"net"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"hushback/cmd/internal/pcm"
	"hushback/engine"
	"hushback/verify/excite"
	"hushback/verify/feed"
)

const rate = 48000

// What is poured is a WAV of the signal, alike on all channels, that reads back.
func TestPour(t *testing.T) {
	signal := func() *excite.Signal {
		s, err := excite.New(engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}}, rate, excite.Options{LevelDB: -20, Seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	want := make([]float64, 12345)
	signal().Read(want)
	format := pcm.Format{Encoding: pcm.S24, Rate: rate, Channels: 3}
	for _, raw := range []bool{false, true} {
		var out bytes.Buffer
		if err := Pour(t.Context(), &out, signal(), format, int64(len(want)), raw); err != nil {
			t.Fatal(err)
		}
		r, err := pcm.NewReader(&out, format)
		if err != nil || r.Format != format {
			t.Fatalf("%+v, %v", r, err)
		}
		frame := make([]float64, 3)
		for i, v := range want {
			if err := r.Read(frame); err != nil || math.Abs(frame[0]-v) > 1e-6 || frame[1] != frame[0] || frame[2] != frame[0] {
				t.Fatalf("frame %d: %v, want %v, %v", i, frame, v, err)
			}
		}
		if err := r.Read(frame); !errors.Is(err, io.EOF) {
			t.Errorf("after the last frame: %v", err)
		}
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if err := Pour(ended, io.Discard, signal(), format, -1, false); err != nil {
		t.Errorf("stopped: %v", err)
	}
	if err := Pour(t.Context(), shut{}, signal(), format, -1, false); err == nil || !strings.Contains(err.Error(), "writing samples") {
		t.Errorf("a player that was closed: %v", err)
	}
}

type shut struct{}

func (shut) Write([]byte) (int, error) { return 0, errors.New("closed") }

// recorder is a recorder's pipe: sample i of channel 3 is i in steps of 24 bits,
// that of channel 1 its negative, at a recorder's pace, for as long as the test runs.
func recorder(t *testing.T, format pcm.Format, header bool) io.Reader {
	in, out := io.Pipe()
	var all sync.WaitGroup
	t.Cleanup(func() { in.Close(); all.Wait() })
	all.Go(func() {
		if header {
			out.Write(pcm.Header(format, -1))
		}
		begun := time.Now()
		for n := 0; ; {
			var b []byte
			for range format.Rate / 50 {
				v := float64(n) / (1 << 23)
				for _, of := range []float64{-v, 0.5, v} {
					b = format.Encoding.Append(b, of)
				}
				n++
			}
			if _, err := out.Write(b); err != nil {
				return
			}
			time.Sleep(time.Until(begun.Add(time.Duration(n) * time.Second / time.Duration(format.Rate))))
		}
	})
	return in
}

// wires are a server's connections, which can be cut.
type wires struct {
	net.Listener
	mu    sync.Mutex
	conns []net.Conn
}

func (w *wires) Accept() (net.Conn, error) {
	c, err := w.Listener.Accept()
	if err == nil {
		w.mu.Lock()
		w.conns = append(w.conns, c)
		w.mu.Unlock()
	}
	return c, err
}

func (w *wires) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range w.conns {
		c.Close()
	}
	w.conns = nil
}

// The daemon's recording is what the recorder sent, sample by sample and under its
// own count, though the connection breaks in the middle of it.
func TestListen(t *testing.T) {
	for _, encoding := range []pcm.Encoding{pcm.S24, pcm.S32, pcm.F32} {
		hub := feed.NewHub([]string{"alley"}, "secret")
		server := httptest.NewUnstartedServer(hub)
		wires := &wires{Listener: server.Listener}
		server.Listener = wires
		server.Start()
		format := pcm.Format{Encoding: encoding, Rate: rate, Channels: 3}
		ctx, stop := context.WithTimeout(t.Context(), time.Minute)
		ended := make(chan error, 1)
		var carried Carried
		levels := make(chan Level, 100)
		go func() {
			var err error
			carried, err = Listen(ctx, Listening{
				Microphone: "alley", URL: "ws" + strings.TrimPrefix(server.URL, "http"), Token: "secret",
				In: recorder(t, format, encoding == pcm.S24), Raw: format, Reference: 3, Heard: 1, LatencySec: 0.05,
				Say: func(l Level) { levels <- l },
			})
			ended <- err
		}()
		for !hub.Feed("alley").Connected {
			time.Sleep(time.Millisecond)
		}
		cut := make(chan struct{})
		time.AfterFunc(300*time.Millisecond, func() { wires.cut(); close(cut) })
		r, err := hub.Capture(ctx, "alley", 0.002, 1)
		if err != nil {
			t.Fatal(encoding, err)
		}
		<-cut // else nothing was shown
		for i := range r.Reference {
			want := float64(r.First+uint64(i)) / (1 << 23)
			if math.Abs(r.Reference[i]-want) > 1e-7 || math.Abs(r.Microphone[i]+want) > 1e-7 {
				t.Fatalf("%s, sample %d: %v and %v, want %v", encoding, r.First+uint64(i), r.Reference[i], r.Microphone[i], want)
			}
		}
		if s := hub.Feed("alley"); s.Rate != rate || s.Gaps != 0 || len(r.Reference) != rate {
			t.Errorf("%s: %d samples, %+v", encoding, len(r.Reference), s)
		}
		if l := <-levels; l.Frames != rate || l.Clipped || math.Abs(l.ReferenceDB-20*math.Log10(rate/float64(1<<23))) > 0.1 {
			t.Errorf("%s: %+v", encoding, l)
		}
		stop()
		if err := <-ended; err != nil {
			t.Errorf("%s: ended with %v", encoding, err)
		}
		if got := hub.Feed("alley"); carried.Rate != rate || carried.Times != 2 || carried.Lost != 0 || carried.Frames <= rate || carried.Trouble != "" {
			t.Errorf("%s: carried %+v, the daemon says %+v", encoding, carried, got)
		}
		hub.Close()
		server.Close()
	}
}

func TestListeningThatCannotBe(t *testing.T) {
	format := pcm.Format{Encoding: pcm.S16, Rate: rate, Channels: 2}
	for want, l := range map[string]Listening{
		"microphone channel 3, the stream has 1 to 2": {In: strings.NewReader("12345678"), Raw: format, Reference: 1, Heard: 3},
		"reference channel 0":                         {In: strings.NewReader("12345678"), Raw: format, Heard: 1},
		"is the recorder running":                     {In: strings.NewReader(""), Raw: format, Reference: 1, Heard: 2},
	} {
		if _, err := Listen(t.Context(), l); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want an error with %q, got %v", want, err)
		}
	}
	// A stream that ends ends the listening, whether the daemon is there or not.
	short := Listening{Microphone: "a", URL: "ws://127.0.0.1:9/feed", In: bytes.NewReader(make([]byte, 4*rate)), Raw: format, Reference: 1, Heard: 2}
	if c, err := Listen(t.Context(), short); err != nil || c.Frames != rate || c.Lost != rate || c.Times != 0 || c.Trouble == "" {
		t.Errorf("%+v, %v", c, err)
	}
}
