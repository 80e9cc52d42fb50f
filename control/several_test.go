package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// pair is a rig with a second processor: outputs 1 and 2 are those of the first,
// 11 and 12 are outputs 2 and 1 of the far one.
type pair struct {
	*rig
	distant *device
	far     *line
}

func pairOf(t *testing.T, kind processor.Profile) *pair {
	t.Helper()
	p := &pair{rig: newRigWithoutSafe(t), distant: newDevice(asFound())}
	p.far = &line{to: p.distant}
	t.Cleanup(func() {
		for _, fault := range p.distant.faults {
			t.Error("far: " + fault)
		}
	})
	cfg := p.config()
	cfg.Processors = []Processor{{Name: "near", Profile: kindOf(), Wire: p.line}, {Name: "far", Profile: kind, Wire: p.far}}
	cfg.Outputs = []engine.Output{
		{Number: 1}, {Number: 2, Processor: "near"},
		{Number: 11, Processor: "far", Channel: 2}, {Number: 12, Processor: "far", Channel: 1},
	}
	var err error
	p.Controller, err = New(cfg)
	must(t, err)
	return p
}

// wanted is a sheet for the pair.
func (p *pair) wanted() engine.Sheet {
	return engine.Sheet{Settings: []engine.Setting{
		{Output: 1, Polarity: -1, GainDB: -4}, {Output: 2, DelaySec: 0.001, Polarity: 1, GainDB: -5},
		{Output: 11, DelaySec: 0.002, Polarity: -1, GainDB: -6}, {Output: 12, DelaySec: 0.003, Polarity: 1, GainDB: -7},
	}}
}

// holds fails the test unless both devices hold a state of the pair.
func (p *pair) holds(what string, settings []engine.Setting) {
	p.t.Helper()
	for _, want := range settings {
		got := map[int]func() engine.Setting{
			1: func() engine.Setting { return p.device.get(1) }, 2: func() engine.Setting { return p.device.get(2) },
			11: func() engine.Setting { return p.distant.get(2) }, 12: func() engine.Setting { return p.distant.get(1) },
		}[want.Output]()
		if got.Output = want.Output; !alike(got, want) {
			p.t.Errorf("%s: output %d holds %+v\nwant %+v", what, want.Output, got, want)
		}
	}
}

// begins is what the pair is found to hold.
func (p *pair) begins() []engine.Setting {
	found := asFound()
	far1, far2 := found[1], found[0]
	far1.Output, far2.Output = 11, 12
	return []engine.Setting{found[0], found[1], far1, far2}
}

func proves(context.Context, Bench) (Proof, error) { return Proof{Proven: true}, nil }

// TestAllProcessorsOrNone: a change of two processors is one change.
func TestAllProcessorsOrNone(t *testing.T) {
	run(t, "all", func(t *testing.T) {
		p := pairOf(t, kindOf())
		_, err := p.StoreSafe(t.Context())
		must(t, err)
		d, err := p.DryRun(t.Context(), p.wanted())
		must(t, err)
		confirmed, err := p.Confirm(d.Digest, Consent{})
		must(t, err)
		state, err := p.Apply(t.Context(), confirmed, func(ctx context.Context, b Bench) (Proof, error) {
			must(t, b.Solo(ctx, 11))
			if !p.device.get(1).Muted || !p.device.get(2).Muted || p.distant.get(2).Muted || !p.distant.get(1).Muted {
				t.Error("output 11 is not alone")
			}
			return Proof{Proven: true}, nil
		}, keep)
		if _, ok := state.(Kept); !ok || err != nil {
			t.Errorf("%+v, %v", state, err)
		}
		p.holds("kept", p.wanted().Settings)
		equal(t, "writes", p.Writes(), p.line.writes()+p.far.writes())
	})
	for _, address := range []string{"/out/1/gain", "/out/2/delay", "/out/2/mute"} {
		run(t, "none, "+address, func(t *testing.T) {
			p := pairOf(t, kindOf())
			_, err := p.StoreSafe(t.Context())
			must(t, err)
			d, err := p.DryRun(t.Context(), p.wanted())
			must(t, err)
			confirmed, err := p.Confirm(d.Digest, Consent{})
			must(t, err)
			p.distant.stuck = func(a string, _ any) bool { return a == address }
			state, err := p.Apply(t.Context(), confirmed, proves, keep)
			back, ok := state.(RolledBack)
			if !ok || err != nil || !strings.Contains(back.Reason, "output 1") {
				t.Errorf("%+v, %v", state, err)
			}
			p.holds("rolled back", p.begins())
			begun := 0
			for _, e := range p.events() {
				if e == "sending" {
					begun++
				}
			}
			equal(t, "changes begun", begun, 1)
		})
	}
	run(t, "one that is gone", func(t *testing.T) {
		p := pairOf(t, kindOf())
		p.far.silent = func(osc.Message) bool { return true }
		if _, err := p.DryRun(t.Context(), p.wanted()); err == nil || !strings.Contains(err.Error(), "output 1") {
			t.Errorf("%v", err)
		}
		equal(t, "writes", p.Writes(), 0)
	})
}

