package dossier

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"hushback/control"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/verify"
	"hushback/verify/correct"
	"hushback/verify/diagnose"
)

// told is what a keeper said, and the journal that it reads.
type told struct {
	mu       sync.Mutex
	journal  []preset.Entry
	unread   error
	listed   [][]Entry
	troubles []error
}

func keeping(t *testing.T, folder string) (*Keeper, *told) {
	t.Helper()
	said := &told{}
	k := &Keeper{
		Folder: folder,
		Journal: func() ([]preset.Entry, error) {
			said.mu.Lock()
			defer said.mu.Unlock()
			return said.journal, said.unread
		},
		Listed:  func(e []Entry) { said.mu.Lock(); defer said.mu.Unlock(); said.listed = append(said.listed, e) },
		Trouble: func(err error) { said.mu.Lock(); defer said.mu.Unlock(); said.troubles = append(said.troubles, err) },
	}
	t.Cleanup(k.Wait)
	return k, said
}

// note is the journal's next line.
func (s *told) note(change, event, detail string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	e := preset.Entry{Seq: uint64(len(s.journal) + 1), At: time.Now(), Change: change, Event: event, Detail: detail}
	s.journal = append([]preset.Entry{e}, s.journal...)
}

func (s *told) quiet(t *testing.T) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.troubles) > 0 {
		t.Errorf("trouble: %v", s.troubles)
	}
}

func mustRead(t *testing.T, folder, change string) Dossier {
	t.Helper()
	d, err := Read(folder, change)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

const c1 = "20260704-210000.000-c0ffee01"

// One change from its confirm to the correction that was worked out after its end,
// seen on disk after each step.
func TestKeeperWritesAsTheChangeGoes(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "changes")
	k, said := keeping(t, folder)
	onDisk := func() Dossier { k.Wait(); return mustRead(t, folder, c1) }
	said.note("", "pressed", "phone 9 confirmed another day") // before this change
	k.Begin(Dossier{Entry: Entry{Job: "Larkpit", What: "the sheet", Started: time.Now()}, DryRun: DryRun{Digest: "d", Datagrams: 7}})
	said.note("", "pressed", "phone 1 confirmed otter lamp sand")
	k.Wait()
	if _, err := os.Stat(folder); err == nil {
		t.Error("written before anything was sent")
	}
	said.note(c1, "sending", "goes out")
	k.Follow(control.Sending{Change: c1, Total: 3})
	if d := onDisk(); d.How != "" || d.DryRun.Datagrams != 7 || d.Who != "phone 1 confirmed otter lamp sand" || len(d.Timeline) != 2 || d.Timeline[1].Event != "sending" {
		t.Errorf("while it is sent: %+v", d)
	}
	k.Follow(control.Sending{Change: c1, Sent: 2, Total: 3})
	k.Follow(control.Measuring{Change: c1, Readings: []control.Reading{{Output: 2, Param: processor.Gain, Wanted: "-6 dB", Got: "-6 dB", Same: true}}})
	captures := drawn(2).Captures
	for len(captures) < 2 {
		captures = append(captures, verify.Capture{Microphone: "stage door"})
	}
	k.Alter(c1, func(d *Dossier) { d.Captures = captures[:1] })
	if d := onDisk(); d.Captures != nil || d.Readings != nil {
		t.Errorf("captures are written while they are taken: %+v", d)
	}
	k.Alter(c1, func(d *Dossier) {
		d.Captures, d.Verdict = captures, &verify.Verdict{Outcome: verify.Refuted, Reasons: []string{"too loud behind"}}
	})
	want := []Reading{{Output: 2, Parameter: "gain", Wanted: "-6 dB", Got: "-6 dB", Same: true}}
	if d := onDisk(); d.Outcome != verify.Refuted || len(d.Captures) != len(captures) || !reflect.DeepEqual(d.Readings, want) || d.How != "" {
		t.Errorf("judged: %+v", d)
	}
	k.Alter(c1, func(d *Dossier) { d.Diagnosis = &diagnose.Diagnosis{Healthy: 0.25} }) // before the end
	said.note(c1, "rolled back", "to what stood before")
	k.Follow(control.RolledBack{Change: c1, To: control.ToBefore, Reason: "refuted"})
	if d := onDisk(); d.How != RolledBack || d.To != control.ToBefore || d.Reason != "refuted" || d.Diagnosis == nil || d.Ended.Before(d.Started) || len(d.Timeline) != 3 {
		t.Errorf("ended: %+v", d)
	}
	k.Begin(Dossier{Entry: Entry{Started: time.Now()}}) // the next is confirmed while the last is still thought about
	k.Alter(c1, func(d *Dossier) { d.Correction = &correct.Correction{Mean: 12} })
	k.Follow(control.Sending{Change: "20260704-220000.000-c0ffee02"})
	if d := onDisk(); d.Correction == nil || d.Correction.Mean != 12 || d.How != RolledBack {
		t.Errorf("explained: %+v", d)
	}
	said.quiet(t)
	if last := said.listed[len(said.listed)-1]; len(last) != 2 || last[1].Change != c1 || last[1].Outcome != verify.Refuted {
		t.Errorf("listed %+v", last)
	}
}

