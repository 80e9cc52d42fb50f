// Package desktest is for tests of what shows a desk and presses on it: a desk
// that records, and the pictures of an invented job in every state.
package desktest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/whatif"
	"hushback/control"
	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/verify"
)

// Desk records what reaches it and shows whatever view a test sets.
type Desk struct {
	mu       sync.Mutex
	view     desk.View
	noted    []string // "phone 1 kept it", in order
	presses  []string // "confirm 3f9a...", in order
	refusal  error
	adopted  engine.Site
	watchers map[chan struct{}]bool
	past     []dossier.Dossier
}

func New(v desk.View) *Desk {
	return &Desk{view: v, watchers: map[chan struct{}]bool{}}
}

func (d *Desk) View() desk.View {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.view
}

func (d *Desk) Watch() (<-chan struct{}, func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	c := make(chan struct{}, 1)
	d.watchers[c] = true
	return c, func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		delete(d.watchers, c)
	}
}

// Show changes the view and tells everybody who watches. Pictures that were handed out
// are not touched: their feeds stay as they were.
func (d *Desk) Show(change func(*desk.View)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.view.Feeds = slices.Clone(d.view.Feeds)
	change(&d.view)
	d.view.Seq++
	for c := range d.watchers {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// end closes every watch, as a daemon that stops does.
func (d *Desk) End() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for c := range d.watchers {
		close(c)
		delete(d.watchers, c)
	}
}

func (d *Desk) Watching() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.watchers)
}

// Pressed has the desk's journal tell who pressed what; see Noted.
func (d *Desk) Pressed(who, what string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.noted = append(d.noted, who+" "+what)
}

// Noted is what the journal tells, in order.
func (d *Desk) Noted() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]string(nil), d.noted...)
}

// Wishes is what reached the desk, in order.
func (d *Desk) Wishes() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]string(nil), d.presses...)
}

func (d *Desk) press(ctx context.Context, what string) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.presses = append(d.presses, what)
	return d.refusal
}

func (d *Desk) Refuse(sentence string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.refusal = nil; sentence != "" {
		d.refusal = errors.New(sentence)
	}
}

func (d *Desk) StoreSafe(ctx context.Context) error { return d.press(ctx, "store safe") }
func (d *Desk) DryRun(ctx context.Context) error    { return d.press(ctx, "dry run") }
func (d *Desk) Confirm(ctx context.Context, digest string, blind bool) error {
	if blind {
		digest += " blind"
	}
	return d.press(ctx, "confirm "+digest)
}
func (d *Desk) Keep(ctx context.Context, change string) error {
	return d.press(ctx, "keep "+change)
}
func (d *Desk) RollBack(ctx context.Context, change string) error {
	return d.press(ctx, "roll back "+change)
}
func (d *Desk) Safe(ctx context.Context) error       { return d.press(ctx, "safe") }
func (d *Desk) Accept(ctx context.Context) error     { return d.press(ctx, "accept") }
func (d *Desk) PutBack(ctx context.Context) error    { return d.press(ctx, "put back") }
func (d *Desk) Correct(ctx context.Context) error    { return d.press(ctx, "correct") }
func (d *Desk) AsDesigned(ctx context.Context) error { return d.press(ctx, "as designed") }
func (d *Desk) Adopt(ctx context.Context, site engine.Site) error {
	d.mu.Lock()
	d.adopted = site
	d.mu.Unlock()
	return d.press(ctx, "adopt "+site.Job)
}

// Adopted is the last site that was to be adopted.
func (d *Desk) Adopted() engine.Site {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.adopted
}

