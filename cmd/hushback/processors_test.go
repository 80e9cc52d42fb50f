package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/emulated"
	"hushback/configs"
	"hushback/control"
	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// rack is emulated processors, each on sockets of its own, and a controller
// that reaches them the way the daemon does.
type rack struct {
	*control.Controller
	t       testing.TB
	units   []*unit
	outputs []engine.Output // of all units, counted through
	store   *preset.Store
}

// unit is one processor of a rack.
type unit struct {
	*emulated.Processor
	profile processor.Profile
	address string // where it is reached, if not at its own
	first   int    // its channel 1 is the site's output first+1
	used    int    // so many of its channels are the site's
}

// mostUsed is how many channels of a processor the site of a rack uses.
const mostUsed = 8

// newRack starts a processor for each profile name.
func newRack(t testing.TB, names ...string) *rack {
	t.Helper()
	r := &rack{t: t}
	for _, name := range names {
		profile, err := configs.OpenProfile(name)
		if err != nil {
			t.Fatal(err)
		}
		r.install(profile, min(mostUsed, profile.Outputs))
	}
	r.connect()
	return r
}

// install adds a processor of the kind that the profile names.
func (r *rack) install(profile processor.Profile, used int) *unit {
	r.t.Helper()
	device, err := emulated.Start(context.Background(), emulated.Options{Kind: profile.Name})
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(device.Close)
	u := &unit{Processor: device, profile: withFreePort(r.t, profile), first: len(r.outputs), used: used}
	for channel := 1; channel <= used; channel++ {
		o := engine.Output{
			Number: u.first + channel, Label: fmt.Sprintf("%s %d", profile.Name, channel),
			MaxGainDB: profile.Ranges().GainDB.Max, Processor: profile.Name, Channel: channel,
		}
		device.Label(channel, o.Label)
		r.outputs = append(r.outputs, o)
	}
	r.units = append(r.units, u)
	return u
}

// withFreePort gives a profile that hears answers at a fixed port another one if
// somebody on this machine has that one now.
func withFreePort(t testing.TB, p processor.Profile) processor.Profile {
	if p.ReplyPort == 0 {
		return p
	}
	taken, err := net.ListenUDP("udp", &net.UDPAddr{Port: p.ReplyPort})
	if err != nil {
		if taken, err = net.ListenUDP("udp", nil); err != nil {
			t.Fatal(err)
		}
		p.ReplyPort = taken.LocalAddr().(*net.UDPAddr).Port
	}
	taken.Close()
	return p
}

// connect opens the store and the ways to the processors.
func (r *rack) connect() {
	r.t.Helper()
	var err error
	if r.store, err = preset.Open(filepath.Join(r.t.TempDir(), "store")); err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { r.store.Close() })
	var processors []control.Processor
	for _, u := range r.units {
		address := u.address
		if address == "" {
			address = u.Addr()
		}
		conn, err := osc.Dial(address, u.profile.Options())
		if err != nil {
			r.t.Fatal(err)
		}
		r.t.Cleanup(func() { conn.Close() })
		processors = append(processors, control.Processor{Name: u.profile.Name, Profile: u.profile, Wire: conn})
	}
	r.Controller, err = control.New(control.Config{
		Processors: processors, Store: r.store, Outputs: r.outputs, ConfirmFor: patience, KeepFor: patience,
	})
	if err != nil {
		r.t.Fatal(err)
	}
}

// of is the unit that an output is on.
func (r *rack) of(output int) *unit {
	for _, u := range r.units {
		if output <= u.first+u.used {
			return u
		}
	}
	r.t.Fatalf("no processor has output %d", output)
	return nil
}

// holds is what the site's outputs hold, asked of the processors themselves. A
// processor without a mute is muted by its lowest gain.
func (r *rack) holds() []engine.Setting {
	var all []engine.Setting
	for _, u := range r.units {
		for _, set := range u.Settings()[:u.used] {
			set.Output += u.first
			if !u.profile.HasMute() {
				set.Muted = u.profile.Ranges().GainDB.Same(set.GainDB, u.profile.Ranges().GainDB.Min)
			}
			all = append(all, set)
		}
	}
	return all
}

