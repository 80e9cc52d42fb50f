package preset

import (
	"encoding/hex"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"hushback/engine"
)

var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

func open(t *testing.T, path string) *Store {
	t.Helper()
	s, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// settings are values that a sloppy spelling would lose bits of.
func settings() []engine.Setting {
	return []engine.Setting{
		{Output: 1, DelaySec: 0.1 + 0.2, Polarity: 1, GainDB: math.Copysign(0, -1)},
		{Output: 2, DelaySec: math.Nextafter(1e-3, 0), Polarity: -1, GainDB: -7.8, Muted: true},
	}
}

func change(id string) Change {
	return Change{ID: id, Opened: noon, Digest: "d1", Before: settings(), After: settings()[:1]}
}

func entry(event string) Entry { return Entry{At: noon, Event: event, Detail: event + " happened"} }

func TestPresetsComeBackAsTheyWere(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store")
	s := open(t, path)
	if _, ok, err := s.Get(Safe); ok || err != nil {
		t.Fatalf("Get on an empty store: %t, %v", ok, err)
	}
	safe := Preset{Name: Safe, Taken: noon, Settings: settings()}
	must(t, s.Put(Preset{Name: Safe, Taken: noon.Add(-time.Hour), Settings: settings()[:1]}))
	must(t, s.Put(safe)) // replaces
	found := Preset{Name: AsFound, Taken: noon, Settings: settings()[1:]}
	_, err := s.Found(found.Settings, noon)
	must(t, err)
	if err := s.Put(Preset{Name: AsFound, Taken: noon, Settings: settings()}); err == nil {
		t.Error("the as-found preset was replaced")
	}
	must(t, s.Close())

	s = open(t, path)
	got, ok, err := s.Get(Safe)
	if !ok || err != nil || !reflect.DeepEqual(got, safe) {
		t.Errorf("Get: %+v, %t, %v\nwant %+v", got, ok, err, safe)
	}
	if math.Signbit(got.Settings[0].GainDB) != true {
		t.Error("the sign of -0 got lost")
	}
	all, err := s.List()
	if want := []Preset{found, safe}; err != nil || !reflect.DeepEqual(all, want) {
		t.Errorf("List: %+v, %v\nwant %+v", all, err, want)
	}
	info, err := os.Stat(path)
	must(t, err)
	if info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v", info.Mode())
	}
}

func TestBadRecordsAreRefused(t *testing.T) {
	with := func(alter func(*engine.Setting)) []engine.Setting {
		all := settings()
		alter(&all[1])
		return all
	}
	cases := map[string]struct {
		name     string
		settings []engine.Setting
		want     string
	}{
		"no name":     {"", settings(), "needs a name"},
		"no settings": {Safe, nil, `preset "safe": there are no settings`},
		"twice":       {Safe, with(func(s *engine.Setting) { s.Output = 1 }), "output 1 after output 1"},
		"output 0":    {Safe, []engine.Setting{{Polarity: 1}}, "output 0 after output 0"},
		"polarity":    {Safe, with(func(s *engine.Setting) { s.Polarity = 0 }), "output 2: polarity is 0"},
		"delay":       {Safe, with(func(s *engine.Setting) { s.DelaySec = math.NaN() }), "output 2: delay NaN"},
		"gain":        {Safe, with(func(s *engine.Setting) { s.GainDB = math.Inf(-1) }), "gain -Inf"},
	}
	s := open(t, filepath.Join(t.TempDir(), "store"))
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			err := s.Put(Preset{Name: c.name, Settings: c.settings})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("Put: got %v, want %q in it", err, c.want)
			}
			bad := change(c.name)
			if bad.After = c.settings; s.Begin(bad, entry("sending")) == nil {
				t.Error("Begin took it")
			}
			bad.Before, bad.After = bad.After, settings()
			if s.Begin(bad, entry("sending")) == nil {
				t.Error("Begin took it as what stood before")
			}
		})
	}
	if all, err := s.Journal(10); len(all) != 0 || err != nil {
		t.Errorf("journal after refusals: %v, %v", all, err)
	}
	if all, err := s.List(); len(all) != 0 || err != nil {
		t.Errorf("presets after refusals: %v, %v", all, err)
	}
}

