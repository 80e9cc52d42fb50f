package control

import (
	"bytes"
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

func TestDryRunListsEverythingAndSendsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		d, err := r.DryRun(t.Context(), sheet())
		must(t, err)
		if r.line.writes() != 0 || r.Writes() != 0 {
			t.Fatalf("the dry run sent %d writes", r.line.writes())
		}
		equal(t, "queries", r.line.asked, 4*4)
		for i, want := range asFound() {
			if !alike(d.Before[i], want) {
				t.Errorf("before: %+v, want %+v", d.Before[i], want)
			}
		}
		equal(t, "after", d.After, sheet().Settings)
		for _, s := range d.Steps {
			messages, err := osc.Decode(s.Bytes)
			if err != nil || len(messages) != 1 || messages[0].String() != s.Message.String() {
				t.Errorf("%s: the bytes hold %v (%v), the message is %v", s.Words, messages, err, s.Message)
			}
		}
		var words []string
		for _, s := range d.Steps {
			words = append(words, string(s.Part)+" "+s.Words)
		}
		equal(t, "steps", strings.Join(words, "\n"), strings.TrimSpace(`
send output 1: gain -20.0 dB
send output 2: gain -7.8 dB
send output 3: gain -7.8 dB
send output 4: gain -7.8 dB
send output 1: muted
send output 2: muted
send output 3: muted
send output 4: muted
send output 1: delay 0.00 ms
send output 1: polarity reversed
send output 2: delay 4.21 ms
send output 2: polarity normal
send output 3: delay 5.57 ms
send output 3: polarity normal
send output 4: delay 4.21 ms
send output 4: polarity normal
send output 1: open
send output 2: open
send output 3: open
send output 1: gain -17.0 dB
send output 1: gain -14.0 dB
send output 1: gain -11.0 dB
send output 1: gain -8.0 dB
send output 1: gain -5.0 dB
send output 1: gain -2.0 dB
send output 1: gain 0.0 dB
measure output 1 alone: output 2: muted
measure output 1 alone: output 3: muted
measure output 1 alone: output 4: muted
measure output 1 alone: output 1: open
measure output 2 alone: output 1: muted
measure output 2 alone: output 3: muted
measure output 2 alone: output 4: muted
measure output 2 alone: output 2: open
measure output 3 alone: output 1: muted
measure output 3 alone: output 2: muted
measure output 3 alone: output 4: muted
measure output 3 alone: output 3: open
measure all together: output 4: muted
measure all together: output 1: open
measure all together: output 2: open
measure all together: output 3: open
undo output 1: gain -20.0 dB
undo output 2: gain -7.8 dB
undo output 3: gain -7.8 dB
undo output 4: gain -7.8 dB
undo output 1: muted
undo output 2: muted
undo output 3: muted
undo output 4: muted
undo output 1: delay 2.00 ms
undo output 1: polarity normal
undo output 2: delay 12.34 ms
undo output 2: polarity reversed
undo output 3: delay 0.00 ms
undo output 3: polarity normal
undo output 4: delay 0.50 ms
undo output 4: polarity normal
undo output 1: open
undo output 2: open
undo output 4: open
undo output 2: gain -4.8 dB
undo output 3: gain -4.8 dB
undo output 4: gain -6.5 dB
undo output 2: gain -1.8 dB
undo output 3: gain -3.0 dB
undo output 2: gain 0.0 dB`))
	})
}

