package control

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/control/wire"
	"hushback/engine"
)

// kindOf is the processor of these tests, as the profile describes it. The
// device below spells it out again by hand, so that a mistake in the profile's
// code cannot cancel out.
func kindOf() processor.Profile {
	number := func(name string, perUnit float64, grid engine.Grid) processor.Parameter {
		return parameter(name, processor.Code{Type: processor.Float32, PerUnit: perUnit, Grid: grid})
	}
	twoWay := func(name string) processor.Parameter {
		return parameter(name, processor.Code{Type: processor.Int32, Off: int32(0), On: int32(1)})
	}
	p := processor.Profile{Name: "test kind", Outputs: 6, Gap: time.Millisecond, Timeout: 100 * time.Millisecond, Late: 100 * time.Millisecond, Tries: 4,
		Ramp: processor.Ramp{StepDB: 3}}
	p.Parameters[processor.Delay] = number("delay", 1000, engine.Grid{Min: 0, Max: 0.5, Step: 1e-5})
	p.Parameters[processor.Gain] = number("gain", 1, engine.Grid{Min: -60, Max: 6, Step: 0.1})
	p.Parameters[processor.Polarity] = twoWay("polarity")
	p.Parameters[processor.Mute] = twoWay("mute")
	return p
}

func parameter(name string, code processor.Code) processor.Parameter {
	address := "/out/{output}/" + name
	return processor.Parameter{
		Write: processor.Template{Address: address, Args: []processor.Arg{{Kind: processor.ArgValue}}},
		ReadBack: processor.ReadBack{
			Query: processor.Template{Address: address},
			Reply: processor.Reply{Address: address, Args: []processor.Arg{{Kind: processor.ArgValue}}},
		},
		Code: code,
	}
}

// device is an emulated processor: a value for each address.
type device struct {
	mu      sync.Mutex
	values  map[string]any
	stuck   func(address string, value any) bool // true: the write changes nothing
	ceiling map[int]float64                      // the loudest each output may be while open
	faults  []string                             // what must never happen, and did
}

// newDevice holds settings on outputs 1 to 4; outputs 5 and 6 belong to
// somebody else, and nothing may ever be written to them.
func newDevice(settings []engine.Setting) *device {
	d := &device{values: map[string]any{}, ceiling: map[int]float64{}}
	for output := 1; output <= 6; output++ {
		d.put(engine.Setting{Output: output, Polarity: 1, GainDB: -1})
	}
	for _, set := range settings {
		d.put(set)
	}
	return d
}

func (d *device) put(set engine.Setting) {
	d.mu.Lock()
	defer d.mu.Unlock()
	at := func(name string) string { return fmt.Sprintf("/out/%d/%s", set.Output, name) }
	d.values[at("delay")] = float32(set.DelaySec * 1000)
	d.values[at("gain")] = float32(set.GainDB)
	d.values[at("polarity")] = map[int]int32{1: 0, -1: 1}[set.Polarity]
	d.values[at("mute")] = map[bool]int32{false: 0, true: 1}[set.Muted]
}

func (d *device) get(output int) engine.Setting {
	d.mu.Lock()
	defer d.mu.Unlock()
	at := func(name string) any { return d.values[fmt.Sprintf("/out/%d/%s", output, name)] }
	return engine.Setting{
		Output:   output,
		DelaySec: float64(at("delay").(float32)) / 1000,
		Polarity: map[int32]int{0: 1, 1: -1}[at("polarity").(int32)],
		GainDB:   float64(at("gain").(float32)),
		Muted:    at("mute").(int32) == 1,
	}
}

func (d *device) fault(format string, args ...any) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.faults = append(d.faults, fmt.Sprintf(format, args...))
}

// write takes a datagram and looks at how loud the outputs are afterwards.
func (d *device) write(m osc.Message) {
	var output int
	var name string
	if n, _ := fmt.Sscanf(m.Address, "/out/%d/%s", &output, &name); n != 2 || output > 4 {
		d.fault("write to %s", m.Address)
		return
	}
	d.mu.Lock()
	if d.stuck == nil || !d.stuck(m.Address, m.Args[0]) {
		d.values[m.Address] = m.Args[0]
	}
	ceiling, limited := d.ceiling[output]
	d.mu.Unlock()
	if set := d.get(output); limited && !set.Muted && set.GainDB > ceiling+1e-4 {
		d.fault("output %d is open at %g dB, louder than %g dB", output, set.GainDB, ceiling)
	}
}