func TestOneChangeIsOpenAtATime(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store")
	s := open(t, path)
	reopen := func() {
		must(t, s.Close())
		s = open(t, path)
	}
	wantOpen := func(want string) {
		t.Helper()
		c, ok, err := s.OpenChange()
		must(t, err)
		if ok != (want != "") || c.ID != want {
			t.Fatalf("open change: %q, %t; want %q", c.ID, ok, want)
		}
	}
	if err := s.End(entry("kept"), settings()); !errors.Is(err, ErrNoChange) {
		t.Errorf("End without a change: %v", err)
	}
	if err := s.Redirect(change("a"), entry("rolling back")); !errors.Is(err, ErrNoChange) {
		t.Errorf("Redirect without a change: %v", err)
	}
	wantOpen("")
	must(t, s.Begin(change("a"), entry("sending")))
	if err := s.Begin(change("b"), entry("sending")); !errors.Is(err, ErrChangeOpen) {
		t.Errorf("second Begin: %v", err)
	}
	reopen()
	wantOpen("a")
	if c, _, _ := s.OpenChange(); !reflect.DeepEqual(c, change("a")) {
		t.Errorf("open change after reopening: %+v", c)
	}
	must(t, s.Note(entry("read back")))
	must(t, s.Redirect(change("c"), entry("rolling back")))
	reopen()
	wantOpen("c")
	must(t, s.End(entry("rolled back"), settings()))
	wantOpen("")
	reopen()
	wantOpen("")
	must(t, s.Begin(change("d"), entry("sending")))

	got, err := s.Journal(100)
	must(t, err)
	events := []string{"sending", "rolled back", "rolling back", "read back", "sending"}
	if len(got) != len(events) {
		t.Fatalf("journal holds %d entries, want %d (a refused call must leave none): %v", len(got), len(events), got)
	}
	for i, e := range got {
		want := entry(events[i])
		want.Seq = uint64(len(events) - i)
		if e != want {
			t.Errorf("entry %d: %+v, want %+v", i, e, want)
		}
	}
	if got, err := s.Journal(2); err != nil || len(got) != 2 || got[0].Seq != 5 || got[1].Seq != 4 {
		t.Errorf("last two: %v, %v", got, err)
	}
	if got, err := s.Journal(0); err != nil || len(got) != 0 {
		t.Errorf("last none: %v, %v", got, err)
	}
}

func TestASecondOpenIsToldWhy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store")
	s := open(t, path)
	must(t, s.Note(entry("first")))
	_, err := Open(path)
	if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), path) {
		t.Fatalf("second Open: %v", err)
	}
	must(t, s.Note(entry("second"))) // the first is none the worse for it
	must(t, s.Close())
	must(t, s.Close())
	open(t, path)
}

func TestWhereNoStoreCanBe(t *testing.T) {
	_, err := Open(filepath.Join(t.TempDir(), "missing", "store"))
	if !errors.Is(err, fs.ErrNotExist) || errors.Is(err, ErrDamaged) {
		t.Errorf("folder that is not there: %v", err)
	}
	folder := t.TempDir()
	if _, err = Open(folder); err == nil || errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), folder) {
		t.Errorf("a folder: %v", err)
	}
}

