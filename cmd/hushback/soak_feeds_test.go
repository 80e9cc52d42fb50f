//go:build soak

package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/rehearsal"
	"hushback/engine"
	"hushback/verify/feed/agent"
	"hushback/verify/feed/protocol"
)

const (
	soakRate  = 48000
	soakFrame = soakRate / 10
	soakNoise = 5e-5 // of full scale, in each channel, -86 dB
)

// recorder is what stands at a microphone of a rig: its channels are the test
// signal and what the closed form says that the microphone hears of it, with the
// settings that the processor holds as each tenth of a second ends.
type recorder struct {
	rig  *rehearsal.Rig
	role engine.Role
	rng  *rand.Rand

	lines     []float64
	phases    []float64
	period    int
	reference []float64 // one period
	heard     []float64 // one period, of the settings
	of        []engine.Setting
	playing   atomic.Bool // else nothing is being played
}

func newRecorder(rig *rehearsal.Rig, signal engine.TestSignal, role engine.Role, seed uint64) *recorder {
	r := &recorder{rig: rig, role: role, rng: rand.New(rand.NewPCG(soakSeed, seed)), lines: signal.Lines(), period: int(signal.PeriodSec * soakRate)}
	phase := rand.New(rand.NewPCG(soakSeed, 0)) // the same signal for all
	ones := make([]complex128, len(r.lines))
	for i := range ones {
		r.phases, ones[i] = append(r.phases, 2*math.Pi*phase.Float64()), 1
	}
	r.reference = r.wave(ones)
	r.playing.Store(true)
	return r
}

// wave is one period of the signal through a response.
func (r *recorder) wave(through []complex128) []float64 {
	wave := make([]float64, r.period)
	for i, f := range r.lines {
		now := 0.02 * through[i] * cmplx.Rect(1, r.phases[i])
		step := cmplx.Rect(1, 2*math.Pi*f/soakRate)
		for n := range wave {
			wave[n] += real(now)
			now *= step
		}
	}
	return wave
}

// frame is the next tenth of a second, both channels by turns.
func (r *recorder) frame(from int) []float32 {
	if now := r.rig.Settings(); !slices.Equal(now, r.of) {
		r.of, r.heard = now, r.wave(r.rig.Response(r.role, now, r.lines))
	}
	loud := 0.0
	if r.playing.Load() {
		loud = 1
	}
	audio := make([]float32, 0, 2*soakFrame)
	for i := range soakFrame {
		n := (from + i) % r.period
		audio = append(audio, float32(loud*r.reference[n]+soakNoise*r.rng.NormFloat64()), float32(loud*r.heard[n]+soakNoise*r.rng.NormFloat64()))
	}
	return audio
}

// play hands over each frame as its time is over, until ctx ends.
func (r *recorder) play(ctx context.Context, send func([]float32) error) error {
	begun := time.Now()
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Until(begun.Add(time.Duration(n+1) * time.Second / 10))):
		}
		if err := send(r.frame(n * soakFrame)); err != nil {
			return err
		}
	}
}

// feeds are the microphones of a soak: a listen process at each of the site's, one
// that is moved, and a program that measures by itself.
type feeds struct {
	t       *testing.T
	network *badNetwork
	done    sync.WaitGroup
	stop    context.CancelFunc
	ctx     context.Context
	tokens  string
}

// newFeeds carries feeds to a daemon through connections that can be cut.
func newFeeds(t *testing.T, p *process) *feeds {
	door, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	f := &feeds{t: t, network: &badNetwork{door: door}, tokens: p.note.Token}
	f.ctx, f.stop = context.WithCancel(context.Background())
	f.done.Go(func() { f.network.carry(strings.TrimPrefix(p.note.URL, "http://")) })
	t.Cleanup(f.close)
	return f
}

func (f *feeds) close() {
	f.stop()
	f.network.door.Close()
	f.network.kill()
	f.done.Wait()
}

