package control

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/control/wire"
	"hushback/engine"
)

// far is a device behind a real socket: it holds a value for each address, takes
// a message with an argument as a write and answers one without.
func far(tb testing.TB, loss float64) (address string) {
	conn, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		tb.Fatal(err)
	}
	_ = conn.SetReadBuffer(1 << 20)
	var done sync.WaitGroup
	tb.Cleanup(func() { conn.Close(); done.Wait() })
	done.Go(func() {
		rng := rand.New(rand.NewPCG(5, 5))
		values := map[string]any{}
		buffer := make([]byte, 65536)
		for {
			n, from, err := conn.ReadFromUDPAddrPort(buffer)
			if err != nil {
				return
			}
			messages, _ := osc.Decode(buffer[:n])
			for _, m := range messages {
				if len(m.Args) == 1 {
					if rng.Float64() >= loss {
						values[m.Address] = m.Args[0]
					}
					continue
				}
				if rng.Float64() < 2*loss-loss*loss { // the question or its answer
					continue
				}
				packet, _ := osc.Encode(osc.Message{Address: m.Address, Args: []any{values[m.Address]}})
				_, _ = conn.WriteToUDPAddrPort(packet, from)
			}
		}
	})
	return conn.LocalAddr().String()
}

// unhurried is a processor with 64 outputs that asks for no pacing.
func unhurried() processor.Profile {
	p := kindOf()
	p.Outputs, p.Gap, p.Timeout, p.Late, p.Tries = 64, 0, 250*time.Millisecond, 250*time.Millisecond, 8
	return p
}

// states are two that 192 of 256 values differ in. Both are muted, and neither is
// a ramp away, so that going there takes exactly 256 writes.
func states() [2][]engine.Setting {
	var two [2][]engine.Setting
	for output := 1; output <= 64; output++ {
		two[0] = append(two[0], engine.Setting{Output: output, Polarity: 1, GainDB: -10, Muted: true})
		two[1] = append(two[1], engine.Setting{Output: output, Polarity: -1, GainDB: -12, DelaySec: 0.01, Muted: true})
	}
	return two
}

func dial(tb testing.TB, loss float64) (*osc.Conn, *wire.Wire) {
	conn, err := osc.Dial(far(tb, loss), unhurried().Options())
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { conn.Close() })
	var outputs []engine.Output
	for output := 1; output <= 64; output++ {
		outputs = append(outputs, engine.Output{Number: output})
	}
	w, err := wire.New([]wire.Processor{{Profile: unhurried(), Wire: conn}}, outputs)
	if err != nil {
		tb.Fatal(err)
	}
	return conn, w
}

// ways lead to either state.
func ways(tb testing.TB, w *wire.Wire) (steps [2][]Step) {
	for i, state := range states() {
		var err error
		if steps[i], err = w.Way(PartSend, state, state); err != nil {
			tb.Fatal(err)
		}
	}
	return steps
}

// values sets all 4 parameters of 64 outputs and reads them back.
func values(tb testing.TB, w *wire.Wire, steps []Step) {
	if len(steps) != 256 {
		tb.Fatalf("%d steps", len(steps))
	}
	readings, doubts := w.Carry(context.Background(), steps, wire.GiveUp, func(int, []Reading) {})
	if len(doubts) > 0 || len(readings) != 256 {
		tb.Fatal(len(readings), doubts)
	}
}

// bare is the same count of round trips with nothing around them: a write, a
// question and its answer, one after the other on a connected socket.
func bare(tb testing.TB, address string, count int) time.Duration {
	conn, err := net.Dial("udp", address)
	if err != nil {
		tb.Fatal(err)
	}
	defer conn.Close()
	buffer := make([]byte, 65536)
	start := time.Now()
	for i := range count {
		at := fmt.Sprintf("/out/%d/gain", 1+i%64)
		write, _ := osc.Encode(osc.Message{Address: at, Args: []any{float32(-1)}})
		query, _ := osc.Encode(osc.Message{Address: at})
		_, _ = conn.Write(write)
		_, _ = conn.Write(query)
		_ = conn.SetReadDeadline(time.Now().Add(time.Second))
		n, err := conn.Read(buffer)
		if err != nil {
			tb.Fatal(err)
		}
		if _, err := osc.Decode(buffer[:n]); err != nil {
			tb.Fatal(err)
		}
	}
	return time.Since(start)
}

// BenchmarkSendAndReadBack is 64 outputs × 4 parameters over loopback: the time,
// and how many times that of bare round trips of the same count in the same run.
func BenchmarkSendAndReadBack(b *testing.B) {
	b.Run("without loss", func(b *testing.B) {
		_, w := dial(b, 0)
		address := far(b, 0)
		steps := ways(b, w)
		var ours, theirs time.Duration
		turn := 0
		for b.Loop() {
			start := time.Now()
			values(b, w, steps[turn%2])
			ours += time.Since(start)
			theirs += bare(b, address, 256)
			turn++
		}
		b.ReportMetric(float64(ours.Milliseconds())/float64(turn), "ms/change")
		b.ReportMetric(float64(ours)/float64(theirs), "×bare")
	})
	b.Run("with 5% loss", func(b *testing.B) {
		_, w := dial(b, 0.05)
		steps := ways(b, w)
		turn := 0
		start := time.Now()
		for b.Loop() {
			values(b, w, steps[turn%2])
			turn++
		}
		b.ReportMetric(float64(time.Since(start).Milliseconds())/float64(turn), "ms/change")
	})
}

// TestSixtyFourOutputsOverASocket is a whole change, on a real socket that loses
// some of it.
func TestSixtyFourOutputsOverASocket(t *testing.T) {
	conn, w := dial(t, 0.02)
	two := states()
	steps, err := w.Way(PartSend, two[0], two[0])
	must(t, err)
	_, doubts := w.Carry(t.Context(), steps, wire.GoOn, func(int, []Reading) {})
	equal(t, "doubts", len(doubts), 0)
	store, err := preset.Open(filepath.Join(t.TempDir(), "store"))
	must(t, err)
	defer store.Close()
	var outputs []engine.Output
	for output := 1; output <= 64; output++ {
		outputs = append(outputs, engine.Output{Number: output})
	}
	c, err := New(Config{
		Processors: []Processor{{Profile: unhurried(), Wire: conn}}, Store: store, Outputs: outputs,
		ConfirmFor: time.Minute, KeepFor: time.Minute,
	})
	must(t, err)
	_, err = c.StoreSafe(t.Context())
	must(t, err)
	d, err := c.DryRun(t.Context(), engine.Sheet{Settings: two[1]})
	must(t, err)
	confirmed, err := c.Confirm(d.Digest, Consent{})
	must(t, err)
	state, err := c.Apply(t.Context(), confirmed, func(context.Context, Bench) (Proof, error) { return Proof{Proven: true}, nil }, keep)
	if kept, ok := state.(Kept); !ok || err != nil || len(kept.Readings) != 256 {
		t.Errorf("%+v, %v", state, err)
	}
}
