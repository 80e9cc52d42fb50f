package emulated

import (
	"context"
	"math"
	"net"
	"strings"
	"testing"
	"time"

	"hushback/control/osc"
	"hushback/engine"
)

func started(t *testing.T, o Options) *Processor {
	t.Helper()
	p, err := Start(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	return p
}

func patient(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func said(address string, args ...any) osc.Message { return osc.Message{Address: address, Args: args} }

// Each kind by the words of its profile's comments: what is sent, what is
// answered, and what it holds then. Numbers worked out by hand.
func TestEveryKindByHand(t *testing.T) {
	type exchange struct {
		send osc.Message
		want string // the answer; "" for a write, "-" for silence
	}
	for name, c := range map[string]struct {
		options osc.Options
		talk    []exchange
		output  int
		holds   engine.Setting
	}{
		"plain-eight": {osc.Options{}, []exchange{
			{said("/out/2/delay", float32(4.213)), ""}, {said("/out/2/delay"), "/out/2/delay ,f 4.21"},
			{said("/out/2/gain", float32(-99)), ""}, {said("/out/2/gain"), "/out/2/gain ,f -60"},
			{said("/out/2/polarity", int32(1)), ""}, {said("/out/2/mute", int32(1)), ""}, {said("/out/2/mute"), "/out/2/mute ,i 1"},
			{said("/out/2/mute", true), "-"}, {said("/out/9/mute"), "-"}, {said("/out/02/mute"), "-"},
		}, 2, engine.Setting{Output: 2, DelaySec: 0.00421, Polarity: -1, GainDB: -60, Muted: true}},
		"counting-twelve": {osc.Options{}, []exchange{
			{said("/set/delay", int32(12), int32(960), "now"), ""}, {said("/get/delay", int32(12)), "/is/delay ,iii 1 12 960"},
			{said("/set/gain", int32(12), int32(-31), "now"), ""}, {said("/set/polarity", int32(12), "reversed", "now"), ""},
			{said("/get/polarity", int32(12)), `/is/polarity ,iis 2 12 "reversed"`}, {said("/set/mute", int32(12), true, "now"), ""},
			{said("/get/mute", int32(12)), "/is/mute ,iiT 3 12 T"}, {said("/set/delay", int32(12), int32(0), "later"), "-"},
		}, 12, engine.Setting{Output: 12, DelaySec: 0.01, Polarity: -1, GainDB: -7.75, Muted: true}},
		"lettered-six": {osc.Options{Transport: osc.TCPSLIP}, []exchange{
			{said("/strip/F/distance/set", 3.435), ""}, {said("/strip/F/distance/get", int32(41)), "/strip/F/distance ,id 41 3.435"},
			{said("/strip/F/gain/set", 9.0), ""}, {said("/strip/F/gain/get", int32(42)), "/strip/F/gain ,id 42 9"},
			{said("/strip/F/gain/now", int32(43)), "/strip/F/gain/is ,id 43 6"}, {said("/strip/F/sign/set", -1.0), ""},
			{said("/strip/F/sign/get", int32(44)), "/strip/F/sign ,id 44 -1"}, {said("/strip/F/mute/set", false), ""},
			{said("/strip/F/name/get", int32(45)), `/strip/F/name ,is 45 "rear"`}, {said("/strip/G/name/get", int32(45)), "-"},
		}, 6, engine.Setting{Output: 6, DelaySec: 0.01, Polarity: -1, GainDB: 9}},
		"one-address-sixteen": {osc.Options{Transport: osc.TCPLength}, []exchange{
			{said("/put", "delay", int32(66), int64(12340), nil), ""}, {said("/take", "delay", int32(66)), `/taken ,sih "delay" 66 12340`},
			{said("/put", "level", int32(66), int32(16000), int64(1)), ""}, {said("/take", "level", int32(66)), `/taken ,sii "level" 66 16000`},
			{said("/put", "polarity", int32(66), "-", []byte{0}), ""}, {said("/take", "polarity", int32(66)), `/taken ,sis "polarity" 66 "-"`},
			{said("/put", "mute", int32(66), int64(1), true), ""}, {said("/take", "mute", int32(66)), `/taken ,sih "mute" 66 1`},
			{said("/take", "mute", int32(37)), `/fault ,ss "/take" "no node 37"`},
		}, 6, engine.Setting{Output: 6, DelaySec: 0.01234, Polarity: -1, GainDB: -8, Muted: true}},
		"bundled-sixty-four": {osc.Options{}, []exchange{
			{said("/line/063/all"), "-"}, // nobody listens yet
			{said("/listen", int32(1), int32(30)), ""},
			{said("/line/063/delay", float32(0.01)), ""}, {said("/line/063/amplitude", float32(0.5)), ""},
			{said("/line/063/reverse", true), ""}, {said("/line/063/mute", int32(0)), ""},
			{said("/line/063/all"), "/line/063/all ,fTfi 0.01 T 0.5011872 0"},
		}, 64, engine.Setting{Output: 64, DelaySec: 0.01, Polarity: -1, GainDB: -6}},
		"muteless-four": {osc.Options{}, []exchange{
			{said("/way/4/t", int32(55)), ""}, {said("/way/4/t"), "/way/4/t ,i 55"}, {said("/way/4/p", int32(-1)), ""}, {said("/way/4/p"), "/way/4/p ,i -1"},
			{said("/way/4/g", int32(163)), ""}, {said("/way/4/g"), "/way/4/g ,i 163"}, {said("/way/4/m"), "-"},
		}, 4, engine.Setting{Output: 4, DelaySec: 0.0055, Polarity: -1, GainDB: -8.5}},
		"blind-four": {osc.Options{}, []exchange{
			{said("/blind/3", "feet", float32(11.25)), ""}, {said("/blind/3", "gain", float32(-7.8)), ""},
			{said("/blind/3", "turned", true), ""}, {said("/blind/3", "mute", true), ""}, {said("/blind/3"), "-"},
		}, 3, engine.Setting{Output: 3, DelaySec: 0.01, Polarity: -1, GainDB: -7.8, Muted: true}},
	} {
		t.Run(name, func(t *testing.T) {
			p := started(t, Options{Kind: name})
			p.Label(6, "rear")
			conn, err := osc.Dial(p.Addr(), c.options)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			writes := 0
			for _, e := range c.talk {
				switch e.want {
				case "":
					writes++
					fallthrough
				case "-":
					if err := conn.Send(patient(t), e.send); err != nil {
						t.Fatal(err)
					}
				default:
					m, err := conn.Ask(patient(t), e.send, func(osc.Message) bool { return true })
					if err != nil || m.String() != e.want {
						t.Errorf("%s: answered %s, %v, want %s", e.send, m, err, e.want)
					}
				}
			}
			eventually(t, "the last message is dealt with", func() bool {
				return same(p.Settings()[c.output-1], c.holds)
			})
			if conn.Dropped() > 1 { // one-address-sixteen's fault is asked for
				t.Errorf("%d answers that nobody asked for", conn.Dropped())
			}
		})
	}
}

// same allows for what ticks do to decimal fractions.
func same(a, b engine.Setting) bool {
	return a.Output == b.Output && a.Polarity == b.Polarity && a.Muted == b.Muted &&
		math.Abs(a.DelaySec-b.DelaySec) < 1e-5 && math.Abs(a.GainDB-b.GainDB) < 0.05
}

func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !is(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("never: %s", what)
		}
	}
}

