package pages

import (
	"slices"
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
	"hushback/control/preset"
)

func TestWhatSomebodyElseChangedIsShown(t *testing.T) {
	buttons := []string{"/accept", "/put-back"}
	for name, state := range desktest.States() {
		v := desktest.View(state)
		v.Strange = desktest.Strangers()
		all := checkPage(t, "strange "+name, pageOf(t, v))
		said := saidOn(all)
		for _, want := range []string{
			"Changed elsewhere", "Somebody else changed 2 values on the processor.",
			"left front: gain −7.8 dB → 0.0 dB first seen " + day(desktest.Time), "centre front: output open → muted first seen",
		} {
			if !strings.Contains(said, want) {
				t.Errorf("%s: the page does not say %q", name, want)
			}
		}
		can := 0
		for _, a := range actions(all) {
			if slices.Contains(buttons, a) {
				can++
			}
		}
		busy := slices.Contains([]string{"sending", "measuring", "held", "adrift"}, name)
		if want := map[bool]int{true: 0, false: 2}[busy]; can != want {
			t.Errorf("%s: %d buttons, want %d", name, can, want)
		}
		first := slices.Contains([]string{"idle", "kept", "rolled back"}, name)
		if got := strings.Contains(said, "Next: Accept what somebody else changed, or put it back."); got != first {
			t.Errorf("%s: the next step is to settle it: %v, want %v", name, got, first)
		}
	}
	if said := saidOn(checkPage(t, "none", pageOf(t, desktest.View(control.Idle{})))); strings.Contains(said, "Changed elsewhere") {
		t.Error("nobody changed anything, but the page says so")
	}
	v := desktest.View(control.Idle{})
	v.Strange = desktest.Strangers()[:1]
	if said := saidOn(checkPage(t, "one", pageOf(t, v))); !strings.Contains(said, "Somebody else changed a value on the processor.") {
		t.Error("one value is not said as one")
	}
}

func TestPresetsAreListed(t *testing.T) {
	v := desktest.View(control.Idle{})
	all := checkPage(t, "presets", pageOf(t, v))
	said := saidOn(all)
	for _, p := range v.Presets {
		want := "Taken " + day(p.Taken) + ", ID " + desk.ShortCode(p.ID())
		if !strings.Contains(said, want) || !strings.Contains(said, "Take a dry run of “"+p.Name+"”") {
			t.Errorf("%s: the page does not say %q and offer a dry run", p.Name, want)
		}
	}
	for _, title := range []string{"Safe preset Taken", "As found Taken", "“evening, quiet” Taken"} {
		if strings.Count(said, title) != 1 {
			t.Errorf("%q stands there %d times, want once", title, strings.Count(said, title))
		}
	}
	var names []string
	for _, e := range all {
		if e.name == "input" && e.attr["type"] == "hidden" && e.attr["name"] == "name" {
			names = append(names, e.attr["value"])
		}
	}
	// The last is named twice: it can be made the safe preset as well.
	if want := []string{preset.Safe, preset.AsFound, "evening, quiet", "evening, quiet"}; !slices.Equal(names, want) {
		t.Errorf("presses name %q, want %q", names, want)
	}
}

func TestReadingsSayWhatIsNotKnown(t *testing.T) {
	state := control.Kept{Change: "c-0008", Readings: desktest.BlindReadings(), Blind: []int{1, 2}}
	said := saidOn(checkPage(t, "kept", pageOf(t, desktest.View(state))))
	for _, want := range []string{
		"2 values read back, all as wanted; 2 sent that cannot be read back", "1 delay 0.00 ms sent, cannot be read back",
		"3 gain in force −7.8 dB −7.8 dB ✓ same", "It was sent to outputs 1 and 2 but cannot be read back there: only the measurement tells.",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if strings.Contains(said, "✗ differs") {
		t.Error("what cannot be read back is said to differ")
	}
	clipped := desktest.BlindReadings()
	clipped[3].Got, clipped[3].Same = "-12.0 dB", false
	said = saidOn(checkPage(t, "clipped", pageOf(t, desktest.View(control.Held{Readings: clipped, KeepBy: desktest.Time}))))
	for _, want := range []string{"1 of 2 values read back differ", "3 gain in force −7.8 dB −12.0 dB ✗ differs"} {
		if !strings.Contains(said, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for want, readings := range map[string][]control.Reading{
		"2 values read back, all as wanted": desktest.BlindReadings()[2:], "2 sent that cannot be read back": desktest.BlindReadings()[:2], "": nil,
	} {
		if got := tallyOf(desk.Standing{Readings: readings}).Words(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

func TestHowSurelyItWentBack(t *testing.T) {
	cases := []struct {
		state control.RolledBack
		want  string
	}{
		{control.RolledBack{To: control.ToSafe}, "the safe preset, read back to make sure"},
		{control.RolledBack{To: control.ToSafe, Blind: []int{1, 2}, Readings: desktest.BlindReadings()}, "the safe preset, read back to make sure but for outputs 1 and 2, which cannot be read back"},
		{control.RolledBack{To: control.ToBefore, Blind: []int{2}, Readings: desktest.BlindReadings()[1:2]}, "what stood before as far as sending goes: output 2 cannot be read back"},
		{control.RolledBack{To: control.ToSafe, Blind: []int{2}}, "the safe preset as far as sending goes: output 2 cannot be read back"},
	}
	for _, c := range cases {
		if got := desk.BackTo(c.state); got != c.want {
			t.Errorf("got  %q\nwant %q", got, c.want)
		}
		if got := headline(desk.Flatten(c.state)); got != "Rolled back to "+c.want+"." {
			t.Errorf("headline %q", got)
		}
	}
	held := desk.Flatten(control.Held{Readings: desktest.BlindReadings()})
	if !slices.Equal(held.Blind, []int{1, 2}) || !strings.Contains(headline(held), "outputs 1 and 2 but cannot be read back") {
		t.Errorf("held: blind %v, %q", held.Blind, headline(held))
	}
	if held.Restores = "the preset"; !strings.Contains(headline(held), "neither read back nor measured") {
		t.Errorf("restored: %q", headline(held))
	}
}

// Presets are set against the safe one, where there is one.
func TestPresetsAgainstTheSafeOne(t *testing.T) {
	v := desktest.View(control.Idle{})
	said := saidOn(checkPage(t, "compared", pageOf(t, v)))
	for _, want := range []string{
		"The same as the safe preset.", // as found
		"4 outputs differ from the safe preset", "output 1: 0.00 ms, 0.0 dB, polarity normal → 0.00 ms, 0.0 dB, polarity reversed", "output 2: 0.00 ms, 0.0 dB, polarity normal → 5.17 ms, −7.8 dB, polarity normal",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	v.Safe = nil
	if said := saidOn(checkPage(t, "none", pageOf(t, v))); strings.Contains(said, "the safe preset. ") && strings.Contains(said, "differ from the safe") {
		t.Error("there is no safe preset to compare with")
	}
}
