package preset

import (
	"fmt"

	"go.etcd.io/bbolt"
)

// Put stores a preset under its name, in place of one that was there. Only the
// as-found preset is never replaced: a second one is ErrExists. A preset needs
// settings, outputs counting up.
func (s *Store) Put(p Preset) error {
	if err := p.check(); err != nil {
		return err
	}
	value, err := seal(presetName(p.Name), p)
	if err != nil {
		return err
	}
	return s.update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(bucketPresets))
		if b.Get([]byte(p.Name)) == nil {
			if _, err := b.NextSequence(); err != nil { // one record more
				return err
			}
		} else if p.Name == AsFound {
			return ErrExists
		}
		return b.Put([]byte(p.Name), value)
	})
}

// Get finds a preset by its name; the bool says whether there is one.
func (s *Store) Get(name string) (Preset, bool, error) {
	var p Preset
	found := false
	err := s.view(func(tx *bbolt.Tx) error {
		value := tx.Bucket([]byte(bucketPresets)).Get([]byte(name))
		if value == nil {
			return nil
		}
		found = true
		return unseal(presetName(name), value, &p)
	})
	if err != nil {
		return Preset{}, false, err
	}
	return p, found, nil
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

func readPresets(tx *bbolt.Tx, each func(Preset)) error {
	b := tx.Bucket([]byte(bucketPresets))
	var n uint64
	err := b.ForEach(func(key, value []byte) error {
		var p Preset
		if err := unseal(presetName(string(key)), value, &p); err != nil {
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

func presetName(name string) string { return fmt.Sprintf("preset %q", name) }