// strange lists the outputs that hold something else than wanted, by each
// profile's own reckoning of what is the same.
func (r *rack) strange(want []engine.Setting) []int {
	var strange []int
	for i, got := range r.holds() {
		u := r.of(got.Output)
		wanted := want[i]
		if !u.profile.HasMute() && wanted.Muted {
			wanted.GainDB = u.profile.Ranges().GainDB.Min
		}
		for _, param := range u.profile.Params() {
			if !u.profile.Same(param, wanted, got) || wanted.Muted != got.Muted {
				strange = append(strange, got.Output)
				break
			}
		}
	}
	return strange
}

// mustHold fails unless the processors hold exactly these settings, sooner or
// later: a blind one is not waited for by anybody else.
func (r *rack) mustHold(what string, want []engine.Setting) {
	r.t.Helper()
	blind := slices.ContainsFunc(r.units, func(u *unit) bool { return u.profile.Blind })
	for end := time.Now().Add(patience); ; time.Sleep(time.Millisecond) {
		strange := r.strange(want)
		if len(strange) == 0 {
			return
		}
		if !blind || time.Now().After(end) {
			r.t.Fatalf("%s: outputs %v hold something else\ngot  %+v\nwant %+v", what, strange, r.holds(), want)
		}
	}
}

func (r *rack) written() int {
	n := 0
	for _, u := range r.units {
		n += u.Writes()
	}
	return n
}

// sheet is something for every output that differs from what an earlier show
// left there: even outputs reversed, the third one muted.
func (r *rack) sheet() engine.Sheet {
	var sheet engine.Sheet
	for _, o := range r.outputs {
		p := r.of(o.Number).profile
		sheet.Settings = append(sheet.Settings, p.Snap(engine.Setting{
			Output: o.Number, DelaySec: 0.00137 * float64(o.Channel), Polarity: 1 - 2*((o.Channel+1)%2),
			GainDB: -1.3*float64(o.Channel) - 1, Muted: o.Channel == 3,
		}))
	}
	return sheet
}

// quiet is a safe preset: everything plain and muted at -20 dB.
func (r *rack) quiet() preset.Preset {
	p := preset.Preset{Name: preset.Safe, Taken: time.Now()}
	for _, o := range r.outputs {
		p.Settings = append(p.Settings, engine.Setting{Output: o.Number, Polarity: 1, GainDB: -20, Muted: true})
	}
	return p
}

// storeQuiet makes that the safe preset.
func (r *rack) storeQuiet() []engine.Setting {
	r.t.Helper()
	p := r.quiet()
	if _, err := r.StoreSafePreset(p); err != nil {
		r.t.Fatal(err)
	}
	return p.Settings
}

// confirm takes a dry run of the sheet and agrees to it.
func (r *rack) confirm(sheet engine.Sheet) *control.Confirmed {
	r.t.Helper()
	d, err := r.DryRun(r.t.Context(), sheet)
	if err != nil {
		r.t.Fatal(err)
	}
	confirmed, err := r.Confirm(d.Digest, control.Consent{Blind: true})
	if err != nil {
		r.t.Fatal(err)
	}
	return confirmed
}

// proof plays every output alone, as a measurement does, and looks at the
// processors themselves whether it is alone.
func (r *rack) proof(sheet engine.Sheet) control.Prove {
	return func(ctx context.Context, bench control.Bench) (control.Proof, error) {
		for _, alone := range sheet.Settings {
			if alone.Muted {
				continue
			}
			if err := bench.Solo(ctx, alone.Output); err != nil {
				return control.Proof{}, err
			}
			want := slices.Clone(sheet.Settings)
			for i := range want {
				want[i].Muted = want[i].Output != alone.Output
			}
			r.mustHold(fmt.Sprintf("output %d alone", alone.Output), want)
		}
		return control.Proof{Proven: true}, bench.Everything(ctx)
	}
}

// apply sends a sheet with that proof.
func (r *rack) apply(sheet engine.Sheet) control.State {
	r.t.Helper()
	state, err := r.Apply(r.t.Context(), r.confirm(sheet), r.proof(sheet), nil)
	if err != nil {
		r.t.Fatalf("%T: %v", state, err)
	}
	return state
}