func TestPanelResetAndStuckOutputs(t *testing.T) {
	p := started(t, Options{})
	set := engine.Setting{Output: 3, DelaySec: 0.002, Polarity: -1, GainDB: -12, Muted: true}
	p.Set(set)
	if got := p.Settings()[2]; !same(got, set) {
		t.Errorf("set at the panel: %+v", got)
	}
	conn, err := osc.Dial(p.Addr(), osc.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	p.Stick(3, true)
	if err := conn.Send(patient(t), said("/out/3/gain", float32(0))); err != nil {
		t.Fatal(err)
	}
	m, err := conn.Ask(patient(t), said("/out/3/gain"), func(osc.Message) bool { return true })
	if err != nil || m.Args[0] != float32(-12) || p.Writes() != 1 {
		t.Errorf("a stuck output says %s, %v after %d writes", m, err, p.Writes())
	}
	p.Reset()
	for _, got := range p.Settings() {
		if want := (engine.Setting{Output: got.Output, Polarity: 1}); !same(got, want) {
			t.Errorf("after a reset: %+v", got)
		}
	}
}

func TestUnknownKind(t *testing.T) {
	if _, err := Start(t.Context(), Options{Kind: "plain-nine"}); err == nil || !strings.Contains(err.Error(), `"plain-nine"`) {
		t.Errorf("got %v", err)
	}
	if !Emulates("blind-four") || Emulates("plain-nine") {
		t.Error("which kinds are emulated is told wrongly")
	}
}

// The clock's past: what stood at a time, and what it became later.
func TestSince(t *testing.T) {
	p := started(t, Options{})
	before := p.Seconds()
	p.Set(engine.Setting{Output: 1, Polarity: -1})
	p.Set(engine.Setting{Output: 1, Polarity: 1, GainDB: -3})
	all := p.Since(before)[1]
	if len(all) != 3 || all[1].Is.Polarity != -1 || all[2].Is.GainDB != -3 {
		t.Errorf("got %+v", all)
	}
	if now := p.Since(p.Seconds() + 1)[1]; len(now) != 1 || now[0].Is.GainDB != -3 {
		t.Errorf("now it is %+v", now)
	}
}

// Seeded: of many datagrams each fault hits about as many as it should, and
// without faults all arrive as they are.
func TestNetwork(t *testing.T) {
	const n, seed = 2000, 9
	for name, c := range map[string]struct {
		faults      Faults
		least, most float64 // datagrams that arrive, of n
		spoilt      bool
	}{
		"nothing": {Faults{}, n, n, false},
		"losses":  {Faults{Lose: 0.3}, 0.66 * n, 0.74 * n, false},
		"doubles": {Faults{Double: 0.3}, 1.26 * n, 1.34 * n, false},
		"replays": {Faults{Replay: 0.2}, 1.16 * n, 1.24 * n, false},
		"delays":  {Faults{Delay: 5 * time.Millisecond}, n, n, false},
		"spoils":  {Faults{Spoil: 0.5}, n, n, true},
		"silence": {Faults{Silence: 1, SilentFor: time.Hour}, 0, 0, false},
	} {
		t.Run(name, func(t *testing.T) {
			far, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
			if err != nil {
				t.Fatal(err)
			}
			defer far.Close()
			network, err := NewNetwork(far.LocalAddr().String(), seed)
			if err != nil {
				t.Fatal(err)
			}
			defer network.Close()
			network.Set(c.faults)
			near, err := net.Dial("udp", network.Addr())
			if err != nil {
				t.Fatal(err)
			}
			defer near.Close()
			arrived, odd := 0, 0
			buffer := make([]byte, 100)
			drain := func(wait time.Duration) bool {
				far.SetReadDeadline(time.Now().Add(wait))
				k, err := far.Read(buffer)
				if err != nil {
					return false
				}
				arrived++
				if k != 4 || buffer[0] != 'd' || buffer[3] != 'd' {
					odd++
				}
				return true
			}
			for i := range n {
				if _, err := near.Write([]byte{'d', byte(i), byte(i >> 8), 'd'}); err != nil {
					t.Fatal(err)
				}
				if i%50 == 49 { // no faster than sockets hold
					eventually(t, "they were taken", func() bool { return network.Carried() > i })
					for drain(time.Millisecond) {
					}
				}
			}
			for drain(100 * time.Millisecond) {
			}
			if float64(arrived) < c.least || float64(arrived) > c.most || (odd > n/10) != c.spoilt {
				t.Errorf("seed %d: %d of %d arrived, want %.0f to %.0f; %d of them spoilt", seed, arrived, n, c.least, c.most, odd)
			}
		})
	}
}

// Answers find their way back through the network.
func TestNetworkBothWays(t *testing.T) {
	p := started(t, Options{})
	network, err := NewNetwork(p.Addr(), 1)
	if err != nil {
		t.Fatal(err)
	}
	defer network.Close()
	conn, err := osc.Dial(network.Addr(), osc.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	m, err := conn.Ask(patient(t), said("/out/1/gain"), func(osc.Message) bool { return true })
	if err != nil || m.String() != "/out/1/gain ,f -6" {
		t.Errorf("got %s, %v", m, err)
	}
}
