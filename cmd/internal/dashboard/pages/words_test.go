package pages

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
	"hushback/control/osc"
	"hushback/verify"
)

func TestSettingsInWords(t *testing.T) {
	cases := []struct{ got, want string }{
		{sayPolarity(1), "normal"}, {sayPolarity(-1), "reversed"}, {sayMute(true), "muted"}, {sayMute(false), "open"},
	}
	for _, c := range cases {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

func TestShortCode(t *testing.T) {
	for digest, want := range map[string]string{"3f9a02bc77": "3f9a-02bc", "3f9a02bc": "3f9a-02bc", "3f9a": "3f9a", "": ""} {
		if got := desk.ShortCode(digest); got != want {
			t.Errorf("%q: got %q, want %q", digest, got, want)
		}
	}
}

func TestArgumentsInWords(t *testing.T) {
	m := osc.Message{Args: []any{float32(5.17), int32(1), int64(-2), 0.1, "on", true, nil, []byte{1, 0xff}}}
	want := `5.17 float32, 1 int32, -2 int64, 0.1 float64, "on" string, true bool, nil, 01ff blob`
	if got := sayArgs(m); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := sayArgs(osc.Message{}); got != "no argument" {
		t.Errorf("got %q", got)
	}
}

// luminance and contrast are the formulas of WCAG 2.2, "relative luminance"
// and "contrast ratio" (w3.org/TR/WCAG22), from memory.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 24)
	if err != nil {
		t.Fatal(err)
	}
	channel := func(shift uint) float64 {
		c := float64(v>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*channel(16) + 0.7152*channel(8) + 0.0722*channel(0)
}

func contrast(t *testing.T, a, b string) float64 {
	x, y := luminance(t, a), luminance(t, b)
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}

func TestContrastFormula(t *testing.T) {
	// Widely published values, from memory: black on white 21, #767676 on white
	// just passes 4.5, #777777 just fails.
	if c := contrast(t, "#000000", "#ffffff"); math.Abs(c-21) > 1e-9 {
		t.Errorf("black on white is %.3f, want 21", c)
	}
	if a, b := contrast(t, "#767676", "#ffffff"), contrast(t, "#777777", "#ffffff"); a < 4.5 || b >= 4.5 {
		t.Errorf("greys on white are %.3f and %.3f, want one on each side of 4.5", a, b)
	}
}

// WCAG 2.2 AA asks 4.5 of text (1.4.3) and 3 of what is not text (1.4.11).
func TestColoursHaveContrastInBothThemes(t *testing.T) {
	css, err := web.ReadFile("web/style.css")
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(string(css), -1)
	if len(blocks) != 2 {
		t.Fatalf("%d themes, want light and dark", len(blocks))
	}
	pairs := []struct {
		front, back string
		least       float64
	}{
		{"ink", "ground", 4.5}, {"ink", "paper", 4.5}, {"dim", "ground", 4.5}, {"dim", "paper", 4.5}, {"tape-ink", "tape", 4.5},
		{"good", "paper", 4.5}, {"bad", "paper", 4.5}, {"bad", "ground", 4.5}, {"doubt", "paper", 4.5},
		{"go-ink", "go", 4.5}, {"safe-ink", "safe", 4.5}, {"ink", "faint", 4.5},
		{"edge", "paper", 3}, {"edge", "ground", 3}, {"front", "paper", 3}, {"rear", "paper", 3}, {"doubt", "ground", 3},
	}
	for i, theme := range []string{"light", "dark"} {
		colours := map[string]string{}
		for _, m := range regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{6});`).FindAllStringSubmatch(blocks[i][1], -1) {
			colours[m[1]] = m[2]
		}
		for _, p := range pairs {
			if c := contrast(t, colours[p.front], colours[p.back]); c < p.least {
				t.Errorf("%s: %s %s on %s %s has contrast %.2f, want %.1f", theme, p.front, colours[p.front], p.back, colours[p.back], c, p.least)
			}
		}
	}
}

// The line colours are those of Okabe & Ito's set as the style sheet says; the
// eight values are the ones widely reprinted, from memory.
func TestLineColoursAreOfThePublishedSet(t *testing.T) {
	set := map[string]bool{"#000000": true, "#e69f00": true, "#56b4e9": true, "#009e73": true, "#f0e442": true, "#0072b2": true, "#d55e00": true, "#cc79a7": true}
	css, err := web.ReadFile("web/style.css")
	if err != nil {
		t.Fatal(err)
	}
	found := regexp.MustCompile(`--(front|rear): (#[0-9a-f]{6});`).FindAllStringSubmatch(string(css), -1)
	if len(found) != 4 {
		t.Fatalf("%d line colours, want front and rear in two themes", len(found))
	}
	for _, m := range found {
		if !set[m[2]] {
			t.Errorf("%s is %s, not one of the set", m[1], m[2])
		}
	}
}

func TestStripSaysWhatIsDone(t *testing.T) {
	for name, want := range map[string]string{"measuring": " 3 of 5: output 2 alone, gain −3", "rolled back": ": measuring 3 of 5: output 2 alone, gain −3", "sending": "", "held": ""} {
		if got := stripWords("measuring 3 of 5: output 2 alone, gain -3", desk.Standing{Name: name}, desktest.Strangers()); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if got := stripWords("", desk.Standing{Name: "measuring"}, nil); got != "" {
		t.Errorf("resting: %q", got)
	}
	if got := stripWords("", desk.Standing{Name: "kept"}, desktest.Strangers()); got != ": changed elsewhere" {
		t.Errorf("resting while somebody else did something: %q", got)
	}
	for name, at := range map[string]string{"held": "/proof#verdict", "idle": "/settings#sheet", "adrift": "/send#safe-button"} {
		found := ""
		for _, e := range checkPage(t, name, pageOf(t, desktest.View(desktest.States()[name]))) {
			if e.name == "a" && found == "" && strings.HasPrefix(e.text, name) {
				found = e.attr["href"]
			}
		}
		if found != at {
			t.Errorf("%s: the strip leads to %q, want %q", name, found, at)
		}
	}
}

// Nobody is sent looking for the reason of what somebody wanted.
func TestNextAfterARollBack(t *testing.T) {
	cases := []struct {
		to      string
		outcome verify.Outcome // "" is no verdict
		at      string
		find    bool
	}{
		{control.ToSafe, "", "settings#dry-run", false}, {control.ToSafe, verify.Refuted, "settings#dry-run", false}, {control.ToBefore, verify.Proven, "settings#dry-run", false},
		{control.ToBefore, verify.Refuted, "proof#verdict", true}, {control.ToBefore, "", "send#send", true},
	}
	for _, c := range cases {
		v := desktest.View(control.RolledBack{To: c.to})
		v.Verdict = nil
		if c.outcome != "" {
			v.Verdict = desktest.Verdict(c.outcome)
		}
		if got := next(v, desk.Flatten(v.State), ""); got.At != c.at || strings.Contains(got.Words, "Find the reason") != c.find {
			t.Errorf("to %s, verdict %q: %+v", c.to, c.outcome, got)
		}
	}
}

// The reason is what the controller writes when a processor falls silent, the
// errors of its transport included.
func TestReasonsAndNoticesAreSaidOnce(t *testing.T) {
	silent := func(o, p string) string {
		return "output " + o + ": " + p + ": no answer to /out/" + o + "/delay from 127.0.0.1:9000: context deadline exceeded"
	}
	reason := "on the way to safe preset (it was called for): " + silent("1", "delay: wanted 0.00 ms") + "; " + silent("2", "gain: wanted -7.8 dB") + "; heard instead: nonsense; " +
		silent("4", "mute: wanted open") + "; output 3: gain: wanted -7.8 dB, got 0.0 dB; an output in doubt was not opened"
	want := "On the way to safe preset (it was called for): no answer for outputs 1, 2 and 4; output 3: gain: wanted −7.8 dB, got 0.0 dB; an output in doubt was not opened."
	st := desk.Flatten(control.Adrift{Outputs: []int{1, 2, 3, 4}, Reason: reason})
	if got := why(st); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if got := gathered("first this; " + silent("2", "delay cannot be read")[len("output 2: "):]); !strings.Contains(got, "deadline") {
		t.Errorf("what names no output was gathered: %s", got)
	}
	for notice, want := range map[string]string{
		"": "", reason: "", "the disk is full": "The disk is full.",
		"It could not be put back: " + reason + ". Return to the safe preset.": "It could not be put back.",
	} {
		if got := told(notice, st); got != want {
			t.Errorf("notice %q is told as %q, want %q", notice, got, want)
		}
	}
	if got := told("the disk is full", desk.Flatten(control.Idle{})); got != "The disk is full." {
		t.Errorf("got %q", got)
	}
}

func TestHeadlinesNameTheOutputsInDoubt(t *testing.T) {
	for want, outputs := range map[string][]int{
		"what the outputs hold.": nil, "what output 3 holds.": {3}, "what outputs 1 and 3 hold.": {1, 3}, "what outputs 1, 2 and 4 hold.": {1, 2, 4},
	} {
		if got := headline(desk.Flatten(control.Adrift{Outputs: outputs})); !strings.Contains(got, want) {
			t.Errorf("%v: %q, want %q in it", outputs, got, want)
		}
	}
	for _, to := range []string{control.ToSafe, control.ToBefore} {
		if got := headline(desk.Flatten(control.RolledBack{To: to, Reason: "Long words."})); got != "Rolled back to "+to+", read back to make sure." {
			t.Errorf("to %q: got %q", to, got)
		}
	}
}
