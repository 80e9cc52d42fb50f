package emulated

import (
	"context"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"hushback/control/osc"
	"hushback/engine"
)

// asker is a socket that talks to an emulated processor. Datagrams are put
// together here byte by byte, by the OSC 1.0 specification, not by the codec
// that the processor reads them with.
type asker struct {
	t    testing.TB
	conn net.Conn
}

func ask(t testing.TB, p *Processor) asker {
	t.Helper()
	conn, err := net.Dial("udp", p.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return asker{t, conn}
}

func padded(s string) []byte {
	return append([]byte(s), make([]byte, 4-len(s)%4)...)
}

func packet(address, tags string, words ...uint32) []byte {
	b := append(padded(address), padded(tags)...)
	for _, w := range words {
		b = binary.BigEndian.AppendUint32(b, w)
	}
	return b
}

func (a asker) send(b []byte) {
	a.t.Helper()
	if _, err := a.conn.Write(b); err != nil {
		a.t.Fatal(err)
	}
}

// float writes a float32, int an int32.
func (a asker) float(address string, v float64) {
	a.t.Helper()
	a.send(packet(address, ",f", math.Float32bits(float32(v))))
}
func (a asker) int(address string, v int32) {
	a.t.Helper()
	a.send(packet(address, ",i", uint32(v)))
}

// value asks for a parameter and returns the word of the answer. Datagrams on
// one socket are taken in turn, so an answer also tells that all is done that
// was sent before.
func (a asker) value(address, tags string) uint32 {
	a.t.Helper()
	a.send(packet(address, ","))
	if err := a.conn.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
		a.t.Fatal(err)
	}
	b := make([]byte, 256)
	n, err := a.conn.Read(b)
	if err != nil {
		a.t.Fatalf("no answer to %s: %v", address, err)
	}
	head := packet(address, tags)
	if n != len(head)+4 || !slices.Equal(b[:len(head)], head) {
		a.t.Fatalf("answer to %s is % x, want % x and one word", address, b[:n], head)
	}
	return binary.BigEndian.Uint32(b[len(head):n])
}

func TestProcessorStartsWithAnEarlierShow(t *testing.T) {
	p, q := started(t, Options{}), started(t, Options{})
	settings := p.Settings()
	if len(settings) != 8 || !slices.Equal(settings, q.Settings()) {
		t.Fatalf("settings %v and %v, want the same eight", settings, q.Settings())
	}
	delays := 0.0
	for i, s := range settings {
		if s.Output != i+1 || s.Muted || s.GainDB > -5 || s.GainDB < -10 {
			t.Errorf("%+v, want output %d, open, at some -6 dB", s, i+1)
		}
		delays += s.DelaySec
	}
	if delays == 0 {
		t.Error("no output is delayed, want leftovers of a show")
	}
}

func TestProcessorTakesAndTells(t *testing.T) {
	p := started(t, Options{})
	a := ask(t, p)
	inf := math.Inf(1)
	for _, c := range []struct{ wrote, holds float64 }{
		{0, 0}, {6.21, 6.21}, {4.704, 4.70}, {4.706, 4.71}, {650, 650}, {650.4, 650}, {1e9, 650}, {-3, 0}, {inf, 650}, {-inf, 0},
	} {
		a.float("/out/3/delay", c.wrote)
		if got := math.Float32frombits(a.value("/out/3/delay", ",f")); got != float32(c.holds) {
			t.Errorf("delay %v ms is held as %v, want %v", c.wrote, got, c.holds)
		}
		if got := p.Settings()[2].DelaySec; math.Abs(got-c.holds/1000) > 1e-12 {
			t.Errorf("delay %v ms is %v s, want %v", c.wrote, got, c.holds/1000)
		}
	}
	for _, c := range []struct{ wrote, holds float64 }{
		{0, 0}, {-7.8, -7.8}, {-7.84, -7.8}, {-7.86, -7.9}, {6, 6}, {12, 6}, {-60, -60}, {-61, -60}, {0.04, 0},
	} {
		a.float("/out/8/gain", c.wrote)
		if got := math.Float32frombits(a.value("/out/8/gain", ",f")); got != float32(c.holds) {
			t.Errorf("gain %v dB is held as %v, want %v", c.wrote, got, c.holds)
		}
		if got := p.Settings()[7].GainDB; math.Abs(got-c.holds) > 1e-12 {
			t.Errorf("gain %v dB is %v, want %v", c.wrote, got, c.holds)
		}
	}
	for _, c := range []struct {
		wrote int32
		holds uint32
	}{{1, 1}, {0, 0}, {7, 1}, {-1, 0}} {
		a.int("/out/1/polarity", c.wrote)
		a.int("/out/1/mute", c.wrote)
		if got := a.value("/out/1/polarity", ",i"); got != c.holds {
			t.Errorf("polarity %d is held as %d, want %d", c.wrote, got, c.holds)
		}
		if got := a.value("/out/1/mute", ",i"); got != c.holds {
			t.Errorf("mute %d is held as %d, want %d", c.wrote, got, c.holds)
		}
		got := p.Settings()[0]
		if got.Muted != (c.holds == 1) || got.Polarity != 1-2*int(c.holds) {
			t.Errorf("after %d: %+v", c.wrote, got)
		}
	}
	if p.Writes() != 10+9+8 || p.Queries() != 10+9+8 || p.Bad() != 0 {
		t.Errorf("%d writes, %d queries, %d bad; want 27, 27, 0", p.Writes(), p.Queries(), p.Bad())
	}
}

