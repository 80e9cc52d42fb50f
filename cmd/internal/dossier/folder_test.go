package dossier

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// write keeps a dossier as a Keeper does, and lets go of the oldest.
func write(folder string, d Dossier) error {
	if err := keep(folder, d); err != nil {
		return err
	}
	_, err := prune(folder, d.Change)
	return err
}

// writesInto is set for the process that writes until it is killed.
const writesInto = "HUSHTEST_WRITES_INTO"

func TestMain(m *testing.M) {
	if folder := os.Getenv(writesInto); folder != "" {
		fmt.Fprintln(os.Stderr, writeUntilKilled(folder))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// writeUntilKilled writes one dossier over and over, each time told apart by its
// reason, and says on stdout which one is written for certain.
func writeUntilKilled(folder string) error {
	d := drawn(5)
	for n := 0; ; n++ {
		d.Reason = fmt.Sprint(n)
		if err := write(folder, d); err != nil {
			return err
		}
		if _, err := fmt.Println(n); err != nil {
			return err
		}
	}
}

// The real process is killed anywhere: what it said was written is there, or what came
// after it, and nothing is half.
func TestKilledWriterLeavesOldOrNew(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 11))
	folder := t.TempDir()
	for kill := range 10 {
		writer := exec.Command(os.Args[0], "-test.run=^$")
		writer.Env = append(os.Environ(), writesInto+"="+folder)
		said, err := writer.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := writer.Start(); err != nil {
			t.Fatal(err)
		}
		var last int
		for lines := bufio.NewScanner(said); lines.Scan(); {
			if fmt.Sscan(lines.Text(), &last); last == 0 { // from now on it is always writing
				time.AfterFunc(time.Duration(r.IntN(40_000))*time.Microsecond, func() { writer.Process.Kill() })
			}
		}
		if err := writer.Wait(); err == nil || writer.ProcessState.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
			t.Fatalf("the writer ended by itself: %v", err)
		}
		d, err := Read(folder, drawn(5).Change)
		if err != nil {
			t.Fatalf("kill %d: %v", kill, err)
		}
		if got := d.Reason; got != fmt.Sprint(last) && got != fmt.Sprint(last+1) {
			t.Errorf("kill %d: found %s, want %d or the one after it", kill, got, last)
		}
		d.Reason = drawn(5).Reason
		mustBeSame(t, fmt.Sprintf("kill %d", kill), d, drawn(5))
	}
	if err := write(folder, drawn(6)); err != nil {
		t.Fatal(err)
	}
	if got := filesIn(t, folder); len(got) != 2 {
		t.Errorf("after the next write: %q, want two dossiers and nothing half", got)
	}
}

func filesIn(t *testing.T, folder string) []string {
	t.Helper()
	files, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range files {
		names = append(names, f.Name())
	}
	return names
}