// bothCount fails unless the processors saw as many writes as were sent.
func (r *rack) bothCount() {
	r.t.Helper()
	for end := time.Now().Add(patience); r.written() != r.Writes(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			r.t.Fatalf("the processors counted %d writes, %d were sent", r.written(), r.Writes())
		}
	}
	for _, u := range r.units {
		if u.Bad() != 0 {
			r.t.Errorf("%s did not understand %d messages", u.profile.Name, u.Bad())
		}
	}
}

// Every profile that hushback carries drives its processor, spelled by other
// hands, through the whole life of a change, to exactly the sheet.
func TestEveryProfileIsBroughtUp(t *testing.T) {
	names := configs.ProfileNames()
	if len(names) < 5 {
		t.Errorf("there are the profiles %v, want five at least", names)
	}
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if !emulated.Emulates(name) {
				t.Fatal("nothing emulates it")
			}
			r := newRack(t, name)
			found := r.holds()
			r.onlyLook()
			safe := r.storeQuiet()
			sheet := r.sheet()
			state := r.apply(sheet)
			kept, ok := state.(control.Kept)
			if !ok {
				t.Fatalf("the change ended %#v", state)
			}
			r.mustHold("kept", sheet.Settings)
			r.readings(kept)
			if strange := r.strange(found); len(strange) != len(found) {
				t.Errorf("only outputs %v differ from what was found: the sheet proves little", strange)
			}
			state, err := r.Safe(t.Context())
			if back, ok := state.(control.RolledBack); err != nil || !ok || back.To != control.ToSafe {
				t.Fatalf("going to the safe preset ended %#v, %v", state, err)
			}
			r.mustHold("safe", safe)
			r.bothCount()
		})
	}
}

// onlyLook does everything that must write nothing.
func (r *rack) onlyLook() {
	r.t.Helper()
	u := r.units[0]
	if _, err := r.Read(r.t.Context()); err != nil {
		r.t.Fatal(err)
	}
	_, err := r.StoreSafe(r.t.Context())
	if errors.Is(err, control.ErrUnreadable) != u.profile.Blind || err != nil && !u.profile.Blind {
		r.t.Fatal(err)
	}
	if u.profile.Blind {
		_, err := r.DryRun(r.t.Context(), r.sheet())
		if !errors.Is(err, control.ErrNoSafe) {
			r.t.Errorf("blind and without a safe preset: %v", err)
		}
	} else {
		before := u.Queries()
		r.watch(func() bool { return u.Queries() > before })
		d, err := r.DryRun(r.t.Context(), r.sheet())
		if err != nil {
			r.t.Fatal(err)
		}
		if text := control.Describe(d, r.outputs); !strings.Contains(text, "None of this was sent") {
			r.t.Errorf("the dry run says\n%s", text)
		}
		if u.Queries() == 0 {
			r.t.Error("no query was counted: nothing was read")
		}
	}
	if n := r.written() + r.Writes(); n != 0 {
		r.t.Errorf("reading, watching and a dry run wrote %d times", n)
	}
}

// watch watches until something is so.
func (r *rack) watch(until func() bool) {
	r.t.Helper()
	ctx, stop := context.WithCancel(r.t.Context())
	done := make(chan error, 1)
	go func() { done <- r.Watch(ctx, time.Second) }()
	for end := time.Now().Add(patience); !until() && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	stop()
	if err := <-done; err != nil || !until() {
		r.t.Fatalf("watching: %v, and what was waited for came: %t", err, until())
	}
}

// readings fails unless every parameter of every output was read back, or is
// said not to be.
func (r *rack) readings(kept control.Kept) {
	r.t.Helper()
	for _, o := range r.outputs {
		profile := r.of(o.Number).profile
		for _, param := range profile.Params() {
			if !slices.ContainsFunc(kept.Readings, func(got control.Reading) bool {
				return got.Output == o.Number && got.Param == param && got.Same != profile.Blind && got.Blind == profile.Blind
			}) {
				r.t.Errorf("kept without a reading of output %d's %s: %+v", o.Number, param, kept.Readings)
			}
		}
		if slices.Contains(kept.Blind, o.Number) != profile.Blind {
			r.t.Errorf("the outputs said to be blind are %v", kept.Blind)
		}
	}
}