// line is the way from one controller to the device. What the tests hang into
// it is called by one goroutine at a time.
type line struct {
	to *device

	turn    sync.Mutex // guards what the tests hang in
	mu      sync.Mutex
	sent    []osc.Message
	asked   int
	lose    func(nth int, m osc.Message) bool // a write that never arrives; nth counts from 1
	onWrite func(nth int)                     // before the nth write arrives
	silent  func(m osc.Message) bool          // a query that is never answered
	dead    chan struct{}                     // if set, nothing leaves from deadAt on, and whoever sends waits until it is closed
	deadAt  int
}

func (l *line) Send(ctx context.Context, m osc.Message) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if len(m.Args) != 1 {
		l.to.fault("Send of %s, which sets nothing", m)
	}
	l.mu.Lock()
	l.sent = append(l.sent, m)
	nth := len(l.sent)
	l.mu.Unlock()
	if l.dead != nil && nth >= l.deadAt {
		<-l.dead
		return nil
	}
	l.turn.Lock()
	defer l.turn.Unlock()
	if l.onWrite != nil {
		l.onWrite(nth)
	}
	if l.lose == nil || !l.lose(nth, m) {
		l.to.write(m)
	}
	return nil
}

func (l *line) SendAll(ctx context.Context, messages []osc.Message) error {
	for _, m := range messages {
		if err := l.Send(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

func (l *line) Ask(ctx context.Context, query osc.Message, answers func(osc.Message) bool) (osc.Message, error) {
	if len(query.Args) != 0 {
		l.to.fault("Ask with %s, which sets something", query)
	}
	l.mu.Lock()
	l.asked++
	dead := l.dead != nil && len(l.sent) >= l.deadAt
	l.mu.Unlock()
	silent := l.isSilent(query)
	l.to.mu.Lock()
	value, ok := l.to.values[query.Address]
	l.to.mu.Unlock()
	reply := osc.Message{Address: query.Address, Args: []any{value}}
	if dead || !ok || silent || !answers(reply) {
		<-ctx.Done()
		return osc.Message{}, fmt.Errorf("no answer to %s: %w", query.Address, ctx.Err())
	}
	return reply, ctx.Err()
}

func (l *line) isSilent(query osc.Message) bool {
	l.turn.Lock()
	defer l.turn.Unlock()
	return l.silent != nil && l.silent(query)
}

// hang changes what the tests hang in, while others may be sending.
func (l *line) hang(change func()) {
	l.turn.Lock()
	defer l.turn.Unlock()
	change()
}

func (l *line) questions() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.asked
}

func (l *line) writes() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.sent)
}

// asFound is what the device holds at first, safe what its safe preset is, and
// sheet what is wanted: one output more opened, one muted, one much louder,
// one much quieter.
func asFound() []engine.Setting {
	return []engine.Setting{
		{Output: 1, DelaySec: 0.002, Polarity: 1, GainDB: -20},
		{Output: 2, DelaySec: 0.01234, Polarity: -1, GainDB: 0},
		{Output: 3, DelaySec: 0, Polarity: 1, GainDB: -3, Muted: true},
		{Output: 4, DelaySec: 0.0005, Polarity: 1, GainDB: -6.5},
	}
}

func safe() []engine.Setting {
	return []engine.Setting{
		{Output: 1, Polarity: 1, GainDB: -12},
		{Output: 2, Polarity: 1, GainDB: -12},
		{Output: 3, Polarity: 1, GainDB: -12},
		{Output: 4, Polarity: 1, GainDB: -12, Muted: true},
	}
}

func sheet() engine.Sheet {
	return engine.Sheet{Settings: []engine.Setting{
		{Output: 1, DelaySec: 0, Polarity: -1, GainDB: 0},
		{Output: 2, DelaySec: 0.00421, Polarity: 1, GainDB: -7.8},
		{Output: 3, DelaySec: 0.00557, Polarity: 1, GainDB: -7.8},
		{Output: 4, DelaySec: 0.00421, Polarity: 1, GainDB: -7.8, Muted: true},
	}}
}

// rig is a device, a line to it, a store and a controller.
type rig struct {
	*Controller
	t      *testing.T
	device *device
	line   *line
	store  *preset.Store

	mu     sync.Mutex
	states []State  // as notified
	words  []string // the same, spelled out when they were
}

// newRig has a safe preset but holds what was found.
func newRig(t *testing.T) *rig {
	t.Helper()
	r := newRigWithoutSafe(t)
	must(t, r.store.Put(preset.Preset{Name: preset.Safe, Taken: time.Now(), Settings: safe()}))
	return r
}

