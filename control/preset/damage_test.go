package preset

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"go.etcd.io/bbolt"
)

// writerEnv, when set, makes the test binary a process that writes to the
// store it names until it is killed.
const writerEnv = "HUSHTEST_WRITER"

func TestMain(m *testing.M) {
	path := os.Getenv(writerEnv)
	if path == "" {
		os.Exit(m.Run())
	}
	if err := writeUntilKilled(path); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// writeUntilKilled says on stdout what the store has acknowledged: a number
// for an entry, "open ID" and "closed ID" for changes.
func writeUntilKilled(path string) error {
	s, err := Open(path)
	if err != nil {
		return err
	}
	entries, err := s.Journal(1)
	if err != nil {
		return err
	}
	n := 0
	if len(entries) == 1 {
		n = int(entries[0].Seq)
	}
	if _, open, err := s.OpenChange(); err != nil {
		return err
	} else if open {
		if err := s.End(entry("rolled back"), settings()); err != nil {
			return err
		}
		n++
	}
	for {
		if err := s.Note(Entry{Event: "note", Detail: fmt.Sprint(n + 1)}); err != nil {
			return err
		}
		fmt.Println(n + 1)
		id := fmt.Sprint("c", n+2)
		if err := s.Begin(change(id), entry("sending")); err != nil {
			return err
		}
		fmt.Println("open", id)
		if err := s.End(entry("kept"), settings()); err != nil {
			return err
		}
		fmt.Println("closed", id)
		n += 3
	}
}

func TestKilledWriterLosesNothingAcknowledged(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store")
	const seed = 7
	rng := rand.New(rand.NewPCG(seed, 0))
	for round := range 6 {
		acks := killedWriter(t, path, 1+rng.IntN(60), round == 0)
		last, lastOpen := 0, ""
		for _, ack := range acks {
			id, opened := strings.CutPrefix(ack, "open ")
			switch {
			case opened:
				lastOpen = id
			case strings.HasPrefix(ack, "closed "):
				lastOpen = ""
			default:
				if _, err := fmt.Sscan(ack, &last); err != nil {
					t.Fatalf("ack %q: %v", ack, err)
				}
			}
		}
		s := open(t, path)
		entries, err := s.Journal(1 << 30)
		must(t, err)
		if len(entries) < last {
			t.Fatalf("seed %d round %d: %d entries, %d were acknowledged", seed, round, len(entries), last)
		}
		for _, e := range entries {
			if e.Event == "note" && e.Detail != fmt.Sprint(e.Seq) {
				t.Errorf("seed %d round %d: entry %d says %q", seed, round, e.Seq, e.Detail)
			}
		}
		// What was done after the last acknowledgement may stand or not, but
		// the open change always goes with the newest entry.
		c, isOpen, err := s.OpenChange()
		must(t, err)
		if newest := entries[0].Event; isOpen != (newest == "sending") {
			t.Errorf("seed %d round %d: open %t with newest entry %q", seed, round, isOpen, newest)
		}
		if lastOpen != "" && isOpen && c.ID != lastOpen {
			t.Errorf("seed %d round %d: change %s is open, %s was acknowledged", seed, round, c.ID, lastOpen)
		}
		must(t, s.Close())
	}
}

// killedWriter lets a process write to path, kills it once it has said so many
// lines, and returns every line that it got out. With tryOpen it sees to it that
// nobody else gets at the store meanwhile.
func killedWriter(t *testing.T, path string, lines int, tryOpen bool) []string {
	t.Helper()
	program, err := os.Executable()
	must(t, err)
	writer := exec.Command(program)
	writer.Env = append(os.Environ(), writerEnv+"="+path)
	writer.Stderr = os.Stderr
	out, err := writer.StdoutPipe()
	must(t, err)
	must(t, writer.Start())
	scanner := bufio.NewScanner(out)
	var acks []string
	for scanner.Scan() {
		acks = append(acks, scanner.Text())
		if tryOpen && len(acks) == 1 {
			if _, err := Open(path); !errors.Is(err, ErrInUse) {
				t.Errorf("opened while another process writes: %v", err)
			}
		}
		if len(acks) == lines {
			must(t, writer.Process.Kill())
		}
	}
	if err := writer.Wait(); err == nil || len(acks) < lines {
		t.Fatalf("writer ended by itself after %d lines: %v", len(acks), err)
	}
	return acks
}

// content is everything that a store says.
type content struct {
	Presets []Preset
	Journal []Entry
	Change  Change
	Open    bool
}

func read(s *Store) (c content, err error) {
	if c.Presets, err = s.List(); err != nil {
		return c, err
	}
	if c.Journal, err = s.Journal(1 << 30); err != nil {
		return c, err
	}
	c.Change, c.Open, err = s.OpenChange()
	return c, err
}

// filled writes a store with presets, an open change and enough entries for
// more than one page, and returns its bytes and what it says.
func filled(t *testing.T) ([]byte, content) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "store")
	s := open(t, path)
	_, err := s.Found(settings(), noon)
	must(t, err)
	must(t, s.Know(settings()))
	must(t, s.Put(Preset{Name: Safe, Taken: noon, Settings: settings()}))
	for range 60 {
		must(t, s.Note(entry("read back")))
	}
	must(t, s.Begin(change("a"), entry("sending")))
	want, err := read(s)
	must(t, err)
	must(t, s.Close())
	whole, err := os.ReadFile(path)
	must(t, err)
	return whole, want
}

