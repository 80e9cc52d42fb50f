package preset

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
)

func set(output int, gainDB float64) engine.Setting {
	return engine.Setting{Output: output, Polarity: 1, GainDB: gainDB}
}

// A name is given once; what the safe preset was before can still be found.
func TestPresetsNeverChange(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "store"))
	first := Preset{Name: "saturday", Taken: noon, Settings: []engine.Setting{set(1, -3)}}
	must(t, s.Put(first))
	must(t, s.Put(first)) // the same again is no change
	other := first
	other.Settings = []engine.Setting{set(1, -4)}
	if err := s.Put(other); !errors.Is(err, ErrExists) {
		t.Errorf("a name given twice: %v", err)
	}
	before := Preset{Name: Safe, Taken: noon, Settings: []engine.Setting{set(1, -20)}}
	must(t, s.Put(before))
	must(t, s.Put(Preset{Name: Safe, Taken: noon, Settings: []engine.Setting{set(1, -30)}}))
	got, err := s.Find(before.ID()[:8])
	if err != nil || !reflect.DeepEqual(got.Settings, before.Settings) || got.Name != before.ID() {
		t.Errorf("the safe preset of before: %+v, %v", got, err)
	}
	if got, err := s.Find("saturday"); err != nil || !reflect.DeepEqual(got, first) {
		t.Errorf("by its name: %+v, %v", got, err)
	}
	for _, unknown := range []string{"sunday", before.ID()[:5], "", strings.Repeat("f", 64)} {
		if got, err := s.Find(unknown); err == nil {
			t.Errorf("%q: found %+v", unknown, got)
		}
	}
}

func TestDelete(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "store"))
	p := Preset{Name: "saturday", Taken: noon, Settings: []engine.Setting{set(1, -3)}}
	must(t, s.Put(p))
	must(t, s.Put(Preset{Name: Safe, Taken: noon, Settings: settings()}))
	_, err := s.Found(settings(), noon)
	must(t, err)
	for _, needed := range []string{Safe, AsFound} {
		if err := s.Delete(needed); !errors.Is(err, ErrNeeded) {
			t.Errorf("deleting %s: %v", needed, err)
		}
		if _, found, _ := s.Get(needed); !found {
			t.Errorf("%s is gone", needed)
		}
	}
	must(t, s.Delete(p.Name))
	if _, found, err := s.Get(p.Name); found || err != nil {
		t.Errorf("still there: %v", err)
	}
	if err := s.Delete(p.Name); err == nil {
		t.Error("deleted twice")
	}
	if _, err := s.Find(p.ID()); err != nil {
		t.Errorf("its settings: %v", err)
	}
	must(t, s.Put(p)) // the name is free again
}

// The as-found preset grows by outputs that a later site uses, and nothing that
// was found first is ever found anew.
func TestFoundGrows(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "store"))
	for _, step := range []struct {
		settings []engine.Setting
		added    []int
	}{
		{[]engine.Setting{set(2, -2), set(5, -5)}, []int{2, 5}},
		{[]engine.Setting{set(2, -9), set(5, -9)}, nil},
		{[]engine.Setting{set(1, -1), set(2, -9), set(7, -7)}, []int{1, 7}},
	} {
		added, err := s.Found(step.settings, noon)
		if err != nil || !slices.Equal(added, step.added) {
			t.Errorf("added %v, %v, want %v", added, err, step.added)
		}
	}
	p, _, err := s.Get(AsFound)
	want := []engine.Setting{set(1, -1), set(2, -2), set(5, -5), set(7, -7)}
	if err != nil || !reflect.DeepEqual(p.Settings, want) {
		t.Errorf("found %v, %v, want %v", p.Settings, err, want)
	}
	if _, err := s.Found(nil, noon); err == nil {
		t.Error("nothing was found")
	}
}

// What is known goes with the end of a change, and survives a restart.
func TestKnown(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store")
	s := open(t, path)
	if known, err := s.Known(); len(known) != 0 || err != nil {
		t.Errorf("a new store knows %v, %v", known, err)
	}
	must(t, s.Know([]engine.Setting{set(1, -1), set(3, -3)}))
	must(t, s.Begin(change("a"), entry("sending")))
	must(t, s.End(entry("kept"), []engine.Setting{set(3, -6), set(300, 0)}))
	if err := s.End(entry("kept"), []engine.Setting{set(1, -60)}); !errors.Is(err, ErrNoChange) {
		t.Errorf("ended twice: %v", err)
	}
	must(t, s.Close())
	known, err := open(t, path).Known()
	if want := []engine.Setting{set(1, -1), set(3, -6), set(300, 0)}; err != nil || !reflect.DeepEqual(known, want) {
		t.Errorf("known %v, %v, want %v", known, err, want)
	}
}