// Bench is a processor with usual steps and a site file without layouts.
func (d *Desk) Bench() whatif.Bench {
	return whatif.Bench{
		Ranges: engine.Ranges{DelaySec: engine.Grid{Max: 0.65, Step: 1e-5}, GainDB: engine.Grid{Min: -60, Max: 6, Step: 0.1}},
		Snap:   func(_ engine.Site, s engine.Sheet) engine.Sheet { return s },
	}
}
func (d *Desk) Placed(ctx context.Context, microphone string) error {
	return d.press(ctx, "placed "+microphone)
}
func (d *Desk) UseAsSafe(ctx context.Context, name string) error {
	return d.press(ctx, "use as safe "+name)
}
func (d *Desk) SavePreset(ctx context.Context, name string) error {
	return d.press(ctx, "save preset "+name)
}
func (d *Desk) DryRunPreset(ctx context.Context, name string) error {
	return d.press(ctx, "dry run preset "+name)
}

// The invented job of these tests.

func Site() engine.Site {
	corners := func(x1, y1, x2, y2 float64) []engine.Point {
		return []engine.Point{{X: x1, Y: y1}, {X: x2, Y: y1}, {X: x2, Y: y2}, {X: x1, Y: y2}}
	}
	return engine.Site{
		Job:        "Quarry meadow, third night (invented)",
		Air:        engine.Air{TemperatureC: 17.5, Humidity: 0.62, PressurePa: 100900},
		Target:     engine.Target{NullHz: 47, Range: engine.Band{LowHz: 32, HighHz: 68}},
		Limits:     engine.Limits{NullDepthDB: 24, NullOffsetHz: 0.5, SumShortfallDB: 1.5},
		TestSignal: engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Wiring:     engine.Wiring{Profile: "plain-eight", Address: "127.0.0.1:9000"},
		Outputs: []engine.Output{
			{Number: 1, Label: "rear"}, {Number: 2, Label: "left front"}, {Number: 3, Label: "centre front"}, {Number: 4, Label: "right front"},
		},
		Sources: []engine.Source{
			{Name: "rear stack", Row: engine.RowRear, At: engine.Point{Z: 0.3}, Output: 1},
			{Name: "left front", Row: engine.RowFront, At: engine.Point{X: 1.65, Y: 1.75, Z: 0.3}, Output: 2},
			{Name: "centre front", Row: engine.RowFront, At: engine.Point{X: 2.1, Z: 0.3}, Output: 3},
			{Name: "right front", Row: engine.RowFront, At: engine.Point{X: 1.65, Y: -1.75, Z: 0.3}, Output: 4},
		},
		Microphones: []engine.Microphone{
			{Name: "meadow", Role: engine.RoleFront, At: engine.Point{X: 24, Z: 1.2}},
			{Name: "back fence", Role: engine.RoleRear, At: engine.Point{X: -12, Z: 1.2}},
		},
		Zones: []engine.Zone{
			{Name: "meadow", Kind: engine.ZoneAudience, Corners: corners(6, -11, 30, 11)},
			{Name: "house", Kind: engine.ZoneQuiet, Corners: corners(-18, -9, -10, 7)},
		},
	}
}

func Sheet() engine.Sheet {
	return engine.Sheet{Settings: []engine.Setting{
		{Output: 1, DelaySec: 0, Polarity: -1, GainDB: 0},
		{Output: 2, DelaySec: 0.00517, Polarity: 1, GainDB: -7.8},
		{Output: 3, DelaySec: 0.00612, Polarity: 1, GainDB: -7.8},
		{Output: 4, DelaySec: 0.00517, Polarity: 1, GainDB: -7.8},
	}}
}

// AsFound is what the fake processor held before.
func AsFound() []engine.Setting {
	var out []engine.Setting
	for _, s := range Sheet().Settings {
		out = append(out, engine.Setting{Output: s.Output, Polarity: 1})
	}
	return out
}

