package dossier

import (
	"errors"
	"sync"
	"time"

	"hushback/control"
	"hushback/control/preset"
)

// Keeper writes dossiers while changes run. Nothing it is told is ever waited for: it
// writes on a goroutine of its own, in the order in which it was told, and what cannot
// be written is told as trouble.
type Keeper struct {
	Folder  string
	Journal func() ([]preset.Entry, error) // newest first
	Listed  func([]Entry)                  // all dossiers, newest first, whenever there is another
	Trouble func(error)

	mu      sync.Mutex
	waiting []func()
	busy    bool
	working sync.WaitGroup

	last Dossier // of the newest change; the goroutine alone touches it
}

// do has something done after all that was to be done before.
func (k *Keeper) do(work func()) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.waiting = append(k.waiting, work)
	if !k.busy {
		k.busy = true
		k.working.Go(k.work)
	}
}

func (k *Keeper) work() {
	for {
		k.mu.Lock()
		if len(k.waiting) == 0 {
			k.busy = false
			k.mu.Unlock()
			return
		}
		next := k.waiting[0]
		k.waiting = k.waiting[1:]
		k.mu.Unlock()
		next()
	}
}

// Wait returns when everything is written.
func (k *Keeper) Wait() { k.working.Wait() }

// List looks at what there is.
func (k *Keeper) List() {
	k.do(func() {
		entries, err := List(k.Folder)
		k.listed(entries, err)
	})
}

func (k *Keeper) listed(entries []Entry, err error) {
	if err != nil {
		k.Trouble(err)
	}
	k.Listed(entries)
}

// Begin takes the dossier of a change that is about to be sent. It has no name yet.
func (k *Keeper) Begin(d Dossier) { k.do(func() { k.last = d }) }

// Follow notes where a change has come to: that it is being sent, and how it ended.
// One that ended later than its daemon is found on disk.
func (k *Keeper) Follow(s control.State) {
	change, at := nameOf(s), time.Now()
	if change == "" {
		return
	}
	k.do(func() {
		if _, sending := s.(control.Sending); sending && k.last.Change == "" && k.last.Started != (time.Time{}) {
			k.last.end(s, at)
			k.write(k.last)
			return
		}
		k.edit(change, func(d *Dossier) bool { return d.end(s, at) })
	})
}

func nameOf(s control.State) string {
	switch s := s.(type) {
	case control.Sending:
		return s.Change
	case control.Measuring:
		return s.Change
	case control.Kept:
		return s.Change
	case control.RolledBack:
		return s.Change
	case control.Adrift:
		return s.Change
	}
	return ""
}

// Alter adds to the dossier of a change. Captures are written once they are judged, or
// the change has ended.
func (k *Keeper) Alter(change string, alter func(*Dossier)) {
	k.do(func() {
		k.edit(change, func(d *Dossier) bool {
			alter(d)
			if d.Verdict != nil {
				d.Outcome = d.Verdict.Outcome
			}
			return d.Verdict != nil || d.How != ""
		})
	})
}

// edit changes a dossier and, if that asks for it, writes it. A change without one,
// such as a return to the safe preset alone, needs none.
func (k *Keeper) edit(change string, alter func(*Dossier) bool) {
	d := k.last
	if d.Change != change {
		var err error
		if d, err = Read(k.Folder, change); errors.Is(err, ErrUnknown) {
			return
		} else if err != nil {
			k.Trouble(err)
			return
		}
	}
	write := alter(&d)
	if k.last.Change == change {
		k.last = d
	}
	if write {
		k.write(d)
	}
}

func (k *Keeper) write(d Dossier) {
	journal, err := k.Journal()
	if err != nil {
		k.Trouble(err)
	} else {
		d.remember(journal)
	}
	if err := keep(k.Folder, d); err != nil {
		k.Trouble(err)
		return
	}
	k.listed(prune(k.Folder, d.Change))
}