// blind is the kind that cannot be asked.
func blind() processor.Profile {
	p := kindOf()
	p.Blind = true
	for i := range p.Parameters {
		p.Parameters[i].ReadBack = processor.ReadBack{}
	}
	return p
}

// TestABlindProcessor goes through the life of outputs that cannot be read back.
func TestABlindProcessor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pairOf(t, blind())
		quiet := p.begins()
		for i := range quiet {
			quiet[i] = engine.Setting{Output: quiet[i].Output, Polarity: 1, GainDB: -30}
		}
		if _, err := p.DryRun(t.Context(), p.wanted()); !errors.Is(err, ErrNoSafe) {
			t.Errorf("a dry run with nothing to go back to: %v", err)
		}
		for _, store := range []func() error{
			func() error { _, err := p.StoreSafe(t.Context()); return err },
			func() error { _, err := p.SaveAs(t.Context(), "evening"); return err },
		} {
			if err := store(); !errors.Is(err, ErrUnreadable) || !strings.Contains(err.Error(), "outputs [11 12]") {
				t.Errorf("stored what cannot be read: %v", err)
			}
		}
		must(t, p.store.Put(preset.Preset{Name: "from a file", Settings: quiet}))
		_, err := p.UseAsSafe("from a file")
		must(t, err)

		d, err := p.DryRun(t.Context(), p.wanted())
		must(t, err)
		equal(t, "blind", d.Blind, []int{11, 12})
		equal(t, "known before", len(d.Before), 2)
		equal(t, "back", d.Back, ToSafe)
		text := Describe(d, []engine.Output{{Number: 11, Label: "far"}})
		for _, want := range []string{"outputs [11 12] cannot be read back", "sent only to go back to the safe preset", "unknown → 2.00 ms"} {
			if !strings.Contains(text, want) {
				t.Errorf("missing %q in\n%s", want, text)
			}
		}
		if _, err := p.Confirm(d.Digest, Consent{}); !errors.Is(err, ErrBlind) {
			t.Errorf("confirmed without the consent: %v", err)
		}
		confirmed, err := p.Confirm(d.Digest, Consent{Blind: true})
		must(t, err)
		listed := map[string]bool{}
		for _, s := range d.Steps {
			listed[s.Message.String()] = true
		}
		state, err := p.Apply(t.Context(), confirmed, func(context.Context, Bench) (Proof, error) { return Proof{Reason: "no null"}, nil }, keep)
		back, ok := state.(RolledBack)
		if !ok || err != nil || back.To != ToSafe || !slices.Equal(back.Blind, []int{11, 12}) || back.Reason != "no null" {
			t.Errorf("%+v, %v", state, err)
		}
		p.holds("safe", quiet)
		for _, m := range slices.Concat(p.line.sent, p.far.sent) {
			if !listed[m.String()] {
				t.Errorf("%s is not in the dry run", m)
			}
		}
		entries, err := p.store.Journal(1)
		must(t, err)
		if want := "to the safe preset, read back (outputs [11 12] cannot be read back): no null"; entries[0].Detail != want {
			t.Errorf("journal: %q", entries[0].Detail)
		}

		// From now on it is known what they were last sent.
		d, err = p.DryRun(t.Context(), p.wanted())
		must(t, err)
		equal(t, "known before", d.Before[2:], quiet[2:])
		equal(t, "back", d.Back, ToBefore)
		confirmed, err = p.Confirm(d.Digest, Consent{Blind: true})
		must(t, err)
		state, err = p.Apply(t.Context(), confirmed, proves, keep)
		kept, ok := state.(Kept)
		if !ok || err != nil || !slices.Equal(kept.Blind, []int{11, 12}) {
			t.Errorf("%+v, %v", state, err)
		}
		for _, r := range kept.Readings {
			if far := r.Output > 10; r.Blind != far || r.Same == far || far && r.Got != "sent, cannot be read back" {
				t.Errorf("%+v", r)
			}
		}
		p.holds("kept", p.wanted().Settings)
		evening, err := p.SaveAs(t.Context(), "evening")
		must(t, err)
		equal(t, "stored", len(evening.Settings), 4)
		if read, err := p.Read(t.Context()); err != nil || len(read) != 2 {
			t.Errorf("read %+v, %v", read, err)
		}
		equal(t, "questions to the far one", p.far.asked, 0)
	})
}

func TestWhatCannotBecomeSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		with := func(alter func(*engine.Setting)) []engine.Setting {
			s := safe()
			alter(&s[2])
			return s
		}
		cases := map[string]struct {
			settings []engine.Setting
			want     string
		}{
			"too loud":        {with(func(s *engine.Setting) { s.GainDB = 1 }), "output 3: gain 1.0 dB is above its limit of 0 dB"},
			"out of range":    {with(func(s *engine.Setting) { s.DelaySec = 1 }), "output 3: delay of 1000 ms is outside"},
			"no polarity":     {with(func(s *engine.Setting) { s.Polarity = 0 }), "polarity 0"},
			"an output less":  {safe()[:3], "it knows nothing of output 4"},
			"nothing of that": {nil, "it knows nothing of output 1"},
		}
		for name, c := range cases {
			if _, err := r.StoreSafePreset(preset.Preset{Name: "x", Settings: c.settings}); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s: %v, want %q", name, err, c.want)
			}
		}
		if _, err := r.UseAsSafe("never stored"); err == nil {
			t.Error("a preset that is not there became safe")
		}
		p, _, err := r.store.Get(preset.Safe)
		must(t, err)
		equal(t, "the safe preset", p.Settings, safe())
	})
}

func TestPresetsAreSheets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		_, err := r.SaveAs(t.Context(), "morning")
		must(t, err)
		r.apply(t.Context(), keep)
		if _, err := r.SaveAs(t.Context(), "morning"); !errors.Is(err, preset.ErrExists) {
			t.Errorf("a name given twice: %v", err)
		}
		for _, name := range []string{"morning", preset.AsFound} {
			back, err := r.Preset(name)
			must(t, err)
			d, err := r.DryRun(t.Context(), back)
			must(t, err)
			confirmed, err := r.Confirm(d.Digest, Consent{})
			must(t, err)
			state, err := r.Apply(t.Context(), confirmed, proves, keep)
			if _, kept := state.(Kept); !kept || err != nil {
				t.Fatalf("%+v, %v", state, err)
			}
			r.holds(name, asFound())
		}
		if _, err := r.Preset("never stored"); err == nil {
			t.Error("a preset that is not there is a sheet")
		}
		must(t, r.store.Put(preset.Preset{Name: "small", Settings: safe()[:1]}))
		if _, err := r.Preset("small"); err == nil || !strings.Contains(err.Error(), `preset "small": it knows nothing of output 2`) {
			t.Errorf("%v", err)
		}
	})
}

// TestWithoutAMute takes a sheet that mutes to a processor that cannot.
func TestWithoutAMute(t *testing.T) {
	muteless := kindOf()
	muteless.Parameters[processor.Mute] = processor.Parameter{}
	begin := func(t *testing.T) *rig {
		r := newRig(t)
		cfg := r.config()
		cfg.Processors[0].Profile = muteless
		var err error
		r.Controller, err = New(cfg)
		must(t, err)
		r.device.put(engine.Setting{Output: 3, Polarity: 1, GainDB: -60}) // muted, that is
		return r
	}
	run(t, "kept", func(t *testing.T) {
		r := begin(t)
		d, err := r.DryRun(t.Context(), sheet())
		must(t, err)
		if !d.Before[2].Muted || d.After[3].GainDB != -60 || !d.After[3].Muted {
			t.Errorf("before %+v, after %+v", d.Before[2], d.After[3])
		}
		confirmed, err := r.Confirm(d.Digest, Consent{})
		must(t, err)
		heard := func(output int) bool { return r.device.get(output).GainDB > -60 }
		state, err := r.Apply(t.Context(), confirmed, func(ctx context.Context, b Bench) (Proof, error) {
			must(t, b.Solo(ctx, 2))
			if heard(1) || !heard(2) || heard(3) || heard(4) {
				t.Error("output 2 is not alone")
			}
			if b.Solo(ctx, 4) == nil {
				t.Error("an output that the sheet mutes was opened")
			}
			return Proof{Proven: true}, nil
		}, keep)
		kept, ok := state.(Kept)
		if !ok || err != nil || len(kept.Readings) != 12 {
			t.Errorf("%+v, %v", state, err)
		}
		want := sheet().Settings
		want[3].GainDB, want[3].Muted = -60, false
		r.holds("kept", want)
	})
	run(t, "rolled back", func(t *testing.T) {
		r := begin(t)
		state := r.apply(t.Context(), func(context.Context, Held) Decision { return RollBack })
		if _, ok := state.(RolledBack); !ok {
			t.Errorf("%+v", state)
		}
		want := asFound()
		want[2] = engine.Setting{Output: 3, Polarity: 1, GainDB: -60}
		r.holds("rolled back", want)
	})
}

