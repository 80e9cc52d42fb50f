package pages

import (
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
	"hushback/verify"
)

// A person decides with the thumb on Keep: the numbers stand above it, each
// beside what is wanted, and the claims below.
func TestNumbersThatDecideStandAboveKeep(t *testing.T) {
	written := pageOf(t, desktest.View(desktest.States()["held"]))
	page := written["proof"]
	table, keep, claims := strings.Index(page, "Predicted and measured"), strings.Index(page, `id="keep-button"`), strings.Index(page, "Claim by claim")
	if !(0 < table && table < keep && keep < claims) {
		t.Errorf("table at byte %d, Keep at %d, claims at %d", table, keep, claims)
	}
	said := saidOn(checkPage(t, "held", written))
	// Numbers of the invented job in desktest.
	for _, row := range []string{
		"Predicted Measured Wanted",
		"Rear against front at 47.0 Hz −39.9 dB −36.8 dB at most −24.0 dB",
		"Null behind at 47.1 Hz 47.2 Hz 47.0 Hz ± 0.5 Hz",
		"Rear against front there −40.6 dB −37.4 dB –",
		"Sum falls short by 0.6 dB 0.8 dB at most 1.5 dB",
	} {
		if !strings.Contains(said, row) {
			t.Errorf("the page does not say %q", row)
		}
	}
}

func TestVerdictThatNoLongerStandsSaysSo(t *testing.T) {
	early, late := desktest.Time.Add(-time.Minute), desktest.Time
	captures := []verify.Capture{{Taken: early}, {Taken: late}, {Taken: early}}
	cases := []struct {
		state    control.State
		captures []verify.Capture
		want     string
	}{
		{control.Held{}, captures, "Proven"},
		{control.Kept{}, captures, "Proven"},
		{control.Measuring{}, captures, "Proven"},
		{control.RolledBack{}, captures, "Proven at " + clock(late) + ", no longer on the processor"},
		{control.Idle{}, captures, "Proven at " + clock(late) + ", no longer on the processor"},
		{control.Idle{}, nil, "Proven, no longer on the processor"},
		{control.Adrift{}, captures, "Proven at " + clock(late) + ", perhaps no longer on the processor"},
	}
	for _, c := range cases {
		v := desktest.View(c.state)
		v.Verdict, v.Captures = desktest.Verdict(verify.Proven), c.captures
		j := judgedOf(v, desk.Flatten(c.state))
		if j.Said != c.want || j.Past != (c.want != "Proven") {
			t.Errorf("%T: %q, past %v, want %q", c.state, j.Said, j.Past, c.want)
		}
		for _, e := range checkPage(t, j.Said, pageOf(t, v)) {
			if classes := strings.Fields(e.attr["class"]); slices.Contains(classes, "outcome") && slices.Contains(classes, "proven") == j.Past {
				t.Errorf("%T: the outcome is drawn as %q", c.state, e.attr["class"])
			}
		}
	}
	if judgedOf(desk.View{}, desk.Flatten(nil)) != nil {
		t.Error("nothing was judged, yet there is a verdict")
	}
}

func TestProvenClaimsAreFoldedAndOthersAreNot(t *testing.T) {
	v := desktest.View(desktest.States()["held"])
	v.Verdict = &verify.Verdict{Outcome: verify.Refuted, Claims: []verify.Claim{
		{Name: "aa", Outcome: verify.Proven}, {Name: "bb", Outcome: verify.Undecided}, {Name: "cc", Outcome: verify.Proven}, {Name: "dd", Outcome: verify.Refuted},
	}}
	said := ""
	for _, e := range checkPage(t, "claims", pageOf(t, v)) {
		if e.attr["id"] == "claims" {
			said = e.text
		}
		if e.attr["id"] == "d-proven" {
			for name, in := range map[string]bool{"2 claims proven": true, "aa": true, "cc": true, "bb": false, "dd": false} {
				if strings.Contains(e.text, name) != in {
					t.Errorf("%q is in the fold: %v, want %v", name, !in, in)
				}
			}
		}
	}
	if b, d, fold := strings.Index(said, "? bb"), strings.Index(said, "✗ dd"), strings.Index(said, "2 claims proven"); !(0 < b && b < d && d < fold) {
		t.Errorf("open claims at %d and %d, the fold at %d of %q", b, d, fold, said)
	}
}

// confirmButton is the page's confirm, nil where there is none.
func confirmButton(all []element) *element {
	for i := range all {
		if all[i].attr["id"] == "confirm-button" {
			return &all[i]
		}
	}
	return nil
}

func TestConfirmIsOffWithoutItsMicrophones(t *testing.T) {
	cases := map[string]struct {
		feeds []desk.Feed
		want  string
	}{
		"all there":   {desktest.View(nil).Feeds, ""},
		"one away":    {[]desk.Feed{{Microphone: "meadow", Connected: true}, {Microphone: "back fence"}}, "the back fence microphone"},
		"one unknown": {[]desk.Feed{{Microphone: "back fence", Connected: true}, {Microphone: "stranger", Connected: true}}, "the meadow microphone"},
		"none yet":    {nil, "the microphones meadow and back fence"},
	}
	for name, c := range cases {
		v := desktest.View(control.Drafted{DryRun: desktest.DryRun()})
		v.Feeds = c.feeds
		all := checkPage(t, name, pageOf(t, v))
		button := confirmButton(all)
		if button == nil {
			t.Errorf("%s: no confirm button at all", name)
			continue
		}
		_, disabled := button.attr["disabled"]
		_, off := button.attr["data-off"] // or the script would switch it on
		if want := c.want != ""; disabled != want || off != want {
			t.Errorf("%s: disabled %v, off %v, want both %v", name, disabled, off, want)
		}
		said := saidOn(all)
		for _, words := range []string{"Confirming is off: connect " + c.want + " first.", "Next: Connect " + c.want + ":"} {
			if strings.Contains(said, words) != (c.want != "") {
				t.Errorf("%s: %q said: %v", name, words, c.want == "")
			}
		}
	}
}

func TestSafePresetComesFirst(t *testing.T) {
	for name, state := range desktest.States() {
		v := desktest.View(state)
		v.Safe = nil
		offered := false
		for _, e := range checkPage(t, name, pageOf(t, v)) {
			offered = offered || e.attr["id"] == "now" && strings.Contains(e.text, "Store what the processor holds now")
		}
		// What is adrift must not become the safe preset by haste; while a change runs there always is one.
		if want := slices.Contains([]string{"idle", "drafted", "kept", "rolled back"}, name); offered != want {
			t.Errorf("%s: the top offers to store the safe preset: %v, want %v", name, offered, want)
		}
	}
}

func TestEachChangeIsNamedOnceInTheJournal(t *testing.T) {
	said := ""
	for _, e := range checkPage(t, "journal", pageOf(t, desktest.View(control.Idle{}))) {
		if e.attr["class"] == "journal" {
			said = e.text
		}
	}
	if strings.Count(said, "c-0007") != 1 || !strings.Contains(said, " Rolled back ") || !strings.Contains(said, " Sending ") || !strings.Contains(said, " Safe preset stored ") {
		t.Errorf("the journal reads %q", said)
	}
}