// Prediction has the shape of the real thing: a front that sums and a rear
// with a null at 47 Hz. The numbers are drawn, not solved.
func Prediction() engine.Prediction {
	p := engine.Prediction{SoundSpeed: 342.1, HeadroomCostDB: 3.4, QuietDB: -17.9}
	for f := 20.0; f <= 120; f += 0.5 {
		front := cmplx.Rect(0.075*(1-0.12*math.Pow(math.Log2(f/47), 2)), -2*math.Pi*f*24/342.1)
		rear := cmplx.Rect(0.17*math.Abs(math.Sin(math.Pi*(f-47)/120))+0.0007, -2*math.Pi*f*12/342.1)
		p.Front.FreqHz, p.Front.P = append(p.Front.FreqHz, f), append(p.Front.P, front)
		p.Rear.FreqHz, p.Rear.P = append(p.Rear.FreqHz, f), append(p.Rear.P, rear)
	}
	p.Summary = engine.Summary{NullHz: 47.1, NullDepthDB: -40.6, AtTargetDB: -39.9, SumShortfallDB: 0.6, ShortfallAtHz: 68}
	return p
}

// Capture is what a microphone hears of a curve: louder by a factor that
// nobody knows, and with noise.
func Capture(role engine.Role, name string, solo int, of engine.Curve) verify.Capture {
	const factor, sigma = 0.31, 0.0004
	rng := rand.New(rand.NewPCG(7, uint64(len(role)))) // fixed: the tests want one picture
	c := verify.Capture{Microphone: name, Role: role, Solo: solo, SheetDigest: Sheet().Digest(), Taken: Time}
	for i, f := range of.FreqHz {
		if math.Mod(f, 2) != 0 {
			continue
		}
		h := of.P[i]*complex(factor, 0) + complex(rng.NormFloat64()*sigma, rng.NormFloat64()*sigma)
		c.Function.FreqHz, c.Function.H = append(c.Function.FreqHz, f), append(c.Function.H, h)
		c.Function.Sigma, c.Function.Coherence = append(c.Function.Sigma, sigma), append(c.Function.Coherence, 0.999)
	}
	c.Function.Averages = 12
	return c
}

var Time = time.Date(2026, 3, 14, 21, 4, 10, 0, time.UTC)

// Turns says both states as a processor with steps of 0.01 ms and 0.1 dB
// would.
func Turns(before, after []engine.Setting) []control.Turn {
	say := func(p processor.Param, set engine.Setting, known bool) string {
		switch {
		case !known:
			return "unknown"
		case p == processor.Delay:
			return fmt.Sprintf("delay %.2f ms", set.DelaySec*1000)
		case p == processor.Polarity:
			return map[bool]string{true: "polarity reversed", false: "polarity normal"}[set.Polarity < 0]
		case p == processor.Gain:
			return fmt.Sprintf("gain %.1f dB", set.GainDB)
		default:
			return map[bool]string{true: "muted", false: "open"}[set.Muted]
		}
	}
	var turns []control.Turn
	for _, set := range after {
		was, known := engine.Sheet{Settings: before}.Setting(set.Output)
		for _, p := range processor.Params {
			turns = append(turns, control.Turn{Output: set.Output, Param: p, Before: say(p, was, known), After: say(p, set, true)})
		}
	}
	return turns
}

func DryRun() control.DryRun {
	d := control.DryRun{Before: AsFound(), After: Sheet().Settings, Back: control.ToBefore, Expires: Time.Add(5 * time.Minute)}
	d.Turns = Turns(d.Before, d.After)
	hash := sha256.New()
	add := func(part control.Part, output int, p processor.Param, path, words string, arg any, tail []byte) {
		address := fmt.Sprintf("/out/%d/%s", output, path)
		step := control.Step{Part: part, Output: output, Param: p, Words: words, Message: osc.Message{Address: address, Args: []any{arg}}}
		step.Bytes = append(append([]byte(address), 0, 0, 0), tail...)
		hash.Write(step.Bytes)
		d.Steps = append(d.Steps, step)
	}
	for i, s := range d.After {
		add(control.PartSend, s.Output, processor.Delay, "delay", fmt.Sprintf("output %d: delay %.2f ms", s.Output, s.DelaySec*1000), float32(s.DelaySec*1000), []byte(",f\x00\x00\x40\xa5\x70\xa4"))
		add(control.PartSend, s.Output, processor.Gain, "gain", fmt.Sprintf("output %d: gain %.1f dB", s.Output, s.GainDB), float32(s.GainDB), []byte(",f\x00\x00\xc0\xf9\x99\x9a"))
		add(control.PartMeasure, s.Output, processor.Mute, "mute", fmt.Sprintf("output %d: muted", s.Output), int32(1), []byte(",i\x00\x00\x00\x00\x00\x01"))
		add(control.PartUndo, s.Output, processor.Delay, "delay", fmt.Sprintf("output %d: delay %.2f ms", s.Output, d.Before[i].DelaySec*1000), float32(0), []byte(",f\x00\x00\x00\x00\x00\x00"))
	}
	d.Digest = hex.EncodeToString(hash.Sum(nil))
	return d
}