// TestAnotherLabelIsAnotherWiring: nothing is sent where the processor calls an
// output something else than the site.
func TestAnotherLabelIsAnotherWiring(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		cfg := r.config()
		cfg.Processors[0].Profile.Label = &processor.ReadBack{
			Query: processor.Template{Address: "/out/{output}/label"},
			Reply: processor.Reply{Address: "/out/{output}/label", Args: []processor.Arg{{Kind: processor.ArgValue}}},
		}
		for i := range cfg.Outputs {
			cfg.Outputs[i].Label = fmt.Sprint("stack ", i+1)
			r.device.values[fmt.Sprintf("/out/%d/label", i+1)] = fmt.Sprintf("stack %d ", i+1)
		}
		var err error
		r.Controller, err = New(cfg)
		must(t, err)
		_, err = r.DryRun(t.Context(), sheet())
		must(t, err)
		r.device.values["/out/3/label"] = "delay tower"
		if _, err := r.DryRun(t.Context(), sheet()); !errors.Is(err, ErrWiring) || !strings.Contains(err.Error(), `output 3: the site calls it "stack 3", the processor "delay tower"`) {
			t.Errorf("%v", err)
		}
		r.device.values["/out/3/label"] = " "
		if _, err := r.DryRun(t.Context(), sheet()); err != nil {
			t.Errorf("a label that nobody wrote: %v", err)
		}
		delete(r.device.values, "/out/3/label")
		if _, err := r.DryRun(t.Context(), sheet()); err == nil || !strings.Contains(err.Error(), "output 3: its label cannot be read") {
			t.Errorf("%v", err)
		}
		equal(t, "writes", r.Writes(), 0)
	})
}

// TestALimiterFailsTheChange: what is stored is not what plays.
func TestALimiterFailsTheChange(t *testing.T) {
	limited := func(t *testing.T) *rig {
		r := newRig(t)
		cfg := r.config()
		cfg.Processors[0].Profile.Parameters[processor.Delay].InForce = &processor.ReadBack{
			Query: processor.Template{Address: "/force/{output}/delay"},
			Reply: processor.Reply{Address: "/force/{output}/delay", Args: []processor.Arg{{Kind: processor.ArgValue}}},
		}
		var err error
		r.Controller, err = New(cfg)
		must(t, err)
		return r
	}
	force := func(r *rig, output int, ms float32) { r.device.values[fmt.Sprintf("/force/%d/delay", output)] = ms }
	run(t, "while it is sent", func(t *testing.T) {
		r := limited(t)
		for output, ms := range []float32{0, 4.21, 5, 4.21} {
			force(r, output+1, ms)
		}
		back, ok := r.apply(t.Context(), keep).(RolledBack)
		if want := "output 3: delay: stored 5.57 ms, in force 5.00 ms: something limits it"; !ok || back.Reason != want {
			t.Errorf("%+v", back)
		}
		r.holds("rolled back", asFound())
	})
	run(t, "while it is held", func(t *testing.T) {
		r := limited(t)
		for output, ms := range []float32{0, 4.21, 5.57, 4.21} {
			force(r, output+1, ms)
		}
		back, ok := r.apply(t.Context(), func(context.Context, Held) Decision {
			force(r, 2, 1)
			return Keep
		}).(RolledBack)
		if want := "output 2: delay: stored 4.21 ms, in force 1.00 ms: something limits it"; !ok || back.Reason != want {
			t.Errorf("%+v", back)
		}
		r.holds("rolled back", asFound())
	})
}

// TestALimitIsNeverCrossed lets a change to the edge of every limit fail at each
// of its writes: the device looks at each gain that it is sent.
func TestALimitIsNeverCrossed(t *testing.T) {
	t.Parallel()
	for n := 1; n <= 40; n += 3 {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t)
			ctx, cancel := context.WithCancel(t.Context())
			r.line.onWrite = func(nth int) {
				if nth == n {
					cancel()
				}
			}
			r.apply(ctx, keep)
			_, err := r.Safe(t.Context())
			must(t, err)
			for _, m := range r.line.sent {
				if strings.HasSuffix(m.Address, "/gain") && m.Args[0].(float32) > 0 {
					t.Errorf("cancelled at write %d: %s", n, m)
				}
			}
		})
	}
}