func TestExportAndImport(t *testing.T) {
	p := Preset{Name: "saturday", Taken: noon, Settings: settings()}
	file, err := Export(p)
	must(t, err)
	got, err := Import(file)
	if err != nil || !reflect.DeepEqual(got, p) || !math.Signbit(got.Settings[0].GainDB) {
		t.Errorf("came back as %+v, %v, want %+v", got, err, p)
	}
	for name, c := range map[string]struct{ from, to, want string }{
		"a digit changed":   {"-7.8", "-7.9", "not those of its id"},
		"another polarity":  {`"polarity": -1`, `"polarity": 1`, "not those of its id"},
		"no polarity":       {`"polarity": -1`, `"polarity": 0`, "polarity is 0"},
		"another format":    {format, "hushback preset 2", "want \"" + format},
		"an unknown key":    {`"name"`, `"nam"`, "unknown field"},
		"an output missing": {`"output": 2`, `"output": 1`, "output 1 after output 1"},
		"no name":           {"saturday", "", "needs a name"},
	} {
		if _, err := Import(bytes.Replace(file, []byte(c.from), []byte(c.to), 1)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	for name, file := range map[string][]byte{"nothing": nil, "half": file[:len(file)/2], "two": append(file, file...), "text": []byte("saturday")} {
		if p, err := Import(file); err == nil {
			t.Errorf("%s: taken as %+v", name, p)
		}
	}
	if _, err := Export(Preset{Name: "empty"}); err == nil {
		t.Error("an empty preset was exported")
	}
}

func FuzzImport(f *testing.F) {
	file, err := Export(Preset{Name: "saturday", Taken: noon, Settings: settings()})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(file)
	f.Add(file[:100])
	f.Add([]byte(`{"format":"hushback preset 1","settings":[{"output":1e9,"gain_db":1e999}]}`))
	f.Fuzz(func(t *testing.T, file []byte) {
		p, err := Import(file)
		if err != nil {
			return
		}
		again, err := Export(p)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := Import(again); err != nil || !reflect.DeepEqual(back, p) && !back.Taken.Equal(p.Taken) {
			t.Fatalf("%+v came back as %+v, %v", p, back, err)
		}
	})
}

func TestCompare(t *testing.T) {
	a := Preset{Settings: []engine.Setting{set(1, 0), set(2, -2), set(4, -4)}}
	b := Preset{Settings: []engine.Setting{set(2, -2), set(3, -3), set(4, -4.1)}}
	var got []string
	for _, d := range Compare(a, b) {
		side := ""
		if d.A != nil {
			side += "a"
		}
		if d.B != nil {
			side += "b"
		}
		got = append(got, string(rune('0'+d.Output))+side)
	}
	if want := []string{"1a", "3b", "4ab"}; !slices.Equal(got, want) {
		t.Errorf("differences %v, want %v", got, want)
	}
	if d := Compare(a, a); d != nil {
		t.Errorf("differs from itself: %v", d)
	}
	if d := Compare(a, Preset{}); len(d) != 3 {
		t.Errorf("against nothing: %v", d)
	}
}

// A damaged store is kept aside and a new one can be made in its place.
func TestSetAside(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store")
	must(t, os.WriteFile(path, []byte(strings.Repeat("ruin", 5000)), 0o600))
	if _, err := Open(path); !errors.Is(err, ErrDamaged) {
		t.Fatalf("opened: %v", err)
	}
	aside, err := SetAside(path, noon)
	must(t, err)
	if got, err := os.ReadFile(aside); err != nil || len(got) != 20000 || !strings.HasSuffix(aside, ".damaged-20260314-120000") {
		t.Errorf("%s holds %d bytes, %v", aside, len(got), err)
	}
	must(t, open(t, path).Note(entry("begun anew")))
	if _, err := SetAside(path, noon); err == nil {
		t.Error("an earlier one was overwritten")
	}
}

// Whatever stage a first write was cut off at, the next Open makes a good store.
func TestTheFirstWriteCutOff(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "store")
	whole, _ := filled(t)
	must(t, os.Mkdir(path+".new-1", 0o700))
	must(t, os.WriteFile(filepath.Join(path+".new-1", "store"), whole[:len(whole)/3], 0o600))
	must(t, os.WriteFile(path, nil, 0o600))
	s := open(t, path)
	must(t, s.Note(entry("begun")))
}
