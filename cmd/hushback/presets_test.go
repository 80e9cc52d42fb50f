package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/home"
	"hushback/cmd/internal/printout"
	"hushback/control/preset"
	"hushback/engine"
)

// said runs the program and returns its exit code and what it printed.
func said(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	code = run(t.Context(), args, &out, &err)
	return code, out.String(), err.String()
}

// TestPresetsOfAStateFolder walks through every verb that works on presets.
func TestPresetsOfAStateFolder(t *testing.T) {
	folder, other := t.TempDir(), t.TempDir()
	file := filepath.Join(other, "evening.json")
	kept := home.Folder{Dir: folder}
	store, err := preset.Open(kept.Store())
	must(t, err)
	taken := time.Date(2026, 5, 2, 20, 15, 0, 0, time.UTC)
	four := func(gain float64) []engine.Setting {
		var all []engine.Setting
		for n := 1; n <= 4; n++ {
			all = append(all, engine.Setting{Output: n, Polarity: 1, GainDB: gain, DelaySec: 0.00125 * float64(n)})
		}
		return all
	}
	loud := four(-3)
	loud[2].Polarity, loud[2].Muted = -1, true
	_, err = store.Found(four(0), taken)
	must(t, err)
	must(t, store.Put(preset.Preset{Name: "evening", Taken: taken, Settings: loud}))
	must(t, store.Close())

	for _, c := range []struct {
		args []string
		code int
		says []string
	}{
		{[]string{"presets"}, 0, []string{"as found", "evening", "4 outputs"}},
		{[]string{"presets", "show", "evening"}, 0, []string{"output 3 ", "3.75 ms", "-3.0 dB", "reversed", "muted", "open"}},
		{[]string{"presets", "show", "morning"}, 2, []string{`"morning"`}},
		{[]string{"presets", "compare", "evening", "as found"}, 0, []string{"output 4", "evening: ", "as found: ", "0.0 dB"}},
		{[]string{"presets", "compare", "evening", "evening"}, 0, []string{"same values"}},
		{[]string{"presets", "export", "evening", file}, 0, nil},
		{[]string{"presets", "export", "evening", file}, 2, []string{"exists", "name a file that is not there yet"}},
		{[]string{"presets", "import", file}, 0, []string{`stored as "evening"`}},
		{[]string{"presets", "import", file, "--as", "safe"}, 2, []string{"hushback's own"}},
		{[]string{"presets", "import", file, "--as", "from the workshop"}, 0, []string{`stored as "from the workshop"`}},
		{[]string{"presets", "import", folder}, 2, []string{"import"}},
		{[]string{"presets", "safe", "evening", "ottersedge"}, 0, []string{"the safe preset is now"}},
		{[]string{"presets", "safe", "nothing", "ottersedge"}, 2, []string{"nothing"}},
		{[]string{"presets", "delete", "evening"}, 0, nil},
		{[]string{"presets", "delete", "safe"}, 2, []string{"cannot be deleted"}},
		{[]string{"presets", "delete", "as found"}, 2, []string{"cannot be deleted"}},
		{[]string{"presets"}, 0, []string{"safe", "from the workshop"}},
		{[]string{"presets", "set-aside"}, 2, []string{"nothing to set aside"}},
		{[]string{"presets", "mend"}, 2, []string{"one of its commands"}},
	} {
		code, out, errs := said(t, append(c.args, "--state", folder)...)
		if code != c.code {
			t.Errorf("%q: code %d, want %d: %s%s", c.args, code, c.code, out, errs)
		}
		for _, want := range c.says {
			if !strings.Contains(out+errs, want) {
				t.Errorf("%q does not say %q: %s%s", c.args, want, out, errs)
			}
		}
	}
	_, out, _ := said(t, "presets", "--json", "--state", folder)
	var told []printout.ToldPreset
	must(t, json.Unmarshal([]byte(out), &told))
	if len(told) != 3 || told[0].Name != preset.AsFound || told[1].Settings[2].Polarity != -1 {
		t.Errorf("--json tells %+v", told)
	}
	if code, _, errs := said(t, "presets", "--state", other); code != 2 || !strings.Contains(errs, "right state folder") {
		t.Errorf("an empty folder: %d %s", code, errs)
	}
}

// TestWhatOnlyReadsWritesNothing: the processor counts the datagrams of every
// command that is not there to set it. Those that only reckon send none at all.
func TestWhatOnlyReadsWritesNothing(t *testing.T) {
	rig := newRig(t)
	text, err := os.ReadFile("../../configs/sites/ottersedge.yaml")
	must(t, err)
	site := filepath.Join(t.TempDir(), "mine.yaml")
	must(t, os.WriteFile(site, bytes.ReplaceAll(text, []byte("192.0.2.10:8700"), []byte(rig.Processor.Addr())), 0o644))
	state := t.TempDir()
	store, err := preset.Open(home.Folder{Dir: state}.Store())
	must(t, err)
	must(t, store.Put(preset.Preset{Name: "evening", Settings: []engine.Setting{
		{Output: 1, Polarity: 1, GainDB: -6}, {Output: 2, Polarity: 1, GainDB: -6}, {Output: 3, Polarity: 1, GainDB: -6}, {Output: 4, Polarity: 1, GainDB: -6},
	}}))
	must(t, store.Close())
	for _, args := range [][]string{
		{"solve", site}, {"solve", site, "--json"}, {"compare", site}, {"compare", site, "--layouts", "end-fire,gradient"},
		{"presets", "--state", state}, {"presets", "show", "evening", "--state", state}, {"presets", "compare", "evening", "evening", "--state", state},
		{"presets", "safe", "evening", site, "--state", state}, {"presets", "delete", "evening", "--state", state}, {"--help"}, {"serve", "--help"},
	} {
		if code, out, errs := said(t, args...); code != 0 {
			t.Errorf("%q: code %d: %s%s", args, code, out, errs)
		}
		if w, q := rig.Processor.Writes(), rig.Processor.Queries(); w != 0 || q != 0 {
			t.Errorf("%q: the processor counted %d writes and %d queries, want none", args, w, q)
		}
	}
	if code, out, errs := said(t, "dry-run", site); code != 0 {
		t.Errorf("dry run: code %d: %s%s", code, out, errs)
	}
	if w, q := rig.Processor.Writes(), rig.Processor.Queries(); w != 0 || q == 0 {
		t.Errorf("dry run: the processor counted %d writes and %d queries, want none and some", w, q)
	}
}

// TestADamagedStoreIsSetAside: the file is kept, and the next start is told how.
func TestADamagedStoreIsSetAside(t *testing.T) {
	folder := t.TempDir()
	path := home.Folder{Dir: folder}.Store()
	must(t, os.WriteFile(path, []byte(strings.Repeat("not a store ", 4000)), 0o600))
	code, _, errs := said(t, "presets", "--state", folder)
	if code != 1 || !strings.Contains(errs, "damaged") || !strings.Contains(errs, "hushback presets set-aside") {
		t.Errorf("code %d, %s", code, errs)
	}
	code, out, errs := said(t, "presets", "set-aside", "--state", folder)
	kept, err := filepath.Glob(path + ".damaged-*")
	must(t, err)
	if code != 0 || len(kept) != 1 || !strings.Contains(out, kept[0]) {
		t.Fatalf("code %d, kept %q, said %s%s", code, kept, out, errs)
	}
	if bytes, err := os.ReadFile(kept[0]); err != nil || !strings.HasPrefix(string(bytes), "not a store") {
		t.Errorf("the file was changed: %v", err)
	}
	store, err := preset.Open(path)
	must(t, err)
	must(t, store.Close())
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