func TestDescribe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		d, err := r.DryRun(t.Context(), sheet())
		must(t, err)
		text := Describe(d, []engine.Output{{Number: 1, Label: "rear"}, {Number: 3, Label: "centre front"}})
		for _, want := range []string{
			"dry run " + d.Digest + "\n",
			"output 1 (rear): delay 2.00 ms → 0.00 ms, polarity normal → reversed, gain -20.0 dB → 0.0 dB, open (stays)\n",
			"output 3 (centre front): delay 0.00 ms → 5.57 ms, polarity normal (stays), gain -3.0 dB → -7.8 dB, muted → open\n",
			"\nsent once it is confirmed, each read back:\n",
			"\nsent while it is measured:\n",
			"\nNone of this was sent.",
			"\nsent only to go back to what stands now:\n",
			// Spelled by hand after OSC 1.0: address and tags NUL-padded to 4, then
			// big-endian; 4.21 as float32 is 0x4086b852.
			"\n  output 2: delay 4.21 ms      /out/2/delay ,f 4.21  2f6f75742f322f64656c6179000000002c6600004086b852\n",
			"  2f6f75742f312f6d757465002c69000000000001\n",
			"\n  output 1 alone: output 2: muted  ",
		} {
			if !strings.Contains(text, want) {
				t.Errorf("missing %q in\n%s", want, text)
			}
		}
		if got := strings.Count(text, "  2f6f7574"); got != len(d.Steps) {
			t.Errorf("%d datagrams are listed, there are %d", got, len(d.Steps))
		}
	})
}

func TestDigestIsOfEverything(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		earlier, err := r.DryRun(t.Context(), sheet())
		must(t, err)
		d, err := r.DryRun(t.Context(), sheet())
		must(t, err)
		if d.Digest == earlier.Digest {
			t.Error("two dry runs of the same sheet share a digest, so that a confirm of one is a confirm of the other")
		}
		alter := map[string]func(*DryRun){
			"the nonce":         func(d *DryRun) { d.Nonce[3] ^= 1 },
			"a byte":            func(d *DryRun) { d.Steps[7].Bytes[19] ^= 1 },
			"a part":            func(d *DryRun) { d.Steps[7].Part = PartUndo },
			"the order":         func(d *DryRun) { d.Steps[0], d.Steps[1] = d.Steps[1], d.Steps[0] },
			"a step less":       func(d *DryRun) { d.Steps = d.Steps[1:] },
			"what stood before": func(d *DryRun) { d.Before[0].GainDB = math.Nextafter(d.Before[0].GainDB, 0) },
			"what comes after":  func(d *DryRun) { d.After[3].Muted = false },
		}
		for name, f := range alter {
			changed := d.clone()
			f(&changed)
			if digest(changed) == d.Digest {
				t.Errorf("%s does not count in the digest", name)
			}
		}
		equal(t, "clones are apart", digest(d), d.Digest)

		// What the caller does to its dry run reaches nothing that is sent later.
		confirmed, err := r.Confirm(d.Digest, Consent{})
		must(t, err)
		for _, s := range d.Steps {
			if len(s.Message.Args) > 0 && s.Param == processor.Gain {
				s.Message.Args[0] = float32(6)
			}
		}
		state, err := r.Apply(t.Context(), confirmed, listen, keep)
		must(t, err)
		if _, kept := state.(Kept); !kept {
			t.Errorf("%T", state)
		}
		r.holds("after all", sheet().Settings)
	})
}

// TestAUsedConfirmIsNoneOfTheNextDryRun presses an old confirm again after
// somebody else took the very same dry run, as a page that is reloaded does.
func TestAUsedConfirmIsNoneOfTheNextDryRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		old, confirmed := r.confirmed()
		_, err := r.Apply(t.Context(), confirmed, listen, func(context.Context, Held) Decision { return RollBack })
		must(t, err)
		writes := r.Writes()
		_, err = r.DryRun(t.Context(), sheet())
		must(t, err)
		if _, err := r.Confirm(old.Digest, Consent{}); !errors.Is(err, ErrAltered) {
			t.Errorf("the old confirm: %v", err)
		}
		equal(t, "writes", r.Writes(), writes)
	})
}

func TestWhatADryRunRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		with := func(i int, alter func(*engine.Setting)) engine.Sheet {
			s := sheet()
			alter(&s.Settings[i])
			return s
		}
		cases := map[string]struct {
			sheet engine.Sheet
			want  string
		}{
			"no sheet":         {engine.Sheet{}, "output 1 has no setting"},
			"an output less":   {engine.Sheet{Settings: sheet().Settings[:3]}, "output 4 has no setting"},
			"an output more":   {engine.Sheet{Settings: append(sheet().Settings, engine.Setting{Output: 5, Polarity: 1})}, "output 5 is not one that the site uses"},
			"an output twice":  {with(1, func(s *engine.Setting) { s.Output = 1 }), "output 1 after output 1"},
			"delay off grid":   {with(1, func(s *engine.Setting) { s.DelaySec = 0.004213 }), "output 2: delay 4.213"},
			"gain off grid":    {with(1, func(s *engine.Setting) { s.GainDB = -7.84 }), "output 2: gain -7.84 dB is between two steps of the processor, the nearest is -7.8 dB"},
			"delay too long":   {with(2, func(s *engine.Setting) { s.DelaySec = 0.51 }), "output 3: delay of 510 ms is outside"},
			"delay negative":   {with(2, func(s *engine.Setting) { s.DelaySec = -0.001 }), "output 3: delay of -1 ms is outside"},
			"gain too low":     {with(2, func(s *engine.Setting) { s.GainDB = -61 }), "output 3: gain of -61 dB is outside"},
			"above its limit":  {with(3, func(s *engine.Setting) { s.GainDB = 0.1 }), "output 4: gain 0.1 dB is above its limit of 0 dB"},
			"polarity unknown": {with(0, func(s *engine.Setting) { s.Polarity = 0 }), "output 1: polarity 0"},
			"delay no number":  {with(0, func(s *engine.Setting) { s.DelaySec = math.NaN() }), "output 1: delay NaN"},
			"gain no number":   {with(0, func(s *engine.Setting) { s.GainDB = math.NaN() }), "output 1: gain NaN"},
		}
		r := newRig(t)
		for name, c := range cases {
			if _, err := r.DryRun(t.Context(), c.sheet); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s: got %v, want %q in it", name, err, c.want)
			}
		}
		if _, err := r.Confirm("", Consent{}); !errors.Is(err, ErrNoDryRun) {
			t.Errorf("a refused dry run can be confirmed: %v", err)
		}
		r.device.put(engine.Setting{Output: 3, Polarity: 1, GainDB: 0.5, Muted: true})
		if _, err := r.DryRun(t.Context(), sheet()); err == nil || !strings.Contains(err.Error(), "output 3: gain 0.5 dB is above its limit") {
			t.Errorf("processor too loud to come back to: %v", err)
		}
		if _, err := r.StoreSafe(t.Context()); err == nil || !strings.Contains(err.Error(), "output 3: gain 0.5 dB is above its limit") {
			t.Errorf("processor too loud to be safe: %v", err)
		}
		equal(t, "writes", r.line.writes(), 0)
	})
}

func TestSheetValuesOnTheGridAreTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		grid := kindOf().Ranges()
		for k := range 300 {
			s := sheet()
			s.Settings[0].DelaySec = grid.DelaySec.Nearest(float64(k) * 1e-5)
			s.Settings[1].DelaySec = float64(k) / 1e5 // the same number by another road
			s.Settings[2].GainDB = float64(-k) / 10
			if _, err := r.DryRun(t.Context(), s); err != nil {
				t.Fatalf("step %d: %v", k, err)
			}
		}
	})
}