func Readings(wrong bool) []control.Reading {
	r := []control.Reading{
		{Output: 1, Param: processor.Delay, Wanted: "0.00 ms", Got: "0.00 ms", Same: true},
		{Output: 1, Param: processor.Polarity, Wanted: "reversed", Got: "reversed", Same: true},
		{Output: 2, Param: processor.Delay, Wanted: "5.17 ms", Got: "5.17 ms", Same: true},
		{Output: 2, Param: processor.Gain, Wanted: "-7.8 dB", Got: "-7.8 dB", Same: true},
	}
	if wrong {
		r[3].Got, r[3].Same = "0.0 dB", false
	}
	return r
}

func Verdict(o verify.Outcome) *verify.Verdict {
	v := &verify.Verdict{Outcome: o, Summary: engine.Summary{NullHz: 47.2, NullDepthDB: -37.4, AtTargetDB: -36.8, SumShortfallDB: 0.8, ShortfallAtHz: 66}}
	v.Claims = []verify.Claim{
		{Name: "null depth", Outcome: o, Unit: "dB", Value: -37.4, Low: -39.9, High: -35.6, Limit: -24,
			Sentence: "At 47.0 Hz the rear lies 37.4 dB below the front; it had to lie at least 24.0 dB below."},
		{Name: "null frequency", Outcome: verify.Proven, Unit: "Hz", Value: 47.2, Low: 47.0, High: 47.3, Limit: 0.5,
			Sentence: "The null lies at 47.2 Hz, 0.2 Hz from the wanted 47.0 Hz; 0.5 Hz were allowed."},
		{Name: "sum in front", Outcome: verify.Proven, Unit: "dB", Value: 0.8, Low: 0.6, High: math.Inf(1), Limit: 1.5,
			Sentence: "The sum in front falls at most 0.8 dB short of coherent, at 66 Hz; 1.5 dB were allowed."},
	}
	if o != verify.Proven {
		v.Summary.NullDepthDB = -6.2
		v.Claims[0].Value, v.Claims[0].Low, v.Claims[0].High = -6.2, -6.9, -5.6
		v.Claims[0].Sentence = "At 47.0 Hz the rear lies only 6.2 dB below the front; it had to lie at least 24.0 dB below."
	}
	v.Reasons = []string{v.Claims[0].Sentence}
	return v
}

// BlindDryRun is a dry run of which outputs 1 and 2 cannot be read back, and of
// output 1 nothing is known.
func BlindDryRun() control.DryRun {
	d := DryRun()
	d.Blind, d.Back, d.Before = []int{1, 2}, control.ToSafe, d.Before[1:]
	d.Turns = Turns(d.Before, d.After)
	return d
}

// BlindReadings are the values of two outputs that cannot be read back, one of
// an output that can, and its value in force.
func BlindReadings() []control.Reading {
	const sent = "sent, cannot be read back"
	return []control.Reading{
		{Output: 1, Param: processor.Delay, Wanted: "0.00 ms", Got: sent, Blind: true},
		{Output: 2, Param: processor.Gain, Wanted: "-7.8 dB", Got: sent, Blind: true},
		{Output: 3, Param: processor.Gain, Wanted: "-7.8 dB", Got: "-7.8 dB", Same: true},
		{Output: 3, Param: processor.Gain, InForce: true, Wanted: "-7.8 dB", Got: "-7.8 dB", Same: true},
	}
}

