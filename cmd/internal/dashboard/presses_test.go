package dashboard

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

func TestNamesOfPresets(t *testing.T) {
	long := strings.Repeat("ü", longestName)
	cases := []struct{ name, want, refusal string }{
		{"evening", "save preset evening", ""},
		{"  evening \t quiet\n", "save preset evening quiet", ""},
		{long, "save preset " + long, ""},
		{long + "ü", "", "too long"},
		{"   ", "", "has no name"},
		{"Safe", "", `"safe" is a preset of its own`},
		{"as  found", "", `"as found" is a preset of its own`},
		{"even\u202eing", "", "cannot be shown"},
		{"even\x00ing", "", "cannot be shown"},
	}
	for _, c := range cases {
		s, d := started(t, control.Idle{})
		r := visit{method: "POST", path: "/presets", form: url.Values{"name": {c.name}}, headers: fromScript(), cookies: pairUp(t, s)}.to(s)
		got, body := strings.Join(d.Wishes(), "; "), bodyOf(t, r)
		if got != c.want || (r.StatusCode == http.StatusConflict) != (c.refusal != "") || !strings.Contains(body, c.refusal) {
			t.Errorf("%q: desk got %q, answer %d %q", c.name, got, r.StatusCode, body)
		}
	}
}

func TestConfirmOfBlindOutputsNeedsConsent(t *testing.T) {
	blind, seen := desktest.BlindDryRun(), desktest.DryRun()
	press := func(d control.DryRun, form url.Values) (string, string) {
		s, desk := started(t, control.Drafted{DryRun: d})
		form.Set("digest", d.Digest)
		r := visit{method: "POST", path: "/confirm", form: form, headers: fromScript(), cookies: pairUp(t, s)}.to(s)
		return strings.Join(desk.Wishes(), "; "), strings.TrimSpace(bodyOf(t, r))
	}
	const refusal = "Refused: outputs 1 and 2 cannot be read back; tick that you know it, then confirm again"
	for _, form := range []url.Values{{}, {"blind": {""}}, {"blind": {"no"}}, {"blind": {"on"}}} {
		if got, body := press(blind, form); got != "" || body != refusal {
			t.Errorf("%v: desk got %q, answer %q, want nothing and the reason", form, got, body)
		}
	}
	if got, body := press(blind, url.Values{"blind": {"yes"}}); got != "confirm "+blind.Digest+" blind" || body != "" {
		t.Errorf("with consent: desk got %q, answer %q", got, body)
	}
	if got, _ := press(seen, url.Values{}); got != "confirm "+seen.Digest {
		t.Errorf("nothing blind: desk got %q", got)
	}
	// Another digest than the one shown is the desk's to refuse, in its words.
	if err := agreed(desktest.View(control.Drafted{DryRun: blind}), "beef", false); err != nil {
		t.Errorf("another digest: %v", err)
	}
}

// The journal tells who pressed what, of what was taken and changes anything.
func TestTheJournalTellsWhoPressed(t *testing.T) {
	s, d := started(t, control.Idle{})
	cookies := pairUp(t, s)
	digest := desktest.DryRun().Digest
	press := func(path string, form url.Values) {
		visit{method: "POST", path: path, form: form, headers: fromScript(), cookies: cookies}.to(s)
	}
	press("/dry-run", url.Values{})
	press("/confirm", url.Values{"digest": {digest}})
	press("/use-as-safe", url.Values{"name": {"evening"}})
	d.Refuse("not now")
	press("/safe", url.Values{})
	d.Refuse("")
	press("/safe", url.Values{})
	visit{method: "POST", path: "/safe", from: "127.0.0.1:1", headers: map[string]string{"Authorization": "Bearer " + testToken}}.to(s)
	want := []string{
		"phone 1 confirmed " + desk.Words(digest), `phone 1 made "evening" the safe preset`, "phone 1 called for the safe preset", "a program of this machine called for the safe preset",
	}
	if got := d.Noted(); !slices.Equal(got, want) {
		t.Errorf("noted %q, want %q", got, want)
	}
}

// Every press that the desk hears of is in the journal, but for those that change
// nothing.
func TestEveryPressHasItsWords(t *testing.T) {
	silent := []string{"/dry-run", "/dry-run-preset", "/put-back"}
	for _, w := range wishes() {
		s, d := started(t, control.Idle{})
		visit{method: "POST", path: w.path, form: w.form, headers: fromScript(), cookies: pairUp(t, s)}.to(s)
		if got := len(d.Noted()) == 0; got != slices.Contains(silent, w.path) {
			t.Errorf("%s: noted %q", w.path, d.Noted())
		}
	}
}