func TestKeeperOfOtherEnds(t *testing.T) {
	for _, c := range []struct {
		state control.State
		want  Entry
	}{
		{control.Kept{Change: c1}, Entry{How: Kept}},
		{control.Adrift{Change: c1, Outputs: []int{3}, Reason: "silent"}, Entry{How: Adrift, InDoubt: []int{3}, Reason: "silent"}},
		{control.RolledBack{Change: c1, To: control.ToSafe}, Entry{How: RolledBack, To: control.ToSafe}},
	} {
		folder := t.TempDir()
		k, said := keeping(t, folder)
		k.Begin(Dossier{Entry: Entry{Started: time.Now()}})
		k.Follow(control.Sending{Change: c1})
		k.Follow(control.Held{Change: c1})
		k.Follow(c.state)
		k.Wait()
		got := mustRead(t, folder, c1).Entry
		if got.How != c.want.How || got.To != c.want.To || got.Reason != c.want.Reason || !reflect.DeepEqual(got.InDoubt, c.want.InDoubt) || got.Ended.IsZero() {
			t.Errorf("%T: %+v", c.state, got)
		}
		said.quiet(t)
	}
}

// A change that was cut off is ended by the next daemon; a return to the safe preset
// alone is no change that has a dossier.
func TestKeeperAfterARestart(t *testing.T) {
	folder := t.TempDir()
	first, _ := keeping(t, folder)
	first.Begin(Dossier{Entry: Entry{Job: "Larkpit", Started: time.Now()}})
	first.Follow(control.Sending{Change: c1})
	first.Wait()
	k, said := keeping(t, folder)
	k.List()
	k.Follow(control.RolledBack{Change: "20260704-230000.000-50fe50fe", To: control.ToSafe})
	k.Follow(control.Adrift{Change: c1, Outputs: []int{1}, Reason: "no answer"})
	k.Follow(control.Idle{})
	k.Follow(nil)
	k.Wait()
	if d := mustRead(t, folder, c1); d.How != Adrift || d.Job != "Larkpit" {
		t.Errorf("got %+v", d.Entry)
	}
	k.Follow(control.RolledBack{Change: c1, To: control.ToSafe, Reason: "it was called for"})
	k.Wait()
	if d := mustRead(t, folder, c1); d.How != RolledBack || d.InDoubt != nil {
		t.Errorf("got %+v", d.Entry)
	}
	said.quiet(t)
	if len(filesIn(t, folder)) != 1 || len(said.listed[0]) != 1 || said.listed[0][0].How != "" {
		t.Errorf("files %q, first listed %+v", filesIn(t, folder), said.listed[0])
	}
}

// Whatever is wrong with the disk is told, and nothing else stops.
func TestKeeperTellsOfTrouble(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "changes")
	if err := os.WriteFile(folder, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	k, said := keeping(t, folder)
	said.unread = errors.New("the journal is torn")
	k.Begin(Dossier{Entry: Entry{Started: time.Now()}})
	k.Follow(control.Sending{Change: c1})
	k.Wait()
	if len(said.troubles) != 2 || !strings.Contains(said.troubles[0].Error(), "torn") || !strings.Contains(said.troubles[1].Error(), c1) {
		t.Errorf("troubles %v", said.troubles)
	}
	if err := os.Remove(folder); err != nil { // somebody made room
		t.Fatal(err)
	}
	said.unread = nil
	k.Follow(control.Kept{Change: c1})
	k.Wait()
	if d := mustRead(t, folder, c1); d.How != Kept {
		t.Errorf("got %+v", d.Entry)
	}
	other := filepath.Join(folder, "20260101-000000.000-00000000"+whole)
	if err := os.WriteFile(other, []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	k.Alter("20260101-000000.000-00000000", func(*Dossier) { t.Error("a damaged dossier was altered") })
	k.List()
	k.Wait()
	if len(said.troubles) != 3 || !errors.Is(said.troubles[2], ErrDamaged) {
		t.Errorf("troubles %v", said.troubles)
	}
}

// Nobody who tells a keeper something waits for the disk.
func TestNobodyWaitsForTheKeeper(t *testing.T) {
	folder := t.TempDir()
	k, said := keeping(t, folder)
	stuck, heldUp := make(chan struct{}), make(chan struct{})
	k.Journal = func() ([]preset.Entry, error) { close(heldUp); <-stuck; return nil, nil }
	k.Begin(Dossier{Entry: Entry{Started: time.Now()}})
	k.Follow(control.Sending{Change: c1})
	<-heldUp
	for range 1000 {
		k.Alter(c1, func(d *Dossier) { d.InDoubt = append(d.InDoubt, len(d.InDoubt)) })
	}
	if len(filesIn(t, folder)) != 0 {
		t.Error("it did not wait for its journal")
	}
	k.do(func() { k.Journal = func() ([]preset.Entry, error) { return nil, nil } })
	k.Alter(c1, func(d *Dossier) { d.Verdict = &verify.Verdict{Outcome: verify.Proven} })
	close(stuck)
	k.Wait()
	d := mustRead(t, folder, c1)
	for i, n := range d.InDoubt {
		if i != n {
			t.Fatalf("told out of order: %v", d.InDoubt)
		}
	}
	if len(d.InDoubt) != 1000 || d.Outcome != verify.Proven {
		t.Errorf("%d of 1000, %q", len(d.InDoubt), d.Outcome)
	}
	said.quiet(t)
}