func TestEveryBadConfirmSendsNothing(t *testing.T) {
	cases := map[string]struct {
		want error
		act  func(r *rig) error
	}{
		"without a dry run": {ErrNoDryRun, func(r *rig) error { _, err := r.Confirm("0123", Consent{}); return err }},
		"with no digest":    {ErrNoDryRun, func(r *rig) error { _, err := r.Confirm("", Consent{}); return err }},
		"altered": {ErrAltered, func(r *rig) error {
			d, _ := r.DryRun(r.t.Context(), sheet())
			_, err := r.Confirm("0"+d.Digest[1:]+"0", Consent{})
			return err
		}},
		"of the dry run before": {ErrAltered, func(r *rig) error {
			old, _ := r.DryRun(r.t.Context(), sheet())
			other := sheet()
			other.Settings[0].GainDB = -3
			r.DryRun(r.t.Context(), other)
			_, err := r.Confirm(old.Digest, Consent{})
			return err
		}},
		"expired": {ErrExpired, func(r *rig) error {
			d, _ := r.DryRun(r.t.Context(), sheet())
			time.Sleep(time.Minute + 1)
			_, err := r.Confirm(d.Digest, Consent{})
			return err
		}},
		"twice": {ErrUsed, func(r *rig) error {
			d, _ := r.confirmed()
			_, err := r.Confirm(d.Digest, Consent{})
			return err
		}},
		"without a safe preset": {ErrNoSafe, func(r *rig) error {
			r.Controller.cfg.Store = emptyStore(r.t)
			d, _ := r.DryRun(r.t.Context(), sheet())
			_, err := r.Confirm(d.Digest, Consent{})
			return err
		}},
		"with a safe preset of fewer outputs": {ErrNoSafe, func(r *rig) error {
			must(r.t, r.store.Put(preset.Preset{Name: preset.Safe, Settings: safe()[:3]}))
			d, _ := r.DryRun(r.t.Context(), sheet())
			_, err := r.Confirm(d.Digest, Consent{})
			return err
		}},
		"applied without one": {ErrNoDryRun, func(r *rig) error {
			_, err := r.Apply(r.t.Context(), nil, listen, keep)
			return err
		}},
		"applied with one of our own": {ErrUsed, func(r *rig) error {
			d, _ := r.confirmed()
			_, err := r.Apply(r.t.Context(), &Confirmed{dry: d}, listen, keep)
			return err
		}},
		"applied after the safe preset shrank": {ErrNoSafe, func(r *rig) error {
			_, confirmed := r.confirmed()
			must(r.t, r.store.Put(preset.Preset{Name: preset.Safe, Settings: safe()[1:]}))
			_, err := r.Apply(r.t.Context(), confirmed, listen, keep)
			return err
		}},
		"applied after a new dry run": {ErrUsed, func(r *rig) error {
			_, confirmed := r.confirmed()
			r.DryRun(r.t.Context(), sheet())
			_, err := r.Apply(r.t.Context(), confirmed, listen, keep)
			return err
		}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t)
				if err := c.act(r); !errors.Is(err, c.want) {
					t.Errorf("got %v, want %v", err, c.want)
				}
				if r.line.writes() != 0 {
					t.Errorf("%d writes were sent", r.line.writes())
				}
				r.settled(name)
			})
		})
	}
}

func emptyStore(t *testing.T) *preset.Store { return newRigWithoutSafe(t).store }

func TestConfirmUntilTheVeryEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		d, err := r.DryRun(t.Context(), sheet())
		must(t, err)
		time.Sleep(time.Minute)
		_, err = r.Confirm(d.Digest, Consent{})
		must(t, err)
	})
}

func TestAConfirmIsAppliedOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		_, confirmed := r.confirmed()
		_, err := r.Apply(t.Context(), confirmed, listen, keep)
		must(t, err)
		sent := r.line.writes()
		if state, err := r.Apply(t.Context(), confirmed, listen, keep); !errors.Is(err, ErrUsed) || state != (Idle{}) {
			t.Errorf("second Apply: %v, %v", state, err)
		}
		// The way back is a confirm of its own.
		_, confirmed = r.confirmed()
		if _, err := r.Safe(t.Context()); err != nil {
			t.Fatal(err)
		}
		safeSent := r.line.writes()
		if safeSent == sent {
			t.Error("the safe preset was not sent")
		}
		if _, err := r.Apply(t.Context(), confirmed, listen, keep); !errors.Is(err, ErrUsed) {
			t.Errorf("Apply of what was confirmed before the press on safe: %v", err)
		}
		equal(t, "writes", r.line.writes(), safeSent)
	})
}

