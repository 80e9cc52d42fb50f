package preset

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"go.etcd.io/bbolt"

	"hushback/engine"
)

// named is what a name stands for.
type named struct {
	ID    string
	Taken time.Time
}

// Put stores settings under a name. A name is given once: for other settings it
// is ErrExists, for the same ones nothing happens. Only the safe preset moves
// on to other settings; what it was before stays in the store (see Find). The
// as-found preset is Found's. A preset needs settings, outputs counting up.
func (s *Store) Put(p Preset) error {
	if err := p.check(); err != nil {
		return err
	}
	if p.Name == AsFound {
		return fmt.Errorf("preset %q: only what is found on the processor goes there", AsFound)
	}
	return s.update(func(tx *bbolt.Tx) error {
		before, found, err := readNamed(tx, p.Name)
		switch {
		case err != nil:
			return err
		case found && p.Name != Safe && before.ID == p.ID():
			return nil
		case found && p.Name != Safe:
			return fmt.Errorf("preset %q: %w", p.Name, ErrExists)
		}
		return writePreset(tx, p)
	})
}

// Found stores what outputs held when they were first looked at, before
// anything was written to them: the as-found preset grows by the outputs that
// it does not know yet, which are returned, and keeps the others as they are.
func (s *Store) Found(settings []engine.Setting, at time.Time) (added []int, err error) {
	if err := checkSettings(settings); err != nil {
		return nil, fmt.Errorf("preset %q: %w", AsFound, err)
	}
	err = s.update(func(tx *bbolt.Tx) error {
		p, _, err := readPreset(tx, AsFound)
		if err != nil {
			return err
		}
		for _, set := range settings {
			if _, known := (engine.Sheet{Settings: p.Settings}).Setting(set.Output); !known {
				p.Settings = append(p.Settings, set)
				added = append(added, set.Output)
			}
		}
		if len(added) == 0 {
			return nil
		}
		slices.SortFunc(p.Settings, func(a, b engine.Setting) int { return a.Output - b.Output })
		p.Name, p.Taken = AsFound, at
		return writePreset(tx, p)
	})
	if err != nil {
		return nil, err
	}
	return added, nil
}

// Get finds a preset by its name; the bool says whether there is one.
func (s *Store) Get(name string) (p Preset, found bool, err error) {
	err = s.view(func(tx *bbolt.Tx) (err error) {
		p, found, err = readPreset(tx, name)
		return err
	})
	if err != nil {
		return Preset{}, false, err
	}
	return p, found, nil
}

// shortestID is how much of an ID must be given to find settings by it.
const shortestID = 6

// Find gives a preset by its name or by the beginning of its ID, six characters
// or more, also if no name stands for it any more; then its name is the ID and
// it has no time.
func (s *Store) Find(nameOrID string) (Preset, error) {
	var p Preset
	err := s.view(func(tx *bbolt.Tx) error {
		found, ok, err := readPreset(tx, nameOrID)
		if ok || err != nil {
			p = found
			return err
		}
		p, err = byID(tx, nameOrID)
		return err
	})
	if err == nil && p.Settings == nil {
		err = fmt.Errorf("there is no preset %q, and no settings whose ID begins so and with no other", nameOrID)
	}
	if err != nil {
		return Preset{}, err
	}
	return p, nil
}

// byID gives an empty preset if there is no such ID, or more than one.
func byID(tx *bbolt.Tx, start string) (Preset, error) {
	if len(start) < shortestID {
		return Preset{}, nil
	}
	c := tx.Bucket([]byte(bucketContents)).Cursor()
	key, value := c.Seek([]byte(start))
	if key == nil || !strings.HasPrefix(string(key), start) {
		return Preset{}, nil
	}
	if next, _ := c.Next(); next != nil && strings.HasPrefix(string(next), start) {
		return Preset{}, nil
	}
	settings, err := openContent(string(key), value)
	return Preset{Name: string(key), Settings: settings}, err
}

