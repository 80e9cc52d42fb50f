package main

import (
	"os"
	"slices"
	"strings"
	"testing"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/home"
	"hushback/control/preset"
	"hushback/engine"
)

// A shell that asks what can follow is told what would be taken: examples and site
// files, layouts of the site that stands there, kinds and formats, presets and
// microphones that there are.
func TestCompletions(t *testing.T) {
	state, running := t.TempDir(), stateFolderFor(t)
	store, err := preset.Open(home.Folder{Dir: state}.Store())
	must(t, err)
	must(t, store.Put(preset.Preset{Name: "evening", Settings: []engine.Setting{{Output: 1, Polarity: 1}}}))
	must(t, store.Close())
	s := raised(t, func(o *daemon.Options) { o.Home.Dir = running })
	must(t, s.until(withPatience(t), t.Logf, connected))
	t.Chdir(t.TempDir())
	must(t, os.WriteFile("own.yaml", nil, 0o600))
	must(t, os.WriteFile("other.txt", nil, 0o600))
	for _, c := range []struct {
		typed, offered, not string
	}{
		{"solve ", "ottersedge|larkpit|own.yaml", "other.txt"},
		{"check o", "ottersedge|own.yaml", "larkpit"},
		{"serve ottersedge ", "", "larkpit"},
		{"report lark", "larkpit", "ottersedge"},
		{"solve larkpit --layout ", "line", "null"},
		{"compare larkpit --layouts line,", "line,null|line,end-fire", "other.txt"},
		{"rehearse --fault ", "polarity|moved|deaf", ""},
		{"excite --kind ", "multisine|sweep|noise", ""},
		{"listen --format ", "s16le|f32le", ""},
		{"serve --log-level ", "debug|warn", ""},
		{"report --paper ", "a4|letter", ""},
		{"listen --state " + running + " --microphone ", "moved|mixing position|stage door", "rear sub"},
		{"listen --state " + state + " --microphone ", "moved", "stage door"},
		{"presets show --state " + state + " ", "evening", "own.yaml"},
		{"presets compare --state " + state + " evening ", "evening", "own.yaml"},
		{"presets safe --state " + state + " evening ott", "ottersedge", "evening"},
		{"presets show --state " + running + " ", "", "evening"},
	} {
		words := strings.Split(c.typed, " ")
		code, out, errs := said(t, append([]string{"__complete"}, words...)...)
		offers := strings.Split(out, "\n")
		for i, o := range offers {
			offers[i], _, _ = strings.Cut(o, "\t")
		}
		if c.offered == "" {
			c.offered = offers[0] // nothing but how the answer ends
		}
		for want := range strings.SplitSeq(c.offered, "|") {
			if !slices.Contains(offers, want) {
				t.Errorf("%q: %q is not offered (%d):\n%s%s", c.typed, want, code, out, errs)
			}
		}
		if c.not != "" && slices.Contains(offers, c.not) {
			t.Errorf("%q: %q is offered", c.typed, c.not)
		}
	}
}