// listen runs the real program at a microphone, a recorder's pipe at its input.
func (f *feeds) listen(program, microphone string, r *recorder) {
	f.t.Helper()
	command := exec.Command(program, "listen", "--microphone", microphone, "--server", f.network.door.Addr().String(), "--format", "f32le", "--latency", "300 ms")
	command.Env = append(os.Environ(), cli.TokenVariable+"="+f.tokens)
	in, err := command.StdinPipe()
	must(f.t, err)
	said := &bytes.Buffer{}
	command.Stderr = said
	must(f.t, command.Start())
	f.done.Go(func() {
		err := r.play(f.ctx, func(audio []float32) error { return binary.Write(in, binary.LittleEndian, audio) })
		if err != nil {
			f.t.Errorf("listening at %s: %v", microphone, err)
		}
		in.Close() // a recorder that ends is no error
		if err := command.Wait(); err != nil {
			f.t.Errorf("listen at %s ended with %v; it said:\n%s", microphone, err, tail(said.String(), 2000))
		}
	})
}

func tail(text string, most int) string { return text[max(0, len(text)-most):] }

// moved is an agent that stands ready to be carried about.
func (f *feeds) moved(r *recorder) {
	f.t.Helper()
	to, err := agent.Start("ws://"+f.network.door.Addr().String()+daemon.FeedPath, f.tokens, protocol.Hello{Microphone: daemon.Moved, Rate: soakRate})
	must(f.t, err)
	begun := time.Now()
	to.Marks(func() uint64 { return uint64(time.Since(begun).Seconds() * soakRate) })
	f.done.Go(func() {
		defer to.Close()
		if err := r.play(f.ctx, to.Send); err != nil {
			f.t.Errorf("the moved microphone: %v", err)
		}
	})
}

// cut breaks all connections now and then.
func (f *feeds) cut(rng *rand.Rand) {
	f.done.Go(func() {
		for {
			select {
			case <-f.ctx.Done():
				return
			case <-time.After(10*time.Second + time.Duration(rng.Int64N(int64(20*time.Second)))):
				f.network.kill()
			}
		}
	})
}

// serveSource is a program that measures at a microphone by itself and hangs up now
// and then; what returns is the file that tells how to read it.
func serveSource(t *testing.T, rig *rehearsal.Rig, signal engine.TestSignal, microphone string, role engine.Role) string {
	t.Helper()
	over := make(chan struct{})
	lines := signal.Lines()
	upgrader := websocket.Upgrader{}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		conn, err := upgrader.Upgrade(w, r, nil)
		if err != nil {
			return
		}
		defer conn.Close()
		go func() { // which answers pings
			for {
				if _, _, err := conn.NextReader(); err != nil {
					return
				}
			}
		}()
		tick := time.NewTicker(250 * time.Millisecond)
		defer tick.Stop()
		for range 200 {
			select {
			case <-over:
				return
			case <-tick.C:
			}
			if conn.WriteJSON(measured(rig, role, lines)) != nil {
				return
			}
		}
	}))
	t.Cleanup(func() { close(over); server.Close() })
	file := filepath.Join(t.TempDir(), "analyser.yaml")
	must(t, os.WriteFile(file, fmt.Appendf(nil, `microphone: %s
url: ws%s
averaging: 500 ms
frequency: {at: /hz, unit: Hz}
level: {at: /db, unit: dB}
phase: {at: /rad, unit: radians}
coherence: {at: /coherence, unit: ratio}
averages: 200
`, microphone, strings.TrimPrefix(server.URL, "http")), 0o600))
	return file
}

// measured is what such a program says.
func measured(rig *rehearsal.Rig, role engine.Role, lines []float64) map[string][]float64 {
	m := map[string][]float64{"hz": lines}
	for _, h := range rig.Response(role, rig.Settings(), lines) {
		m["db"] = append(m["db"], 20*math.Log10(math.Max(1e-9, cmplx.Abs(h))))
		m["rad"], m["coherence"] = append(m["rad"], cmplx.Phase(h)), append(m["coherence"], 0.9999)
	}
	return m
}