// Strangers is what somebody else changed on the processor.
func Strangers() []control.Strange {
	return []control.Strange{
		{Output: 2, Param: processor.Gain, Before: "gain -7.8 dB", Now: "gain 0.0 dB", Seen: Time},
		{Output: 3, Param: processor.Mute, Before: "open", Now: "muted", Seen: Time.Add(time.Second)},
	}
}

// View is the picture at a state, with what the daemon would know by then.
func View(state control.State) desk.View {
	stored := &preset.Preset{Name: preset.Safe, Taken: Time.Add(-time.Hour), Settings: AsFound()}
	v := desk.View{
		Seq: 1, Site: Site(), Sheet: Sheet(), Prediction: Prediction(), Processor: "plain-eight at 127.0.0.1:9000",
		State: state, Safe: stored, AsFound: &preset.Preset{Name: preset.AsFound, Taken: Time.Add(-2 * time.Hour), Settings: AsFound()},
		Feeds: []desk.Feed{
			{Microphone: "meadow", Role: engine.RoleFront, Connected: true, LevelDB: -31.4, FloorDB: -71, Coherence: 0.998, OverNoiseDB: 33.2, Rate: 48000},
			{Microphone: "back fence", Role: engine.RoleRear, Connected: true, LevelDB: -52.9, FloorDB: math.NaN(), Coherence: 0.41, OverNoiseDB: 6.1, Rate: 48000},
		},
		Journal: []preset.Entry{
			{Seq: 3, At: Time.Add(-50 * time.Minute), Change: "c-0007", Event: "rolled back", Detail: "Output 3 was silent at the front microphone."},
			{Seq: 2, At: Time.Add(-55 * time.Minute), Change: "c-0007", Event: "sending", Detail: "24 datagrams to 4 outputs."},
			{Seq: 1, At: Time.Add(-time.Hour), Event: "safe preset stored", Detail: "Read from 4 outputs."},
		},
	}
	evening := preset.Preset{Name: "evening, quiet", Taken: Time.Add(-30 * time.Minute), Settings: Sheet().Settings}
	v.Presets = []preset.Preset{*v.AsFound, evening, *v.Safe}
	measured := func() {
		v.Captures = []verify.Capture{
			Capture(engine.RoleFront, "meadow", verify.Everything, v.Prediction.Front),
			Capture(engine.RoleRear, "back fence", verify.Everything, v.Prediction.Rear),
			Capture(engine.RoleRear, "back fence", 3, v.Prediction.Rear),
		}
	}
	switch state.(type) {
	case control.Sending:
		v.Doing = "writing output 3"
	case control.Measuring:
		v.Doing = "listening to everything at the front microphone"
	case control.Held, control.Kept:
		measured()
		v.Verdict = Verdict(verify.Proven)
	case control.RolledBack:
		measured()
		v.Verdict = Verdict(verify.Refuted)
	case control.Adrift:
		v.Feeds[1] = desk.Feed{Microphone: "back fence", Role: engine.RoleRear, LevelDB: math.Inf(-1)}
		v.Notice = "The processor stopped answering in the middle of a roll back."
	}
	return v
}

// States is one of each state.
func States() map[string]control.State {
	return map[string]control.State{
		"idle":        control.Idle{},
		"drafted":     control.Drafted{DryRun: DryRun()},
		"sending":     control.Sending{Change: "c-0008", Sent: 11, Total: 24, Readings: Readings(false)},
		"measuring":   control.Measuring{Change: "c-0008", Readings: Readings(false)},
		"held":        control.Held{Change: "c-0008", KeepBy: Time, Readings: Readings(false)},
		"kept":        control.Kept{Change: "c-0008", Readings: Readings(false)},
		"rolled back": control.RolledBack{Change: "c-0008", To: control.ToBefore, Reason: "The null was refuted.", Readings: Readings(true)},
		"adrift":      control.Adrift{Change: "c-0008", Outputs: []int{1, 3}, Reason: "No reply to 4 queries of output 1 and output 3."},
	}
}
