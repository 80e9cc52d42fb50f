package preset

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"
)

// create makes a new store in a folder of its own and puts it into place once
// it is whole, so that power lost on the way leaves either none or a good one.
func create(path string) error {
	switch info, err := os.Stat(path); {
	case err == nil && info.Size() > 0:
		return nil
	case err == nil: // power was lost before anything was written to it
		if err := os.Remove(path); err != nil {
			return fmt.Errorf("store: %w", err)
		}
	case !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("store: %w", err)
	}
	folder, err := os.MkdirTemp(filepath.Dir(path), filepath.Base(path)+".new-")
	if err != nil {
		return fmt.Errorf("store: %w", err)
	}
	err = createIn(folder, path)
	if gone := os.RemoveAll(folder); err == nil && gone != nil {
		err = fmt.Errorf("store: %w", gone)
	}
	return err
}

func createIn(folder, path string) error {
	draft := filepath.Join(folder, filepath.Base(path))
	db, err := bbolt.Open(draft, 0o600, &bbolt.Options{Timeout: time.Second})
	if err != nil {
		return fmt.Errorf("store: %w", err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		for _, name := range buckets {
			if _, err := tx.CreateBucket([]byte(name)); err != nil {
				return err
			}
		}
		return nil
	})
	if err = errors.Join(err, db.Close()); err != nil {
		return fmt.Errorf("store %s: %w", draft, err)
	}
	// Link, not rename: a store that somebody else made meanwhile stays.
	if err := os.Link(draft, path); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("store: %w", err)
	}
	return syncFolder(filepath.Dir(path))
}

// checkHeads holds both head pages of the file against their checksums. The
// library falls back on the older of the two in silence when the newer cannot
// be read, and with it on a state in which the last thing that was acknowledged
// never happened.
func checkHeads(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("store: %w", err)
	}
	defer f.Close()
	// A head is a page header of 16 bytes and 64 more, the last 8 of which are
	// the FNV-1a sum of the 56 before them; the page size stands at byte 8.
	const header, body = 16, 56
	pageSize := int64(0)
	for page := range int64(2) {
		var head [header + body + 8]byte
		if _, err := f.ReadAt(head[:], page*pageSize); err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("store: %w", err)
		}
		sum := fnv.New64a()
		sum.Write(head[header : header+body])
		if sum.Sum64() != binary.NativeEndian.Uint64(head[header+body:]) {
			return fmt.Errorf("%s: head %d of 2 does not match its checksum", path, page+1)
		}
		pageSize = int64(binary.NativeEndian.Uint32(head[header+8:]))
	}
	return nil
}

// SetAside moves a damaged store out of the way, keeping it under a name that
// says when, and returns that name. The next Open makes a new store, which
// knows nothing: what the processor holds must be looked at first.
func SetAside(path string, now time.Time) (string, error) {
	aside := fmt.Sprintf("%s.damaged-%s", path, now.UTC().Format("20060102-150405"))
	if _, err := os.Lstat(aside); err == nil {
		return "", fmt.Errorf("store: %s is there already", aside)
	}
	if err := os.Rename(path, aside); err != nil {
		return "", fmt.Errorf("store: %w", err)
	}
	return aside, syncFolder(filepath.Dir(path))
}
