package pages

import (
	"strings"
	"testing"

	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/control/processor"
	"hushback/engine"
)

func TestChangesInWords(t *testing.T) {
	changes := changesOf(desktest.Site(), desktest.DryRun())
	if len(changes) != 4 {
		t.Fatalf("%d outputs, want 4", len(changes))
	}
	differ := map[int]int{1: 1, 2: 2, 3: 2, 4: 2} // polarity of the rear; delay and gain of each front
	for _, c := range changes {
		if c.Differ != differ[c.Output] || len(c.Lines) != 4 {
			t.Errorf("output %d: %d of %d differ, want %d of 4", c.Output, c.Differ, len(c.Lines), differ[c.Output])
		}
	}
}

func TestEveryDatagramIsListedOnce(t *testing.T) {
	d := desktest.DryRun()
	total := 0
	for _, p := range partsOf(d, false) {
		for _, s := range p.Steps {
			total++
			if string(s.Part) != p.ID {
				t.Errorf("a step to %s stands under %s", s.Part, p.ID)
			}
		}
	}
	if total != len(d.Steps) {
		t.Errorf("%d datagrams listed, want %d", total, len(d.Steps))
	}
	if got := partsOf(control.DryRun{}, true); len(got) != 3 {
		t.Errorf("an empty dry run has %d parts, want 3 empty ones", len(got))
	}
}

func TestWhatGetsLouderIsMarked(t *testing.T) {
	at := func(gain float64, muted bool) engine.Setting { return engine.Setting{GainDB: gain, Muted: muted} }
	cases := []struct {
		before, after engine.Setting
		known         bool
		gain, mute    string
	}{
		{at(-6, false), at(0, false), true, "6.0 dB louder", ""},
		{at(0, false), at(-6, false), true, "", ""},
		{at(-6, false), at(-6, false), true, "", ""},
		{at(-6, false), at(-5.99, false), true, "", ""}, // less than the page shows
		{at(-60, true), at(-60, false), true, "", "opens: it will sound"},
		{at(0, false), at(3.2, true), true, "3.2 dB louder", ""},
		{engine.Setting{}, at(-3, false), false, "perhaps louder", "perhaps opens"},
	}
	for _, c := range cases {
		gain, mute := louder(processor.Gain, c.before, c.after, c.known), louder(processor.Mute, c.before, c.after, c.known)
		if strings.ReplaceAll(gain, figures.Space, " ") != c.gain || mute != c.mute {
			t.Errorf("%+v to %+v: %q and %q, want %q and %q", c.before, c.after, gain, mute, c.gain, c.mute)
		}
	}
	d := desktest.DryRun()
	d.Before[0].GainDB, d.Before[1].Muted = -6, true
	d.Turns = desktest.Turns(d.Before, d.After)
	said := saidOn(checkPage(t, "louder", pageOf(t, desktest.View(control.Drafted{DryRun: d}))))
	for _, want := range []string{"rear: gain −6.0 dB → 0.0 dB, 6.0 dB louder", "left front: output muted → open, opens"} {
		if strings.Count(said, want) != 1 || strings.Count(said, want[strings.Index(want, ": ")+2:]) != 2 {
			t.Errorf("%q does not stand in the dry run and in the confirm", want)
		}
	}
}

// plain is words with ordinary blanks.
func plain(words string) string { return strings.ReplaceAll(words, figures.Space, " ") }

func TestValuesAreTheProcessorsOwn(t *testing.T) {
	cases := []struct {
		param       processor.Param
		words, want string
	}{
		{processor.Delay, "delay 4.2083 ms", "4.2083 ms"}, // finer than the page would round
		{processor.Gain, "gain -60.0 dB, which mutes it", "−60.0 dB, which mutes it"},
		{processor.Polarity, "polarity reversed", "reversed"},
		{processor.Mute, "muted", "muted"},
		{processor.Delay, "unknown", "unknown"},
	}
	for _, c := range cases {
		if got := plain(value(c.param, c.words)); got != c.want {
			t.Errorf("%q reads %q, want %q", c.words, got, c.want)
		}
	}
	if turnName(processor.Mute) != "output" || turnName(processor.Delay) != "delay" {
		t.Error("an output is muted, a delay is delayed")
	}
}

// A step that the page's own rounding would hide is a difference all the same.
func TestFineStepsAreNotRoundedAway(t *testing.T) {
	d := control.DryRun{After: desktest.Sheet().Settings[:1], Before: desktest.AsFound()[:1], Turns: []control.Turn{{Output: 1, Param: processor.Delay, Before: "delay 4.2083 ms", After: "delay 4.2104 ms"}}}
	c := changesOf(desktest.Site(), d)
	if len(c) != 1 || c[0].Differ != 1 || len(c[0].Lines) != 1 || c[0].Lines[0].Same {
		t.Errorf("got %+v, want one line that differs, and no parameter that the processor does not have", c)
	}
}