func TestProcessorAnswersWhoAsked(t *testing.T) {
	p := started(t, Options{})
	a, b := ask(t, p), ask(t, p)
	a.float("/out/2/gain", -12)
	if got := math.Float32frombits(a.value("/out/2/gain", ",f")); got != -12 {
		t.Errorf("the writer reads %v", got)
	}
	if got := math.Float32frombits(b.value("/out/2/gain", ",f")); got != -12 {
		t.Errorf("somebody else reads %v", got)
	}
}

func TestProcessorIgnoresAndCountsWhatItCannotRead(t *testing.T) {
	p := started(t, Options{})
	a := ask(t, p)
	before := p.Settings()
	bad := [][]byte{
		{}, {0}, []byte("garbage"), []byte("AAAA"), {0xff, 0xfe, 0xfd, 0xfc},
		packet("/out/3/delay", ",f"),                                   // argument missing
		packet("/out/3/delay", ",i", 5),                                // wrong type
		packet("/out/3/delay", ",f", math.Float32bits(1))[:18],         // cut short
		packet("/out/3/gain", ",f", 0x7fc00000),                        // NaN
		packet("/out/3/mute", ",f", math.Float32bits(1)),               // wrong type
		packet("/out/3/mute", ",ii", 1, 1),                             // too many
		packet("/out/0/mute", ",i", 1), packet("/out/9/mute", ",i", 1), // no such output
		packet("/out/03/mute", ",i", 1), packet("/out/+3/mute", ",i", 1),
		packet("/out/3/volume", ",i", 1), packet("/out/3/volume", ","), // no such parameter
		packet("/out/3", ",i", 1), packet("/in/3/mute", ",i", 1), packet("/x/out/3/mute", ",i", 1), packet("/out/3/mute/x", ",i", 1),
		packet("/out/*/mute", ",i", 1), // a pattern
	}
	for _, b := range bad {
		a.send(b)
	}
	a.value("/out/1/mute", ",i")
	if !slices.Equal(p.Settings(), before) {
		t.Errorf("settings are now %v", p.Settings())
	}
	if p.Bad() != len(bad) || p.Writes() != 0 || p.Queries() != 1 {
		t.Errorf("%d bad, %d writes, %d queries; want %d, 0, 1", p.Bad(), p.Writes(), p.Queries(), len(bad))
	}
}

