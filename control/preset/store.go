package preset

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"
)

// What Open and the methods of a Store can refuse, to be told apart with errors.Is.
var (
	ErrInUse      = errors.New("the store is in use by another process")
	ErrDamaged    = errors.New("the store is damaged")
	ErrExists     = errors.New("a preset of that name is stored already and is never replaced")
	ErrChangeOpen = errors.New("a change is already open")
	ErrNoChange   = errors.New("no change is open")

	ErrOtherProcessor = errors.New("the store belongs to another processor")
)

// The buckets of the file. Each bucket's sequence number is the number of
// records it must hold: a record that vanished is noticed like one that changed.
const (
	bucketContents = "contents" // settings of presets, by their digest
	bucketPresets  = "presets"  // which settings a name stands for, by name
	bucketKnown    = "known"    // what each output is known to hold, by its number
	bucketJournal  = "journal"  // by sequence number, 1 to n without a gap
	bucketOpen     = "open"     // the open change, if there is one
	bucketOwner    = "owner"    // the processor that all of it is true of
)

// Store is the durable store, one file. What a method acknowledges with a nil
// error is on the disk. It is safe for concurrent use; one process at a time
// can hold it open.
type Store struct {
	path string

	mu     sync.Mutex
	file   *os.File // bbolt's own, kept so that it can be let go after a fault
	db     *bbolt.DB
	broken error // set by the first fault; everything after it is refused
}

// Open opens the store at path, making it if it is not there, and reads every
// record once, so that damage is known before anything relies on them. The
// folder must exist.
//
// Errors: ErrInUse when another process holds it, ErrDamaged when the file
// cannot be trusted, else what the file system said.
func Open(path string) (*Store, error) {
	s := &Store{path: path}
	if err := s.guarded(s.open); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func (s *Store) open() error {
	if err := create(s.path); err != nil {
		return err
	}
	db, err := bbolt.Open(s.path, 0o600, &bbolt.Options{
		Timeout: time.Second,
		OpenFile: func(name string, flag int, mode os.FileMode) (*os.File, error) {
			f, err := os.OpenFile(name, flag, mode)
			s.file = f
			return f, err
		},
	})
	var atPath *fs.PathError
	switch {
	case errors.Is(err, bolterrors.ErrTimeout):
		s.file = nil // closed by bbolt
		return fmt.Errorf("%s: %w: stop the other hushback, or give this one a state folder of its own with --state", s.path, ErrInUse)
	case errors.As(err, &atPath):
		s.file = nil
		return fmt.Errorf("store: %w", err)
	case err != nil:
		s.file = nil
		return s.damaged(err)
	}
	s.db = db
	if err := checkHeads(s.path); err != nil {
		return s.damaged(err)
	}
	// Nothing is written to a file with a past before it is known to be whole.
	if err := db.View(readAll); err != nil {
		return s.damaged(err)
	}
	return syncFolder(filepath.Dir(s.path))
}

var buckets = [...]string{bucketContents, bucketPresets, bucketKnown, bucketJournal, bucketOpen, bucketOwner}

// readAll holds every record against its checksum, then lets bbolt check how
// its pages hang together. The order matters: bbolt's check runs on a goroutine
// of its own, where a fault would end the process, and it believes what a page
// says of its length, so both are seen to here first.
func readAll(tx *bbolt.Tx) error {
	for _, name := range buckets {
		if tx.Bucket([]byte(name)) == nil {
			return fmt.Errorf("bucket %q is missing", name)
		}
	}
	if err := readContents(tx); err != nil {
		return err
	}
	if err := readPresets(tx, func(Preset) {}); err != nil {
		return err
	}
	if _, err := readKnown(tx); err != nil {
		return err
	}
	if err := readJournal(tx); err != nil {
		return err
	}
	if _, _, err := readOpen(tx); err != nil {
		return err
	}
	if _, _, err := readOwner(tx); err != nil {
		return err
	}
	if err := checkLengths(tx); err != nil {
		return err
	}
	var all error
	for err := range tx.Check() {
		all = errors.Join(all, err)
	}
	return all
}

// checkLengths refuses a page that claims to go on past the end of the file.
func checkLengths(tx *bbolt.Tx) error {
	pages := int(tx.Size()) / tx.DB().Info().PageSize
	for id := 0; ; {
		page, err := tx.Page(id)
		if err != nil || page == nil {
			return err
		}
		id++
		if page.Type != "free" {
			id += page.OverflowCount
		}
		if id > pages {
			return fmt.Errorf("page %d claims to reach to page %d of %d", page.ID, id, pages)
		}
	}
}

// syncFolder makes the file's name as durable as its content; bbolt syncs the
// content only.
func syncFolder(path string) error {
	folder, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("store: %w", err)
	}
	defer folder.Close()
	if err := folder.Sync(); err != nil {
		return fmt.Errorf("store: sync folder %s: %w", path, err)
	}
	return nil
}

// Close lets the file go. Closing twice is harmless.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	db, file := s.db, s.file
	s.db, s.file = nil, nil
	switch {
	case s.broken != nil && file != nil:
		// After a fault bbolt's locks may still be held, so its Close could
		// wait for ever. Closing the file frees the lock other processes see.
		return file.Close()
	case db != nil:
		return db.Close()
	}
	return nil
}

// view runs f, which only reads: all that can go wrong there is damage.
func (s *Store) view(f func(*bbolt.Tx) error) error {
	return s.guarded(func() error {
		if s.db == nil {
			return fmt.Errorf("store %s is closed", s.path)
		}
		if err := s.db.View(f); err != nil {
			return s.damaged(err)
		}
		return nil
	})
}

// update runs f in one transaction, which is on the disk when it returns nil.
func (s *Store) update(f func(*bbolt.Tx) error) error {
	return s.guarded(func() error {
		if s.db == nil {
			return fmt.Errorf("store %s is closed", s.path)
		}
		return s.db.Update(f)
	})
}

// guarded runs f, which touches the memory-mapped file, and turns what a
// damaged file does to bbolt (a fault on a page that is not there, a failed
// assertion) into ErrDamaged. Locks that bbolt held at that moment stay held,
// so the store refuses everything from then on.
func (s *Store) guarded(f func() error) (err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken != nil {
		return s.broken
	}
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			s.broken = s.damaged(fmt.Errorf("%v", p))
			err = s.broken
		}
	}()
	return f()
}

func (s *Store) damaged(cause error) error {
	return fmt.Errorf("%s: %w (%w): it holds the presets and the journal; move the file aside, "+
		"start again, look at what the processor holds and store a new safe preset from it",
		s.path, ErrDamaged, cause)
}
