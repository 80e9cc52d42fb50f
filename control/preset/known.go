package preset

import (
	"encoding/binary"
	"fmt"

	"go.etcd.io/bbolt"

	"hushback/engine"
)

// Know stores what outputs are known to hold, read back or accepted by a
// person. Outputs that are not among them stay as they were known.
func (s *Store) Know(settings []engine.Setting) error {
	if err := checkSettings(settings); err != nil {
		return fmt.Errorf("what is known: %w", err)
	}
	return s.update(func(tx *bbolt.Tx) error { return writeKnown(tx, settings) })
}

// Known gives what outputs are known to hold, ascending; outputs of which
// nothing is known are not among them.
func (s *Store) Known() ([]engine.Setting, error) {
	var known []engine.Setting
	err := s.view(func(tx *bbolt.Tx) (err error) {
		known, err = readKnown(tx)
		return err
	})
	if err != nil {
		return nil, err
	}
	return known, nil
}

func writeKnown(tx *bbolt.Tx, settings []engine.Setting) error {
	b := tx.Bucket([]byte(bucketKnown))
	for _, set := range settings {
		value, err := seal(knownName(set.Output), set)
		if err != nil {
			return err
		}
		if err := putCounted(b, string(binary.BigEndian.AppendUint64(nil, uint64(set.Output))), value); err != nil {
			return err
		}
	}
	return nil
}

func readKnown(tx *bbolt.Tx) ([]engine.Setting, error) {
	b := tx.Bucket([]byte(bucketKnown))
	var known []engine.Setting
	err := b.ForEach(func(key, value []byte) error {
		if len(key) != 8 {
			return fmt.Errorf("what is known: a key of %d bytes", len(key))
		}
		var set engine.Setting
		output := int(binary.BigEndian.Uint64(key))
		if err := unseal(knownName(output), value, &set); err != nil {
			return err
		}
		known = append(known, set)
		return nil
	})
	if err == nil && uint64(len(known)) != b.Sequence() {
		err = fmt.Errorf("%d outputs are known, only %d can be found", b.Sequence(), len(known))
	}
	return known, err
}

func knownName(output int) string { return fmt.Sprintf("what is known of output %d", output) }