// List gives every preset, ascending by name.
func (s *Store) List() ([]Preset, error) {
	var all []Preset
	err := s.view(func(tx *bbolt.Tx) error {
		return readPresets(tx, func(p Preset) { all = append(all, p) })
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

// ErrNeeded is why a preset cannot be deleted.
var ErrNeeded = errors.New("this preset is what hushback goes back to and cannot be deleted")

// Delete takes a name away; its settings stay in the store. The safe and the
// as-found preset are ErrNeeded.
func (s *Store) Delete(name string) error {
	if name == Safe || name == AsFound {
		return fmt.Errorf("preset %q: %w", name, ErrNeeded)
	}
	return s.update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(bucketPresets))
		if b.Get([]byte(name)) == nil {
			return fmt.Errorf("there is no preset %q", name)
		}
		if err := b.SetSequence(b.Sequence() - 1); err != nil {
			return err
		}
		return b.Delete([]byte(name))
	})
}

func writePreset(tx *bbolt.Tx, p Preset) error {
	id := p.ID()
	content, err := seal(contentName(id), p.Settings)
	if err != nil {
		return err
	}
	name, err := seal(presetName(p.Name), named{id, p.Taken})
	if err != nil {
		return err
	}
	if err := putCounted(tx.Bucket([]byte(bucketContents)), id, content); err != nil {
		return err
	}
	return putCounted(tx.Bucket([]byte(bucketPresets)), p.Name, name)
}

// putCounted puts a record in place of one that may be there, and counts it if
// there was none.
func putCounted(b *bbolt.Bucket, key string, value []byte) error {
	if b.Get([]byte(key)) == nil {
		if _, err := b.NextSequence(); err != nil { // one record more
			return err
		}
	}
	return b.Put([]byte(key), value)
}

func readNamed(tx *bbolt.Tx, name string) (n named, found bool, err error) {
	value := tx.Bucket([]byte(bucketPresets)).Get([]byte(name))
	if value == nil {
		return named{}, false, nil
	}
	err = unseal(presetName(name), value, &n)
	return n, err == nil, err
}

func readPreset(tx *bbolt.Tx, name string) (Preset, bool, error) {
	n, found, err := readNamed(tx, name)
	if !found || err != nil {
		return Preset{}, false, err
	}
	settings, err := openContent(n.ID, tx.Bucket([]byte(bucketContents)).Get([]byte(n.ID)))
	if err != nil {
		return Preset{}, false, fmt.Errorf("%s: %w", presetName(name), err)
	}
	return Preset{Name: name, Taken: n.Taken, Settings: settings}, true, nil
}

// openContent unseals settings and holds them against their ID.
func openContent(id string, value []byte) ([]engine.Setting, error) {
	if value == nil {
		return nil, fmt.Errorf("%s is missing", contentName(id))
	}
	var settings []engine.Setting
	if err := unseal(contentName(id), value, &settings); err != nil {
		return nil, err
	}
	if got := (engine.Sheet{Settings: settings}).Digest(); got != id {
		return nil, fmt.Errorf("%s are other settings, %.8s", contentName(id), got)
	}
	return settings, nil
}

func readPresets(tx *bbolt.Tx, each func(Preset)) error {
	b := tx.Bucket([]byte(bucketPresets))
	var n uint64
	err := b.ForEach(func(key, _ []byte) error {
		p, _, err := readPreset(tx, string(key))
		if err != nil {
			return err
		}
		n++
		each(p)
		return nil
	})
	if err == nil && n != b.Sequence() {
		err = fmt.Errorf("%d presets are stored, only %d can be found", b.Sequence(), n)
	}
	return err
}

// readContents reads the settings that no name stands for as well.
func readContents(tx *bbolt.Tx) error {
	b := tx.Bucket([]byte(bucketContents))
	var n uint64
	err := b.ForEach(func(key, value []byte) error {
		n++
		_, err := openContent(string(key), value)
		return err
	})
	if err == nil && n != b.Sequence() {
		err = fmt.Errorf("%d sets of settings are stored, only %d can be found", b.Sequence(), n)
	}
	return err
}

func presetName(name string) string { return fmt.Sprintf("preset %q", name) }

func contentName(id string) string { return fmt.Sprintf("settings %.8s", id) }
