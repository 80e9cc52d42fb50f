package wire

import (
	"context"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// kind is the processor of these tests: /out/N/NAME sets with one argument and
// asks with none.
func kind() processor.Profile {
	number := func(name string, perUnit float64, grid engine.Grid) processor.Parameter {
		return parameter(name, processor.Code{Type: processor.Float64, PerUnit: perUnit, Grid: grid})
	}
	twoWay := func(name string) processor.Parameter {
		return parameter(name, processor.Code{Type: processor.Int32, Off: int32(0), On: int32(1)})
	}
	p := processor.Profile{
		Name: "test kind", Outputs: 4, Timeout: 50 * time.Millisecond, Late: 120 * time.Millisecond, Tries: 3,
		Ramp: processor.Ramp{StepDB: 3, Every: 100 * time.Millisecond},
	}
	p.Parameters[processor.Delay] = number("delay", 1000, engine.Grid{Min: 0, Max: 0.5, Step: 1e-5})
	p.Parameters[processor.Gain] = number("gain", 1, engine.Grid{Min: -60, Max: 6, Step: 0.5})
	p.Parameters[processor.Polarity] = twoWay("polarity")
	p.Parameters[processor.Mute] = twoWay("mute")
	return p
}

func parameter(name string, code processor.Code) processor.Parameter {
	return processor.Parameter{
		Write:    processor.Template{Address: "/out/{output}/" + name, Args: []processor.Arg{{Kind: processor.ArgValue}}},
		ReadBack: readBack("/out/{output}/" + name),
		Code:     code,
	}
}

func readBack(address string, before ...processor.Arg) processor.ReadBack {
	return processor.ReadBack{
		Query: processor.Template{Address: address, Args: before},
		Reply: processor.Reply{Address: address, Args: append(before[:len(before):len(before)], processor.Arg{Kind: processor.ArgValue})},
	}
}

// muteless is the kind without a mute.
func muteless() processor.Profile {
	p := kind()
	p.Parameters[processor.Mute] = processor.Parameter{}
	return p
}

// sequenced is the kind with a number in every question: /ask/N/NAME number.
func sequenced() processor.Profile {
	p := kind()
	for param, name := range []string{"delay", "polarity", "gain", "mute"} {
		p.Parameters[param].ReadBack = readBack("/ask/{output}/"+name, processor.Arg{Kind: processor.ArgSequence})
	}
	return p
}

// Ways that a message goes.
const (
	there = "there"
	back  = "back"
)

// net is a device and the way to it, both as bad as the test wants.
type net struct {
	mu      sync.Mutex
	values  map[string]any
	waiting []*waiter
	asking  int // questions under way, and the most there ever were
	most    int
	log     []string // what reached the device, with the time since the start
	start   time.Time

	copies func(way string, m osc.Message) []time.Duration // when each copy arrives; nil: one at once
	answer func(m osc.Message) (osc.Message, bool)         // instead of what the values say
}

type waiter struct {
	answers func(osc.Message) bool
	got     chan osc.Message
}

func newNet(settings ...engine.Setting) *net {
	n := &net{values: map[string]any{}, start: time.Now()}
	for output := 1; output <= 4; output++ {
		n.put(engine.Setting{Output: output, Polarity: 1})
	}
	for _, set := range settings {
		n.put(set)
	}
	return n
}

func (n *net) put(set engine.Setting) {
	at := func(name string) string { return fmt.Sprintf("/out/%d/%s", set.Output, name) }
	n.mu.Lock()
	defer n.mu.Unlock()
	n.values[at("delay")] = set.DelaySec * 1000
	n.values[at("gain")] = set.GainDB
	n.values[at("polarity")] = map[int]int32{1: 0, -1: 1}[set.Polarity]
	n.values[at("mute")] = map[bool]int32{false: 0, true: 1}[set.Muted]
}

func (n *net) get(output int) engine.Setting {
	n.mu.Lock()
	defer n.mu.Unlock()
	at := func(name string) any { return n.values[fmt.Sprintf("/out/%d/%s", output, name)] }
	return engine.Setting{
		Output: output, DelaySec: at("delay").(float64) / 1000, GainDB: at("gain").(float64),
		Polarity: map[int32]int{0: 1, 1: -1}[at("polarity").(int32)], Muted: at("mute").(int32) == 1,
	}
}

// arrive calls back with each copy of a message.
func (n *net) arrive(way string, m osc.Message, with func(osc.Message)) {
	n.mu.Lock()
	when := []time.Duration{0}
	if n.copies != nil {
		when = n.copies(way, m)
	}
	n.mu.Unlock()
	for _, d := range when {
		if d == 0 {
			with(m)
		} else {
			time.AfterFunc(d, func() { with(m) })
		}
	}
}

func (n *net) Send(ctx context.Context, m osc.Message) error {
	n.arrive(there, m, func(m osc.Message) {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.log = append(n.log, fmt.Sprintf("%v %s %v", time.Since(n.start), m.Address, m.Args[0]))
		n.values[m.Address] = m.Args[0]
	})
	return ctx.Err()
}

func (n *net) SendAll(ctx context.Context, messages []osc.Message) error {
	for _, m := range messages {
		if err := n.Send(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

func (n *net) Ask(ctx context.Context, query osc.Message, answers func(osc.Message) bool) (osc.Message, error) {
	w := &waiter{answers, make(chan osc.Message, 1)}
	n.mu.Lock()
	n.asking++
	n.most = max(n.most, n.asking)
	n.waiting = append(n.waiting, w)
	n.mu.Unlock()
	defer n.forget(w)
	n.arrive(there, query, func(query osc.Message) {
		n.arrive(back, n.reply(query), n.deliver)
	})
	select {
	case m := <-w.got:
		return m, nil
	case <-ctx.Done():
		return osc.Message{}, fmt.Errorf("no answer to %s: %w", query.Address, ctx.Err())
	}
}

func (n *net) reply(query osc.Message) osc.Message {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.answer != nil {
		if m, ok := n.answer(query); ok {
			return m
		}
	}
	stored := strings.Replace(query.Address, "/ask/", "/out/", 1)
	return osc.Message{Address: query.Address, Args: append(append([]any{}, query.Args...), n.values[stored])}
}

// deliver gives a message to whoever has waited longest for one like it.
func (n *net) deliver(m osc.Message) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for i, w := range n.waiting {
		if w.answers(m) {
			n.waiting = append(n.waiting[:i:i], n.waiting[i+1:]...)
			w.got <- m
			return
		}
	}
}

func (n *net) forget(w *waiter) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.asking--
	for i := range n.waiting {
		if n.waiting[i] == w {
			n.waiting = append(n.waiting[:i:i], n.waiting[i+1:]...)
			return
		}
	}
}

// over is a wire to one net, outputs 1 to 4.
func over(t *testing.T, p processor.Profile, n *net) *Wire {
	t.Helper()
	w, err := New([]Processor{{Profile: p, Wire: n}}, []engine.Output{{Number: 1}, {Number: 2}, {Number: 3}, {Number: 4}})
	must(t, err)
	return w
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func alike(a, b engine.Setting) bool {
	return a.Output == b.Output && a.Polarity == b.Polarity && a.Muted == b.Muted &&
		math.Abs(a.DelaySec-b.DelaySec) < 0.5e-5 && math.Abs(a.GainDB-b.GainDB) < 0.25
}

func nobody(int, []Reading) {}