func TestDryRunOfOutputsThatCannotBeReadBack(t *testing.T) {
	d := desktest.BlindDryRun()
	all := checkPage(t, "blind", pageOf(t, desktest.View(control.Drafted{DryRun: d})))
	said := saidOn(all)
	for _, want := range []string{
		"Outputs 1 and 2 cannot be read back", "Only measuring can prove it.", "I know that outputs 1 and 2 cannot be read back",
		"If it goes back, then to the safe preset: nobody can tell what every output holds now.", "4 datagrams to go back to the safe preset",
		"left front 2 of 4 change, cannot be read back", "centre front 2 of 4 change delay", "rear: gain unknown → 0.0 dB, perhaps louder",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	asked := 0
	for _, e := range all {
		if e.name != "input" || e.attr["name"] != "blind" {
			continue
		}
		asked++
		_, required := e.attr["required"]
		if _, ticked := e.attr["checked"]; ticked || !required || e.attr["value"] != "yes" || e.attr["id"] != "blind-"+d.Digest {
			t.Errorf("the consent is %v: want it required, not ticked, and of this dry run alone", e.attr)
		}
	}
	if asked != 1 {
		t.Errorf("asked for consent %d times, want once", asked)
	}
}

func TestDryRunThatIsReadBackAsksForNoConsent(t *testing.T) {
	written := pageOf(t, desktest.View(control.Drafted{DryRun: desktest.DryRun()}))
	page := written["settings"] + written["send"]
	if strings.Contains(page, `name="blind"`) || strings.Contains(page, "cannot be read back") {
		t.Error("a dry run of outputs that can be read back speaks of others")
	}
	if said := saidOn(parse(t, written["settings"])); !strings.Contains(said, "If it goes back, then to what stands now.") {
		t.Error("the page does not say where going back leads")
	}
}

// What was stored is not measured: no microphone is waited for, no noise
// announced, no datagram of the measurement counted.
func TestDryRunOfAPreset(t *testing.T) {
	const evening = `the preset "evening, quiet"`
	v := desktest.View(control.Drafted{DryRun: desktest.BlindDryRun()})
	v.Restores, v.Feeds = evening, nil
	all := checkPage(t, "restore", pageOf(t, v))
	said := saidOn(all)
	for _, want := range []string{
		"A dry run of " + evening + " waits for your confirm", "It restores " + evening, "8 datagrams are sent, 4 more only if it goes back",
		"what was stored is not measured", "Take a dry run of the solved sheet instead", "Read the dry run, then confirm it.",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for _, not := range []string{"is loud", "Confirming is off", "Only measuring can prove it"} {
		if strings.Contains(strings.ReplaceAll(said, "it is loud", ""), not) {
			t.Errorf("the page says %q", not)
		}
	}
	for _, e := range all {
		if _, off := e.attr["disabled"]; e.attr["id"] == "confirm-button" && off {
			t.Error("confirming is off for want of microphones that are not needed")
		}
	}
	for state, want := range map[string]string{
		"measuring": `The preset "evening, quiet" stands on the processor.`,
		"held":      "Keep, not measured",
		"kept":      `The preset "evening, quiet" stands on the processor and stays there.`,
	} {
		v := desktest.View(desktest.States()[state])
		v.Restores, v.Verdict, v.Captures = evening, nil, nil
		said := saidOn(checkPage(t, "restored "+state, pageOf(t, v)))
		if !strings.Contains(said, want) || !strings.Contains(said, "Not measured: this is "+evening) {
			t.Errorf("%s: the page does not say %q and that it was not measured", state, want)
		}
	}
	v = desktest.View(control.RolledBack{To: control.ToSafe})
	if v.Restores = evening; strings.Contains(saidOn(checkPage(t, "gone", pageOf(t, v))), "this is "+evening) {
		t.Error("what was restored is shown after it has gone")
	}
}

func TestRollingBackNamesWhereItLeads(t *testing.T) {
	for back, want := range map[string]string{"": "Roll back to what stood before", control.ToBefore: "Roll back to what stood before", control.ToSafe: "Roll back to the safe preset"} {
		v := desktest.View(desktest.States()["held"])
		v.Back = back
		for _, e := range checkPage(t, "held", pageOf(t, v)) {
			if e.attr["id"] == "roll-back-button" && e.text != want {
				t.Errorf("back %q: the button says %q, want %q", back, e.text, want)
			}
		}
	}
}