// Each folder is as a crash leaves it after one step of a write.
func TestCrashBetweenSteps(t *testing.T) {
	before, after := drawn(9), drawn(9)
	before.Reason, after.Reason = "before", "after"
	written := func(d Dossier) []byte {
		folder := t.TempDir()
		if err := write(folder, d); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join(folder, d.Change+whole))
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	old, next := written(before), written(after)
	for step, left := range map[string]struct {
		beside []byte
		want   string
	}{
		"made the new file":     {[]byte{}, "before"},
		"wrote a part of it":    {next[:len(next)/3], "before"},
		"wrote all but the end": {next[:len(next)-1], "before"},
		"wrote and synced it":   {next, "before"},
	} {
		folder := t.TempDir()
		for name, text := range map[string][]byte{before.Change + whole: old, before.Change + whole + begun: left.beside} {
			if err := os.WriteFile(filepath.Join(folder, name), text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if d, err := Read(folder, before.Change); err != nil || d.Reason != left.want {
			t.Errorf("%s: %q, %v", step, d.Reason, err)
		}
		if entries, err := List(folder); err != nil || len(entries) != 1 || entries[0].Reason != left.want {
			t.Errorf("%s: listed %v, %v", step, entries, err)
		}
		if err := write(folder, after); err != nil {
			t.Errorf("%s: the next write: %v", step, err)
		}
		if d, err := Read(folder, after.Change); err != nil || d.Reason != "after" || len(filesIn(t, folder)) != 1 {
			t.Errorf("%s: afterwards %q, %v, %q", step, d.Reason, err, filesIn(t, folder))
		}
	}
}

func TestDamagedFilesAreSetAside(t *testing.T) {
	good := drawn(3)
	pack := func(text []byte) []byte {
		var b bytes.Buffer
		w := gzip.NewWriter(&b)
		w.Write(text)
		w.Close()
		return b.Bytes()
	}
	text := marshal(t, good)
	file := pack(text)
	flipped := slices.Clone(file)
	flipped[len(flipped)/2] ^= 0x10
	other := good
	other.Change = "another"
	cases := map[string]struct {
		file   []byte
		listed bool // damage behind the entry is not seen by looking at entries
	}{
		"empty": {nil, false}, "no gzip": {[]byte("hello"), false}, "cut off": {file[:20], false}, "cut off late": {file[:len(file)-9], true},
		"a bit flipped": {flipped, true}, "no JSON": {pack([]byte("{{")), false}, "no entry": {pack([]byte(`{"format":"hushback.dossier.v1"}`)), false},
		"of another change": {pack(marshal(t, other)), false}, "half of the text": {pack(text[:len(text)-9]), true},
		"without end": {bytes.Repeat(pack(bytes.Repeat([]byte(" "), mostEntry)), mostBytes/mostEntry+1), false},
	}
	for what, c := range cases {
		for _, listing := range []bool{false, true} {
			folder := t.TempDir()
			if err := write(folder, drawn(4)); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(folder, good.Change+whole)
			if err := os.WriteFile(path, c.file, 0o600); err != nil {
				t.Fatal(err)
			}
			var err error
			if listing {
				var entries []Entry
				entries, err = List(folder)
				if c.listed && err == nil {
					continue
				}
				if len(entries) != 1 || entries[0].Change != drawn(4).Change {
					t.Errorf("%s: the good one is not listed: %v", what, entries)
				}
			} else {
				_, err = Read(folder, good.Change)
			}
			if !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), good.Change) || !strings.Contains(err.Error(), "set aside as "+path+damaged) {
				t.Errorf("%s, listing %v: %v", what, listing, err)
			}
			if aside, err := os.ReadFile(path + damaged); err != nil || !bytes.Equal(aside, c.file) {
				t.Errorf("%s: what was set aside is not what was there: %v", what, err)
			}
			if entries, err := List(folder); err != nil || len(entries) != 1 {
				t.Errorf("%s: afterwards %d listed, %v", what, len(entries), err)
			}
		}
	}
}

// A folder that another version wrote into loses nothing.
func TestAnotherFormatStaysWhereItIs(t *testing.T) {
	folder := t.TempDir()
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	w.Write([]byte(`{"format":"hushback.dossier.v9","entry":[]}`))
	w.Close()
	path := filepath.Join(folder, "c1"+whole)
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Read(folder, "c1")
	_, listed := List(folder)
	for _, err := range []error{err, listed} {
		if err == nil || errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "c1") || !strings.Contains(err.Error(), "another version") {
			t.Errorf("got %v", err)
		}
	}
	if _, err := os.Stat(path); err != nil {
		t.Error(err)
	}
}

func TestUnknownChanges(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "changes")
	if entries, err := List(folder); entries != nil || err != nil {
		t.Errorf("no folder yet: %v, %v", entries, err)
	}
	for _, change := range []string{"c1", "", "../c1", "a/b", ".hidden", strings.Repeat("x", 200), "c 1", "ü"} {
		if _, err := Read(folder, change); !errors.Is(err, ErrUnknown) {
			t.Errorf("%q: %v", change, err)
		}
		if d := (Dossier{Entry: Entry{Change: change}}); change != "c1" && write(folder, d) == nil {
			t.Errorf("%q was written", change)
		}
	}
	if _, err := os.Stat(folder); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("asking made the folder: %v", err)
	}
	blocked := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(blocked, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := write(blocked, drawn(1)); err == nil || !strings.Contains(err.Error(), drawn(1).Change) {
		t.Errorf("a folder that is a file: %v", err)
	}
}