// The codec's own bytes are understood too, several messages in turn.
func TestProcessorUnderstandsTheCodec(t *testing.T) {
	p := started(t, Options{})
	a := ask(t, p)
	for _, m := range []osc.Message{
		{Address: "/out/4/delay", Args: []any{float32(12.34)}}, {Address: "/out/4/polarity", Args: []any{int32(1)}},
		{Address: "/out/4/gain", Args: []any{float32(-3.3)}}, {Address: "/out/4/mute", Args: []any{int32(1)}},
	} {
		b, err := osc.Encode(m)
		if err != nil {
			t.Fatal(err)
		}
		a.send(b)
	}
	a.value("/out/4/mute", ",i")
	want := engine.Setting{Output: 4, DelaySec: 0.01234, Polarity: -1, GainDB: -3.3, Muted: true}
	if got := p.Settings()[3]; got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestProcessorCallsAfterEachWrite(t *testing.T) {
	p := started(t, Options{})
	a := ask(t, p)
	type call struct {
		n    int
		gain float64
	}
	calls := make(chan call, 10)
	p.OnWrite(func(n int) { calls <- call{n, p.Settings()[0].GainDB} })
	for i := range 3 {
		a.float("/out/1/gain", float64(-i))
		a.value("/out/1/gain", ",f")
	}
	p.OnWrite(nil)
	a.float("/out/1/gain", -20)
	a.value("/out/1/gain", ",f")
	for i := range 3 {
		if got, want := <-calls, (call{i + 1, float64(-i)}); got != want {
			t.Errorf("call %+v, want %+v", got, want)
		}
	}
	if len(calls) != 0 {
		t.Errorf("called once more: %+v", <-calls)
	}
}

func TestProcessorRemembersWhatItWas(t *testing.T) {
	p := started(t, Options{})
	a := ask(t, p)
	was := p.Settings()[4]
	var between []float64
	for i := range 4 {
		between = append(between, p.Seconds())
		a.float("/out/5/delay", float64(i+1))
		a.value("/out/5/delay", ",f")
	}
	end := p.Seconds()
	all := p.Since(0)[5]
	if len(all) != 5 || all[0].Is != was {
		t.Fatalf("remembers %+v, want the start and four writes", all)
	}
	for i, m := range all[1:] {
		upper := end
		if i+1 < len(between) {
			upper = between[i+1]
		}
		if m.At < between[i] || m.At > upper || m.Is.DelaySec != float64(i+1)/1000 {
			t.Errorf("moment %d is %+v, want %d ms between %v and %v", i, m, i+1, between[i], upper)
		}
	}
	if late := p.Since(end)[5]; len(late) != 1 || late[0] != all[4] {
		t.Errorf("since the end: %+v, want what stands", late)
	}
	if some := p.Since(all[2].At)[5]; len(some) != 3 || some[0] != all[2] {
		t.Errorf("since the second write: %+v, want it and two more", some)
	}
	if other := p.Since(0)[6]; len(other) != 1 {
		t.Errorf("output 6 was never written: %+v", other)
	}
}

// A rig that runs for days must not grow.
func TestProcessorForgetsWhatNobodyCanHear(t *testing.T) {
	p := started(t, Options{})
	p.mu.Lock()
	for range 1000 {
		p.remember(1)
	}
	p.epoch = p.epoch.Add(-2 * pastKept * time.Second)
	p.remember(1)
	left := len(p.past[1])
	p.mu.Unlock()
	if left != 2 {
		t.Errorf("%d moments are kept, want the one that stood a minute ago and the new one", left)
	}
}

func TestProcessorAddresses(t *testing.T) {
	p := started(t, Options{})
	if !strings.HasPrefix(p.Addr(), "127.0.0.1:") {
		t.Errorf("listens at %s", p.Addr())
	}
	if _, err := Start(context.Background(), Options{Address: p.Addr()}); err == nil || !strings.Contains(err.Error(), p.Addr()) {
		t.Errorf("a taken address: %v, want an error that names it", err)
	}
	if _, err := Start(context.Background(), Options{Address: "nowhere"}); err == nil {
		t.Error("an address without a port was taken")
	}
	address := p.Addr()
	p.Close()
	if again := started(t, Options{Address: address}); again.Addr() != address {
		t.Errorf("listens at %s, want the given %s", again.Addr(), address)
	}
}

func TestProcessorEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	p, err := Start(ctx, Options{})
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	<-p.done
	p.Close()
	p.Close()
}

// Several writers and readers at once: every write counts, nothing is torn.
func TestProcessorUnderManyHands(t *testing.T) {
	p := started(t, Options{})
	var hands sync.WaitGroup
	for output := 1; output <= 8; output++ {
		a := ask(t, p)
		hands.Go(func() {
			rng := rand.New(rand.NewPCG(5, uint64(output)))
			address := "/out/" + string(rune('0'+output)) + "/gain"
			for range 50 {
				tenths := -rng.IntN(600)
				a.float(address, float64(tenths)/10)
				if got := math.Float32frombits(a.value(address, ",f")); got != float32(float64(tenths)/10) {
					t.Errorf("%s holds %v, want %v", address, got, float64(tenths)/10)
				}
			}
		})
	}
	hands.Wait()
	if p.Writes() != 400 || p.Queries() != 400 {
		t.Errorf("%d writes, %d queries, want 400 each", p.Writes(), p.Queries())
	}
}
