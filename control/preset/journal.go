package preset

import (
	"encoding/binary"
	"fmt"

	"go.etcd.io/bbolt"

	"hushback/engine"
)

// openKey is the one key of the bucket for the open change.
const openKey = "change"

// Begin opens a change: it writes the entry and the record that lets a restart
// go back to c.Before, both or neither. ErrChangeOpen if one is open already.
func (s *Store) Begin(c Change, e Entry) error { return s.record(c, e, 0) }

// Redirect replaces the open change, for when the way back leads somewhere
// else than it did at first: c.Before says where a restart goes from now on.
// ErrNoChange if none is open.
func (s *Store) Redirect(c Change, e Entry) error { return s.record(c, e, 1) }

// record writes the entry and the open change if as many changes are open as
// it wants, none or one.
func (s *Store) record(c Change, e Entry, wantOpen uint64) error {
	if err := c.check(); err != nil {
		return err
	}
	value, err := seal(bucketOpen, c)
	if err != nil {
		return err
	}
	return s.update(func(tx *bbolt.Tx) error {
		if err := wantOpenChanges(tx, wantOpen); err != nil {
			return err
		}
		if err := writeEntry(tx, e); err != nil {
			return err
		}
		return setOpen(tx, 1, value)
	})
}

// Note writes an entry and nothing else.
func (s *Store) Note(e Entry) error {
	return s.update(func(tx *bbolt.Tx) error { return writeEntry(tx, e) })
}

// End writes the entry that closes the open change and what the outputs are
// known to hold now, and closes it, all or nothing. ErrNoChange if none is
// open.
func (s *Store) End(e Entry, known []engine.Setting) error {
	if err := checkSettings(known); err != nil {
		return fmt.Errorf("what is known: %w", err)
	}
	return s.update(func(tx *bbolt.Tx) error {
		if err := wantOpenChanges(tx, 1); err != nil {
			return err
		}
		if err := writeKnown(tx, known); err != nil {
			return err
		}
		if err := writeEntry(tx, e); err != nil {
			return err
		}
		return setOpen(tx, 0, nil)
	})
}

// OpenChange gives the change that was begun and not ended; the bool says
// whether there is one.
func (s *Store) OpenChange() (Change, bool, error) {
	var c Change
	open := false
	err := s.view(func(tx *bbolt.Tx) (err error) {
		c, open, err = readOpen(tx)
		return err
	})
	if err != nil {
		return Change{}, false, err
	}
	return c, open, nil
}

// Journal gives at most the last entries, the newest first.
func (s *Store) Journal(last int) ([]Entry, error) {
	var entries []Entry
	err := s.view(func(tx *bbolt.Tx) error {
		c := tx.Bucket([]byte(bucketJournal)).Cursor()
		for k, v := c.Last(); k != nil && len(entries) < last; k, v = c.Prev() {
			e, err := entryAt(k, v)
			if err != nil {
				return err
			}
			entries = append(entries, e)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return entries, nil
}

func writeEntry(tx *bbolt.Tx, e Entry) error {
	b := tx.Bucket([]byte(bucketJournal))
	seq, err := b.NextSequence()
	if err != nil {
		return err
	}
	e.Seq = seq
	value, err := seal(entryName(seq), e)
	if err != nil {
		return err
	}
	return b.Put(binary.BigEndian.AppendUint64(nil, seq), value)
}

func readJournal(tx *bbolt.Tx) error {
	b := tx.Bucket([]byte(bucketJournal))
	var n uint64
	err := b.ForEach(func(key, value []byte) error {
		e, err := entryAt(key, value)
		if err != nil {
			return err
		}
		if n++; e.Seq != n {
			return fmt.Errorf("%s is missing", entryName(n))
		}
		return nil
	})
	if err == nil && n != b.Sequence() {
		err = fmt.Errorf("%s is missing", entryName(n+1))
	}
	return err
}

func entryAt(key, value []byte) (Entry, error) {
	if len(key) != 8 {
		return Entry{}, fmt.Errorf("journal: a key of %d bytes", len(key))
	}
	var e Entry
	err := unseal(entryName(binary.BigEndian.Uint64(key)), value, &e)
	return e, err
}

func entryName(seq uint64) string { return fmt.Sprintf("journal entry %d", seq) }

func readOpen(tx *bbolt.Tx) (Change, bool, error) {
	b := tx.Bucket([]byte(bucketOpen))
	value := b.Get([]byte(openKey))
	if (value != nil) != (b.Sequence() == 1) {
		return Change{}, false, fmt.Errorf("the record of the open change: %d stored, found %t", b.Sequence(), value != nil)
	}
	if value == nil {
		return Change{}, false, nil
	}
	var c Change
	err := unseal(bucketOpen, value, &c)
	return c, err == nil, err
}

func wantOpenChanges(tx *bbolt.Tx, want uint64) error {
	open := tx.Bucket([]byte(bucketOpen)).Sequence()
	switch {
	case open == want:
		return nil
	case want == 0:
		return ErrChangeOpen
	default:
		return ErrNoChange
	}
}

// setOpen writes or removes the open change along with how many there are.
func setOpen(tx *bbolt.Tx, n uint64, value []byte) error {
	b := tx.Bucket([]byte(bucketOpen))
	if err := b.SetSequence(n); err != nil {
		return err
	}
	if n == 0 {
		return b.Delete([]byte(openKey))
	}
	return b.Put([]byte(openKey), value)
}