// openOn opens a store on these bytes and says what it holds. It fails the
// test if what goes wrong is not told as damage.
func openOn(t *testing.T, file []byte) (content, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "store")
	must(t, os.WriteFile(path, file, 0o600))
	s, err := Open(path)
	if err != nil {
		if !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "move the file aside") {
			t.Errorf("not told as damage: %v", err)
		}
		return content{}, err
	}
	c, err := read(s)
	must(t, err)
	must(t, s.Close())
	return c, nil
}

// TestNoByteChangesUnnoticed changes bytes one at a time: the store must either
// say that it is damaged or say exactly what it said before.
//
// The first two pages are its heads. When the newer is torn the library goes
// back one transaction in silence, which must be noticed; what follows a head on
// its page is never read.
func TestNoByteChangesUnnoticed(t *testing.T) {
	whole, want := filled(t)
	if got, err := openOn(t, whole); err != nil || !reflect.DeepEqual(got, want) {
		t.Fatalf("untouched: %v", err)
	}
	const seed = 11
	rng := rand.New(rand.NewPCG(seed, 0))
	page := os.Getpagesize()
	noticed := 0
	for i := range 500 {
		at := 2*page + rng.IntN(len(whole)-2*page)
		if i < 100 {
			at = i%2*page + 16 + rng.IntN(64) // behind the page's own header
		}
		bit := byte(1) << rng.IntN(8)
		whole[at] ^= bit
		got, err := openOn(t, whole)
		if err != nil {
			noticed++
		} else if !reflect.DeepEqual(got, want) {
			t.Errorf("seed %d: byte %d, bit %#x: the store says something else and no error", seed, at, bit)
		}
		whole[at] ^= bit
	}
	if noticed <= 100 {
		t.Errorf("%d changes were noticed, want those of the heads and some", noticed)
	}
	t.Logf("%d of 500 changes hit a page in use, all noticed", noticed)
}

func TestOtherDamageIsNoticed(t *testing.T) {
	whole, _ := filled(t)
	page := os.Getpagesize()
	cases := map[string][]byte{
		"cut in half":        whole[:len(whole)/2],
		"only the first two": whole[:2*page],
		"cut in page three":  whole[:2*page+100],
		"one byte":           {1},
		"text":               []byte(strings.Repeat("not a store at all\n", 1000)),
		"zeros":              make([]byte, len(whole)),
	}
	for name, file := range cases {
		t.Run(name, func(t *testing.T) {
			if _, err := openOn(t, file); err == nil {
				t.Error("opened")
			}
		})
	}
	if got, err := openOn(t, nil); err != nil || !reflect.DeepEqual(got, content{}) {
		t.Errorf("an empty file is a new store: %+v, %v", got, err)
	}
}

// TestPagesThatLieAreNoticed alters what pages say of each other and leaves the
// records as they are. Trusting such a file would be fatal later: bbolt would
// write over a page that it takes for free.
func TestPagesThatLieAreNoticed(t *testing.T) {
	whole, _ := filled(t)
	path := filepath.Join(t.TempDir(), "store")
	must(t, os.WriteFile(path, whole, 0o600))
	db, err := bbolt.Open(path, 0o600, nil)
	must(t, err)
	page := map[string]int{} // the last page of each type
	must(t, db.View(func(tx *bbolt.Tx) error {
		for id := 2; ; id++ {
			info, err := tx.Page(id)
			if err != nil || info == nil {
				return err
			}
			page[info.Type] = id
		}
	}))
	must(t, db.Close())
	// A page starts with its number (8 bytes), type and count (2 bytes each)
	// and how many pages it goes on for (4 bytes), little-endian; the numbers
	// of free pages follow in the freelist.
	cases := map[string]struct {
		at   int
		byte byte
		want string
	}{
		"a page in use is listed as free": {page["freelist"]*os.Getpagesize() + 16, byte(page["leaf"]), "freed"},
		"a page goes on for ever":         {page["leaf"]*os.Getpagesize() + 15, 0x7f, "claims to reach"},
	}
	for name, c := range cases {
		bad := bytes.Clone(whole)
		bad[c.at] = c.byte
		if _, err := openOn(t, bad); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s (pages %v): %v", name, page, err)
		}
	}
}