func TestChangedSinceTheDryRun(t *testing.T) {
	cases := map[string]struct {
		alter func(*engine.Setting)
		want  string // "" if it must not matter
	}{
		"a step of delay":     {func(s *engine.Setting) { s.DelaySec += 1e-5 }, "output 2: delay was 12.34 ms and is 12.35 ms"},
		"a step of gain":      {func(s *engine.Setting) { s.GainDB -= 0.1 }, "output 2: gain was 0.0 dB and is -0.1 dB"},
		"polarity":            {func(s *engine.Setting) { s.Polarity = 1 }, "output 2: polarity was reversed and is normal"},
		"mute":                {func(s *engine.Setting) { s.Muted = true }, "output 2: mute was open and is muted"},
		"0.4 steps of delay":  {func(s *engine.Setting) { s.DelaySec += 0.4e-5 }, ""},
		"0.4 steps of gain":   {func(s *engine.Setting) { s.GainDB -= 0.04 }, ""},
		"over half a step up": {func(s *engine.Setting) { s.DelaySec += 0.6e-5 }, "output 2: delay was"},
	}
	for name, c := range cases {
		run(t, name, func(t *testing.T) {
			r := newRig(t)
			_, confirmed := r.confirmed()
			changed := asFound()[1]
			c.alter(&changed)
			r.device.put(changed)
			state, err := r.Apply(t.Context(), confirmed, listen, keep)
			if c.want == "" {
				must(t, err)
				return
			}
			if !errors.Is(err, ErrChangedSince) || !strings.Contains(err.Error(), c.want) || state != (Idle{}) {
				t.Errorf("got %v, %v, want %q", state, err, c.want)
			}
			equal(t, "writes", r.line.writes(), 0)
			if _, found, _ := r.store.Get(preset.AsFound); found {
				t.Error("as found was stored though nothing was sent")
			}
			r.settled(name)
		})
	}
}

func TestWhatNewRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		cases := map[string]struct {
			alter func(*Config)
			want  string
		}{
			"no profile":           {func(c *Config) { c.Processors[0].Profile = processor.Profile{} }, "profile"},
			"no processor":         {func(c *Config) { c.Processors = nil }, "0 processors"},
			"no wire":              {func(c *Config) { c.Processors[0].Wire = nil }, "a way to it is needed"},
			"one processor twice":  {func(c *Config) { c.Processors = append(c.Processors, c.Processors[0]) }, "a second time"},
			"another processor":    {func(c *Config) { c.Outputs[1].Processor = "far" }, "output 2: the site has no processor \"far\""},
			"a channel twice":      {func(c *Config) { c.Outputs[1].Channel = 1 }, "outputs 1 and 2 are the same one"},
			"a channel too many":   {func(c *Config) { c.Outputs[1].Channel = 7 }, "output 2: channel 7: profile test kind has outputs 1 to 6"},
			"no store":             {func(c *Config) { c.Store = nil }, "a store"},
			"no time to keep":      {func(c *Config) { c.KeepFor = 0 }, "must be more than 0"},
			"no time at all":       {func(c *Config) { c.ConfirmFor = -1 }, "must be more than 0"},
			"no outputs":           {func(c *Config) { c.Outputs = nil }, "0 outputs"},
			"output 7":             {func(c *Config) { c.Outputs = []engine.Output{{Number: 7}} }, "output 7: channel 7: profile test kind has outputs 1 to 6"},
			"output 0":             {func(c *Config) { c.Outputs = []engine.Output{{}} }, "output 0"},
			"outputs not in order": {func(c *Config) { c.Outputs = []engine.Output{{Number: 2}, {Number: 1}} }, "output 1 after output 2"},
		}
		for name, c := range cases {
			cfg := r.config()
			c.alter(&cfg)
			if _, err := New(cfg); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s: got %v, want %q in it", name, err, c.want)
			}
		}
	})
}

func TestStepsAreRepeatable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		a, err := r.draw(asFound(), sheet().Settings)
		must(t, err)
		b, err := r.draw(asFound(), sheet().Settings)
		must(t, err)
		if !slices.EqualFunc(a.Steps, b.Steps, func(x, y Step) bool { return x.Part == y.Part && bytes.Equal(x.Bytes, y.Bytes) }) {
			t.Error("the same change spelled twice is not the same")
		}
	})
}