func TestOwnersEyesOnly(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "changes")
	if err := write(folder, drawn(1)); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]os.FileMode{folder: 0o700, filepath.Join(folder, drawn(1).Change+whole): 0o600} {
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != want {
			t.Errorf("%s: %v, %v", path, info.Mode(), err)
		}
	}
}

// small is a dossier of the nth change.
func small(n int, how string) Dossier {
	return Dossier{Entry: Entry{Change: fmt.Sprintf("20260704-%06d.000-c0ffee00", n), How: how}}
}

// Of each kind the newest stay, counted by themselves, and the one being written.
func TestRetention(t *testing.T) {
	var entries []Entry
	wantKept, wantOther := 0, 0
	hows := []string{Kept, RolledBack, RolledBack, Adrift, "", RolledBack} // every sixth was kept
	want := map[string]bool{}
	for n := 2400; n >= 0; n-- {
		e := small(n, hows[n%6]).Entry
		entries = append(entries, e)
		if n%6 == 0 {
			if wantKept++; wantKept <= 200 {
				want[e.Change] = true
			}
		} else if wantOther++; wantOther <= 1000 {
			want[e.Change] = true
		}
	}
	running := small(1, "").Change // older than all the others by a clock that was set back
	want[running] = true
	stay, old := retain(entries, running)
	if len(stay) != len(want) || len(stay) != 1201 || len(stay)+len(old) != len(entries) {
		t.Errorf("%d stay and %d go of %d, want %d to stay", len(stay), len(old), len(entries), len(want))
	}
	for i, e := range stay {
		if !want[e.Change] {
			t.Errorf("%s, %s, stays", e.Change, e.How)
		}
		if i > 0 && stay[i-1].Change <= e.Change {
			t.Errorf("%s stands above %s", stay[i-1].Change, e.Change)
		}
	}
	if stay, old := retain(entries[:200], ""); len(stay) != 200 || old != nil {
		t.Errorf("of 200, %d stay and %d go", len(stay), len(old))
	}
}

// The rule as a folder meets it.
func TestEachWriteLetsGoOfTheOldest(t *testing.T) {
	folder := t.TempDir()
	for n := range mostKept + 2 {
		if err := keep(folder, small(n, Kept)); err != nil {
			t.Fatal(err)
		}
	}
	if err := keep(folder, small(3000, RolledBack)); err != nil {
		t.Fatal(err)
	}
	if err := write(folder, small(4000, Kept)); err != nil {
		t.Fatal(err)
	}
	entries, err := List(folder)
	if err != nil || len(entries) != mostKept+1 {
		t.Fatalf("%d stay, %v", len(entries), err)
	}
	told, err := prune(folder, "")
	if err != nil || !slices.EqualFunc(told, entries, func(a, b Entry) bool { return a.Change == b.Change }) {
		t.Errorf("told of %d, %v", len(told), err)
	}
	if first, last := entries[0].Change, entries[mostKept].Change; first != small(4000, "").Change || last != small(3, "").Change {
		t.Errorf("from %s to %s", first, last)
	}
}

func BenchmarkList(b *testing.B) {
	folder := b.TempDir()
	d := drawn(1)
	for n := range mostOther + mostKept - 1 {
		d.Change, d.How = small(n, "").Change, RolledBack
		if n%6 == 0 {
			d.How = Kept
		}
		path, _ := Path(folder, d.Change)
		text, err := Marshal(d)
		if err != nil {
			b.Fatal(err)
		}
		if err := put(folder, path, text); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		if _, err := List(folder); err != nil {
			b.Fatal(err)
		}
	}
}