// Two processors are changed together or not at all.
func TestAllProcessorsOrNone(t *testing.T) {
	t.Parallel()
	r := newRack(t, "plain-eight", "lettered-six")
	r.storeQuiet()
	found, sheet, second := r.holds(), r.sheet(), r.units[1]
	for _, stuck := range []int{1, 4, second.used} {
		second.Stick(stuck, true)
		before := r.units[0].Writes()
		state := r.apply(sheet)
		back, ok := state.(control.RolledBack)
		if want := fmt.Sprintf("output %d:", second.first+stuck); !ok || back.To != control.ToBefore || !strings.Contains(back.Reason, want) {
			t.Fatalf("with output %d of the second stuck the change ended %#v", stuck, state)
		}
		if r.units[0].Writes() == before {
			t.Error("the first processor was never written to: rolling it back proves nothing")
		}
		r.mustHold("rolled back", found)
		second.Stick(stuck, false)
	}
	if state := r.apply(sheet); fmt.Sprintf("%T", state) != "control.Kept" {
		t.Fatalf("the change ended %#v", state)
	}
	r.mustHold("kept", sheet.Settings)
	r.bothCount()
}

// A processor that cannot be read does not lend its blindness to the one beside
// it, and a safe preset brings both back.
func TestABlindProcessorBesideOneThatCanBeRead(t *testing.T) {
	t.Parallel()
	r := newRack(t, "muteless-four", "blind-four")
	safe, sheet := r.storeQuiet(), r.sheet()
	d, err := r.DryRun(t.Context(), sheet)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(d.Blind, []int{5, 6, 7, 8}) || d.Back != control.ToSafe {
		t.Errorf("the dry run says that %v are blind and that it would go back to %s", d.Blind, d.Back)
	}
	if _, err := r.Confirm(d.Digest, control.Consent{}); !errors.Is(err, control.ErrBlind) || r.written() != 0 {
		t.Fatalf("without the consent: %v, %d writes", err, r.written())
	}
	kept, ok := r.apply(sheet).(control.Kept)
	if !ok {
		t.Fatal("not kept")
	}
	r.readings(kept)
	r.mustHold("kept", sheet.Settings)

	r.units[0].Stick(2, true)
	next := r.quiet()
	state := r.apply(engine.Sheet{Settings: next.Settings})
	back, ok := state.(control.RolledBack)
	if !ok || back.To != control.ToBefore || !slices.Equal(back.Blind, []int{5, 6, 7, 8}) {
		t.Fatalf("with output 2 stuck the change ended %#v", state)
	}
	r.mustHold("rolled back", sheet.Settings)
	r.units[0].Stick(2, false)
	if state, err := r.Safe(t.Context()); err != nil || fmt.Sprintf("%T", state) != "control.RolledBack" {
		t.Fatalf("%#v, %v", state, err)
	}
	r.mustHold("safe", safe)
	r.bothCount()
}

// A limiter in the processor that holds a gain back is told in words, and what
// it would not play is not kept.
func TestALimiterIsToldOf(t *testing.T) {
	t.Parallel()
	r := newRack(t, "lettered-six")
	r.storeQuiet()
	found, sheet := r.holds(), r.sheet()
	sheet.Settings[4].GainDB = 9
	state := r.apply(sheet)
	back, ok := state.(control.RolledBack)
	if !ok || !strings.Contains(back.Reason, "output 5: gain: stored 9.00 dB, in force 6.00 dB") {
		t.Fatalf("the change ended %#v", state)
	}
	r.mustHold("rolled back", found)
	sheet.Settings[4].GainDB = 6
	if state := r.apply(sheet); fmt.Sprintf("%T", state) != "control.Kept" {
		t.Fatalf("what it plays as it is: the change ended %#v", state)
	}
	r.mustHold("kept", sheet.Settings)
}

// A cable in the wrong socket shows before anything is sent.
func TestAnotherLabelIsRefused(t *testing.T) {
	t.Parallel()
	r := newRack(t, "lettered-six")
	r.storeQuiet()
	r.units[0].Label(2, "foyer")
	_, err := r.DryRun(t.Context(), r.sheet())
	if !errors.Is(err, control.ErrWiring) || !strings.Contains(err.Error(), `output 2: the site calls it "lettered-six 2", the processor "foyer"`) {
		t.Errorf("got %v", err)
	}
	if r.written() != 0 {
		t.Errorf("%d writes", r.written())
	}
	r.units[0].Label(2, "lettered-six 2")
	r.confirm(r.sheet())
}
