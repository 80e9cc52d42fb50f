package pages

import (
	"math"
	"slices"
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
	"hushback/engine"
	"hushback/verify"
)

func TestHearings(t *testing.T) {
	v := desktest.View(control.Measuring{})
	v.Feeds = v.Feeds[1:]
	h := hearings(v)
	if len(h) != 2 || h[0].Connected || h[0].Meter != 0 || h[0].Role != engine.RoleFront {
		t.Errorf("a microphone without a feed reads %+v, want it listed as not connected", h)
	}
	if math.Abs(h[1].Meter-(90-52.9)/0.9) > 1e-9 {
		t.Errorf("the rear microphone reads %+v", h[1])
	}
	for level, want := range map[float64]float64{math.Inf(-1): 0, -200: 0, 12: 100, 0: 100, -45: 50} {
		v.Feeds = []desk.Feed{{Microphone: "meadow", Connected: true, LevelDB: level}}
		if got := hearings(v)[0].Meter; got != want {
			t.Errorf("meter at %g dB: %g, want %g", level, got, want)
		}
	}
}

// What is captured of the series stands beside what is still to come.
func TestSeriesSaysWhatIsMissing(t *testing.T) {
	v := desktest.View(control.Measuring{})
	v.Site.Series = engine.SeriesBoth
	v.Captures = []verify.Capture{
		{Microphone: "back fence", Taken: desktest.Time}, {Microphone: "back fence", Row: engine.RowRear, Taken: desktest.Time}, {Microphone: "meadow", Solo: 3, Taken: desktest.Time},
	}
	at := clock(desktest.Time)
	want := []taken{
		{"Everything open", []string{"", at}}, {"The rear row alone", []string{"", at}}, {"The front row alone", []string{"", ""}},
		{"Output 1 alone (rear)", []string{"", ""}}, {"Output 2 alone (left front)", []string{"", ""}}, {"Output 3 alone (centre front)", []string{at, ""}}, {"Output 4 alone (right front)", []string{"", ""}},
	}
	got := seriesOf(v)
	if !slices.EqualFunc(got, want, func(a, b taken) bool { return a.What == b.What && slices.Equal(a.At, b.At) }) {
		t.Errorf("got %q, want %q", got, want)
	}
	said := saidOn(checkPage(t, "series", pageOf(t, v)))
	if !strings.Contains(said, "Open meadow front back fence rear Everything open to come ✓ "+at) {
		t.Error("the page does not list it")
	}
}

// A microphone is warned of where something can be done about it.
func TestWhatAFeedSoundsLike(t *testing.T) {
	good := desk.Feed{Role: engine.RoleFront, Connected: true, Coherence: 0.99, OverNoiseDB: 31, FloorDB: -70}
	says, warns := quality(good, nil)
	if len(says) != 2 || len(warns) != 0 || !strings.Contains(says[0], "0.99") || !strings.Contains(says[1], "−70.0") {
		t.Errorf("a good feed: %q, %q", says, warns)
	}
	for name, c := range map[string]struct {
		change func(*desk.Feed)
		warn   string
	}{
		"clipped":       {func(f *desk.Feed) { f.Clipped = true }, "turn its gain down"},
		"gaps":          {func(f *desk.Feed) { f.Gaps = 2 }, "broke off twice"},
		"faint":         {func(f *desk.Feed) { f.OverNoiseDB = 12 }, "less than 20.0"},
		"faint, behind": {func(f *desk.Feed) { f.OverNoiseDB, f.Role = 2, engine.RoleRear }, ""},
		"nothing plays": {func(f *desk.Feed) { f.OverNoiseDB, f.Coherence = math.NaN(), math.NaN() }, ""},
	} {
		f := good
		c.change(&f)
		_, warns := quality(f, nil)
		if said := strings.ReplaceAll(strings.Join(warns, " "), "\u00a0", " "); (said == "") != (c.warn == "") || !strings.Contains(said, c.warn) {
			t.Errorf("%s: warned %q, want %q", name, said, c.warn)
		}
	}
}

// While outputs are muted and opened in turn, what the last seconds sound like tells
// nothing: captures do.
func TestWhileMeasuringCapturesSpeak(t *testing.T) {
	v := desktest.View(control.Measuring{})
	v.Feeds[0].OverNoiseDB, v.Feeds[0].Coherence = 3, 0.4
	v.Captures = []verify.Capture{desktest.Capture(engine.RoleRear, "back fence", verify.Everything, v.Prediction.Rear)}
	h := hearings(v)
	if h[0].Says[0] != "nothing captured yet" || len(h[0].Warns) != 0 || h[1].Says[0] != "captured with 12 averages at "+clock(desktest.Time) {
		t.Errorf("says %q and %q, warns %q", h[0].Says, h[1].Says, h[0].Warns)
	}
	v.State = control.Idle{}
	if h := hearings(v); len(h[0].Warns) != 1 || !strings.Contains(h[1].Says[0], "0.41") {
		t.Errorf("at rest it warns %q and says %q", h[0].Warns, h[1].Says)
	}
}