func TestAClosedStoreRefuses(t *testing.T) {
	s, err := Open(filepath.Join(t.TempDir(), "store"))
	must(t, err)
	must(t, s.Close())
	calls := map[string]func() error{
		"Put":        func() error { return s.Put(Preset{Name: Safe, Settings: settings()}) },
		"Get":        func() error { _, _, err := s.Get(Safe); return err },
		"List":       func() error { _, err := s.List(); return err },
		"Begin":      func() error { return s.Begin(change("a"), entry("sending")) },
		"Note":       func() error { return s.Note(entry("note")) },
		"End":        func() error { return s.End(entry("kept"), settings()) },
		"OpenChange": func() error { _, _, err := s.OpenChange(); return err },
		"Journal":    func() error { _, err := s.Journal(1); return err },
	}
	for name, call := range calls {
		if err := call(); err == nil || !strings.Contains(err.Error(), "is closed") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestSpellingOfRecords fails when the stored form of a record changes. Then
// raise schema, and think of those who have a store of the old form.
//
// The checksum is held against the check value of CRC-32C in the catalogues of
// CRC algorithms, E3069283 for "123456789" (recalled from memory).
func TestSpellingOfRecords(t *testing.T) {
	if got := checksum("1234", '5', []byte("6789")); got != 0xE3069283 {
		t.Errorf("CRC32C of 123456789: %08X", got)
	}
	const setting = `{"Output":2,"DelaySec":0.00421,"Polarity":-1,"GainDB":-7.8,"Muted":true}`
	set := []engine.Setting{{Output: 2, DelaySec: 4.21e-3, Polarity: -1, GainDB: -7.8, Muted: true}}
	cases := map[string]struct {
		record any
		want   string
	}{
		"settings": {set, `[` + setting + `]`},
		"preset":   {named{ID: "d", Taken: noon}, `{"ID":"d","Taken":"2026-03-14T12:00:00Z"}`},
		"change": {Change{ID: "a", Opened: noon, Digest: "d", Before: set, After: set},
			`{"ID":"a","Opened":"2026-03-14T12:00:00Z","Digest":"d","Before":[` + setting + `],"After":[` + setting + `]}`},
		"entry": {Entry{Seq: 7, At: noon, Change: "a", Event: "kept", Detail: "all is well"},
			`{"Seq":7,"At":"2026-03-14T12:00:00Z","Change":"a","Event":"kept","Detail":"all is well"}`},
	}
	for name, c := range cases {
		value, err := seal(name, c.record)
		must(t, err)
		if value[0] != 2 || string(value[sealLen:]) != c.want {
			t.Errorf("%s: %s\n%s, want schema 2 and %s", name, hex.EncodeToString(value[:sealLen]), value[sealLen:], c.want)
		}
	}
}

func TestUnsealNamesTheRecord(t *testing.T) {
	good, err := seal("preset \"safe\"", entry("x"))
	must(t, err)
	other := []byte(`{"Name":"safe"}`)
	odd := append([]byte{schema}, make([]byte, 4)...)
	sum := checksum("r", schema, other)
	odd[1], odd[2], odd[3], odd[4] = byte(sum>>24), byte(sum>>16), byte(sum>>8), byte(sum)
	newer := append([]byte{schema + 1}, odd[1:]...)
	sum = checksum("r", schema+1, other)
	newer[1], newer[2], newer[3], newer[4] = byte(sum>>24), byte(sum>>16), byte(sum>>8), byte(sum)
	cases := map[string]struct {
		name  string
		value []byte
		want  string
	}{
		"short":          {"r", []byte{schema, 0, 0}, "r: 3 bytes"},
		"other's place":  {`preset "as found"`, good, `preset "as found": checksum`},
		"unknown field":  {"r", append(odd, other...), `r: json: unknown field "Name"`},
		"newer schema":   {"r", append(newer, other...), "r: written with schema 3, this program reads 2"},
		"changed a byte": {`preset "safe"`, append(good[:len(good)-1:len(good)-1], ']'), `preset "safe": checksum`},
	}
	for name, c := range cases {
		var e Entry
		if err := unseal(c.name, c.value, &e); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q in it", name, err, c.want)
		}
	}
}

// A store is of the first processor that it is told, for good.
func TestStoreBelongsToOneProcessor(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store")
	s := open(t, path)
	for range 2 {
		must(t, s.Belong("kind at 192.0.2.1:1"))
	}
	must(t, s.Close())
	s = open(t, path)
	must(t, s.Belong("kind at 192.0.2.1:1"))
	err := s.Belong("kind at 192.0.2.2:1")
	if !errors.Is(err, ErrOtherProcessor) || !strings.Contains(err.Error(), "192.0.2.1:1") || !strings.Contains(err.Error(), path) {
		t.Errorf("another processor: %v", err)
	}
	must(t, s.Belong("kind at 192.0.2.1:1"))
}