// TestLostAndSwappedRecordsAreNoticed alters the file through bbolt itself, so
// that its pages are in order and only the records are not.
func TestLostAndSwappedRecordsAreNoticed(t *testing.T) {
	whole, _ := filled(t)
	bucket := func(tx *bbolt.Tx, name string) *bbolt.Bucket { return tx.Bucket([]byte(name)) }
	cases := map[string]struct {
		alter func(tx *bbolt.Tx) error
		want  string
	}{
		"preset lost": {func(tx *bbolt.Tx) error { return bucket(tx, bucketPresets).Delete([]byte(Safe)) },
			"2 presets are stored, only 1"},
		"open change lost": {func(tx *bbolt.Tx) error { return bucket(tx, bucketOpen).Delete([]byte(openKey)) },
			"open change: 1 stored, found false"},
		"open change come back": {func(tx *bbolt.Tx) error { return bucket(tx, bucketOpen).SetSequence(0) },
			"open change: 0 stored, found true"},
		"first entry lost": {func(tx *bbolt.Tx) error { return bucket(tx, bucketJournal).Delete([]byte{7: 1}) },
			"journal entry 1 is missing"},
		"last entry lost": {func(tx *bbolt.Tx) error { return bucket(tx, bucketJournal).Delete([]byte{7: 61}) },
			"journal entry 61 is missing"},
		"odd key": {func(tx *bbolt.Tx) error { return bucket(tx, bucketJournal).Put([]byte("x"), []byte("y")) },
			"a key of 1 bytes"},
		"bucket lost": {func(tx *bbolt.Tx) error { return tx.DeleteBucket([]byte(bucketPresets)) },
			`bucket "presets" is missing`},
		"swapped": {func(tx *bbolt.Tx) error {
			b := bucket(tx, bucketPresets)
			return b.Put([]byte(Safe), append([]byte(nil), b.Get([]byte(AsFound))...))
		}, `preset "safe": checksum`},
		"settings lost": {func(tx *bbolt.Tx) error {
			b := bucket(tx, bucketContents)
			key, _ := b.Cursor().First()
			return b.Delete(key)
		}, "1 sets of settings are stored, only 0"},
		"settings of another": {func(tx *bbolt.Tx) error {
			value, err := seal(contentName("abc"), settings())
			if err != nil {
				return err
			}
			return putCounted(bucket(tx, bucketContents), "abc", value)
		}, "are other settings"},
		"known output lost": {func(tx *bbolt.Tx) error { return bucket(tx, bucketKnown).Delete([]byte{7: 2}) },
			"2 outputs are known, only 1"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "store")
			must(t, os.WriteFile(path, whole, 0o600))
			db, err := bbolt.Open(path, 0o600, nil)
			must(t, err)
			must(t, db.Update(c.alter))
			must(t, db.Close())
			if _, err := Open(path); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v\nwant damage with %q", err, c.want)
			}
		})
	}
}

// TestAFaultWhileRunning cuts the file under an open store: pages that were
// there vanish, and touching them is a fault that would end the process.
func TestAFaultWhileRunning(t *testing.T) {
	whole, _ := filled(t)
	path := filepath.Join(t.TempDir(), "store")
	must(t, os.WriteFile(path, whole, 0o600))
	s := open(t, path)
	must(t, os.Truncate(path, 0))
	_, err := s.Journal(1)
	if !errors.Is(err, ErrDamaged) {
		t.Fatalf("Journal: %v", err)
	}
	if again := s.Note(entry("more")); !errors.Is(again, ErrDamaged) {
		t.Errorf("after a fault everything must be refused, Note gave %v", again)
	}
	must(t, s.Close())
	must(t, os.Remove(path))
	open(t, path) // nothing holds on to the name
}
