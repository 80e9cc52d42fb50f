package preset

import (
	"fmt"

	"go.etcd.io/bbolt"
)

// ownerKey is the one key of the bucket for the processor that a store is of.
const ownerKey = "processor"

// Belong ties the store to one processor, for good, the first time that it is
// called. What a store knows, above all what stood before an unfinished change,
// is true of that processor only and must never be sent to another.
// ErrOtherProcessor if the store is of another one.
func (s *Store) Belong(processor string) error {
	value, err := seal(bucketOwner, processor)
	if err != nil {
		return err
	}
	return s.update(func(tx *bbolt.Tx) error {
		owner, found, err := readOwner(tx)
		switch {
		case err != nil:
			return err
		case found && owner != processor:
			return fmt.Errorf("%s: %w: it is of %s, not of %s: give this one a state folder of its own", s.path, ErrOtherProcessor, owner, processor)
		case found:
			return nil
		}
		b := tx.Bucket([]byte(bucketOwner))
		if err := b.SetSequence(1); err != nil {
			return err
		}
		return b.Put([]byte(ownerKey), value)
	})
}

// Owner is the processor that the store is of; false where it is of none yet.
func (s *Store) Owner() (owner string, known bool, err error) {
	err = s.view(func(tx *bbolt.Tx) error {
		owner, known, err = readOwner(tx)
		return err
	})
	return owner, known, err
}

func readOwner(tx *bbolt.Tx) (owner string, found bool, err error) {
	b := tx.Bucket([]byte(bucketOwner))
	value := b.Get([]byte(ownerKey))
	if (value != nil) != (b.Sequence() == 1) {
		return "", false, fmt.Errorf("the record of the processor: %d stored, found %t", b.Sequence(), value != nil)
	}
	if value == nil {
		return "", false, nil
	}
	err = unseal(bucketOwner, value, &owner)
	return owner, err == nil, err
}