func newRigWithoutSafe(t *testing.T) *rig {
	t.Helper()
	store, err := preset.Open(filepath.Join(t.TempDir(), "store"))
	must(t, err)
	r := &rig{t: t, device: newDevice(asFound()), store: store}
	for _, states := range [][]engine.Setting{asFound(), safe(), sheet().Settings} {
		r.allow(states)
	}
	t.Cleanup(func() {
		store.Close()
		for _, fault := range r.device.faults {
			t.Error(fault)
		}
		for output := 5; output <= 6; output++ {
			if got, want := r.device.get(output), (engine.Setting{Output: output, Polarity: 1, GainDB: -1}); got != want {
				t.Errorf("output %d belongs to somebody else and was changed: %+v", output, got)
			}
		}
	})
	r.restart()
	return r
}

// allow lets outputs be as loud as in these settings.
func (r *rig) allow(settings []engine.Setting) {
	for _, set := range settings {
		if was, ok := r.device.ceiling[set.Output]; !ok || set.GainDB > was {
			r.device.ceiling[set.Output] = set.GainDB
		}
	}
}

// restart makes a new controller with a new line, as a new process would have.
func (r *rig) restart() {
	r.t.Helper()
	r.line = &line{to: r.device}
	var err error
	r.Controller, err = New(r.config())
	must(r.t, err)
}

func (r *rig) config() Config {
	outputs := make([]engine.Output, 4)
	for i := range outputs {
		outputs[i] = engine.Output{Number: i + 1, MaxGainDB: 0}
	}
	return Config{
		Processors: []Processor{{Profile: kindOf(), Wire: r.line}}, Store: r.store, Outputs: outputs,
		ConfirmFor: time.Minute, KeepFor: 30 * time.Second,
		Notify: func(s State) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.states = append(r.states, s)
			r.words = append(r.words, fmt.Sprintf("%+v", s))
		},
	}
}

// confirmed takes a dry run of the sheet and confirms it.
func (r *rig) confirmed() (DryRun, *Confirmed) {
	r.t.Helper()
	d, err := r.DryRun(r.t.Context(), sheet())
	must(r.t, err)
	confirmed, err := r.Confirm(d.Digest, Consent{})
	must(r.t, err)
	return d, confirmed
}

// apply carries the sheet out with a proof that listens to every output.
func (r *rig) apply(ctx context.Context, decide Decide) State {
	r.t.Helper()
	_, confirmed := r.confirmed()
	state, err := r.Apply(ctx, confirmed, listen, decide)
	must(r.t, err)
	return state
}

// listen measures every open output alone and then all together.
func listen(ctx context.Context, bench Bench) (Proof, error) {
	for _, output := range []int{1, 2, 3} {
		if err := bench.Solo(ctx, output); err != nil {
			return Proof{}, err
		}
	}
	return Proof{Proven: true, Reason: "the null is there"}, bench.Everything(ctx)
}

func keep(context.Context, Held) Decision { return Keep }

// holds fails the test unless the device holds these settings.
func (r *rig) holds(what string, settings []engine.Setting) {
	r.t.Helper()
	for _, want := range settings {
		if got := r.device.get(want.Output); !alike(got, want) {
			r.t.Errorf("%s: the processor holds %+v\nwant %+v", what, got, want)
		}
	}
}

// alike is by hand what half a step is.
func alike(a, b engine.Setting) bool {
	return a.Output == b.Output && a.Polarity == b.Polarity && a.Muted == b.Muted &&
		math.Abs(a.DelaySec-b.DelaySec) < 0.5e-5 && math.Abs(a.GainDB-b.GainDB) < 0.05
}

// settled fails the test if a change is open.
func (r *rig) settled(what string) {
	r.t.Helper()
	if c, open, err := r.store.OpenChange(); open || err != nil {
		r.t.Errorf("%s: change %q is still open (%v)", what, c.ID, err)
	}
}

// events is the journal, oldest first.
func (r *rig) events() []string {
	r.t.Helper()
	entries, err := r.store.Journal(1000)
	must(r.t, err)
	slices.Reverse(entries)
	events := make([]string, len(entries))
	for i, e := range entries {
		events[i] = e.Event
	}
	return events
}

// run is a test of its own in a bubble with a clock of its own.
func run(t *testing.T, name string, test func(*testing.T)) {
	t.Helper()
	t.Run(name, func(t *testing.T) { synctest.Test(t, test) })
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func equal(t *testing.T, what string, got, want any) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s: got %v\nwant %v", what, got, want)
	}
}

// The daemon's way to the processor fits the seam.
var _ wire.Exchanger = (*osc.Conn)(nil)
