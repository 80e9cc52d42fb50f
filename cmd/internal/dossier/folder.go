package dossier

import (
	"bufio"
	"bytes"
	"cmp"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"hushback/engine"
)

// How many dossiers of changes that were kept, and of others, a folder holds: what
// went wrong is looked for longer.
const (
	mostKept  = 200
	mostOther = 1000
)

// A file is called by its change, whose name begins with the time it began, so that
// files sort by age. The ends tell one that is whole from one being written and one
// that was found damaged.
const (
	whole   = ".json.gz"
	begun   = ".new"
	damaged = ".damaged"
)

// What a dossier and its entry may be long, in bytes: far more than the largest rig
// makes, far less than a packed file of nothing could become.
const (
	mostBytes = 16 << 20
	mostEntry = 1 << 20
)

// ErrUnknown is that there is no dossier of a change.
var ErrUnknown = errors.New("there is no dossier of it")

// Path is where a change's dossier stands; ErrUnknown for what names no change.
func Path(folder, change string) (string, error) {
	if !regexp.MustCompile(`^[0-9A-Za-z][0-9A-Za-z.-]{0,99}$`).MatchString(change) {
		return "", fmt.Errorf("%.100q names no change: %w", change, ErrUnknown)
	}
	return filepath.Join(folder, change+whole), nil
}

// keep puts a dossier into a folder, in place of an older one of the same change.
// Whoever reads, or a crash, finds the old one or the new one, never half.
func keep(folder string, d Dossier) error {
	path, err := Path(folder, d.Change)
	if err != nil {
		return err
	}
	text, err := Marshal(d)
	if err != nil {
		return err
	}
	if err := put(folder, path, text); err != nil {
		return fmt.Errorf("dossier of change %s: %w", d.Change, err)
	}
	return nil
}

func put(folder, path string, text []byte) error {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return err
	}
	aside := path + begun
	file, err := os.OpenFile(aside, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	packed := gzip.NewWriter(file)
	_, err = packed.Write(text)
	if err := errors.Join(err, packed.Close(), file.Sync(), file.Close()); err != nil {
		return err
	}
	if err := os.Rename(aside, path); err != nil {
		return err
	}
	return syncFolder(folder)
}

func syncFolder(path string) error {
	folder, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// prune lets go of what is too old, and of what a crash left half written, and lists
// what stays. The change that runs stays, however old it seems.
func prune(folder, running string) (stay []Entry, err error) {
	halves, err := namesIn(folder, whole+begun)
	errs := []error{err}
	for _, half := range halves {
		errs = append(errs, os.Remove(filepath.Join(folder, half+whole+begun)))
	}
	entries, err := List(folder)
	errs = append(errs, err)
	stay, old := retain(entries, running)
	for _, e := range old {
		errs = append(errs, os.Remove(filepath.Join(folder, e.Change+whole)))
	}
	return stay, errors.Join(errs...)
}

// retain parts entries, newest first, into those that stay and those that are too old.
func retain(entries []Entry, running string) (stay, old []Entry) {
	var kept, other int
	for _, e := range entries {
		count, most := &other, mostOther
		if e.How == Kept {
			count, most = &kept, mostKept
		}
		if *count++; *count > most && e.Change != running {
			old = append(old, e)
		} else {
			stay = append(stay, e)
		}
	}
	return stay, old
}

// namesIn lists the changes that a folder has files of with some ending, newest first.
// A folder that is not there has none.
func namesIn(folder, ending string) ([]string, error) {
	files, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var names []string
	for _, f := range files {
		if name, is := strings.CutSuffix(f.Name(), ending); is {
			names = append(names, name)
		}
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Compare(b, a) })
	return names, err
}

// List is the changes that a folder has dossiers of, newest first. It reads no further
// than their entries. One that is damaged is set aside; the error says so, and the
// others are listed all the same.
func List(folder string) ([]Entry, error) {
	names, err := namesIn(folder, whole)
	errs := []error{err}
	var entries []Entry
	for _, name := range names {
		var e Entry
		err := within(folder, name, func(r io.Reader) (err error) {
			e, err = readEntry(r)
			return err
		})
		switch {
		case err == nil && e.Change == name:
			entries = append(entries, e)
		case err == nil:
			errs = append(errs, setAside(folder, name, fmt.Errorf("%w: it is of change %q", ErrDamaged, e.Change)))
		case !errors.Is(err, ErrUnknown): // somebody pruned meanwhile
			errs = append(errs, err)
		}
	}
	return entries, errors.Join(errs...)
}

// Names lists the changes that a folder has dossiers of, newest first, without looking
// into any.
func Names(folder string) ([]string, error) { return namesIn(folder, whole) }

// ReadFile is the dossier in a file by itself, packed as in a folder or not, as the log
// hands it out. One that is damaged stays where it is; ErrUnknown if there is no file.
func ReadFile(path string) (Dossier, error) {
	d, err := readFile(path)
	if err == nil {
		err = d.even()
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Dossier{}, fmt.Errorf("dossier %s: %w", path, ErrUnknown)
	case err != nil:
		return Dossier{}, fmt.Errorf("dossier %s: %w", path, err)
	}
	return d, nil
}

func readFile(path string) (d Dossier, err error) {
	file, err := os.Open(path)
	if err != nil {
		return d, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	from := bufio.NewReader(file)
	text := io.Reader(from)
	if start, _ := from.Peek(2); bytes.Equal(start, []byte{0x1f, 0x8b}) {
		if text, err = gzip.NewReader(from); err != nil {
			return d, fmt.Errorf("%w: %w", ErrDamaged, err)
		}
	}
	return readAll(text)
}

// even refuses curves that have not as many values as frequencies, on which whoever
// draws them relies: a file that comes from elsewhere may have been written by hand.
func (d *Dossier) even() error {
	for i, c := range d.Captures {
		f := c.Function
		if n := len(f.FreqHz); len(f.H) != n || len(f.Sigma) != n || len(f.Coherence) != n {
			return fmt.Errorf("%w: captures[%d].function: %d frequencies with %d values, %d errors and %d coherences, want as many of each", ErrDamaged, i, n, len(f.H), len(f.Sigma), len(f.Coherence))
		}
	}
	predicted := map[string]engine.Prediction{"prediction": d.Prediction}
	if d.Correction != nil {
		predicted["correction.prediction"] = d.Correction.Prediction
	}
	for where, p := range predicted {
		curves := []engine.Curve{p.Front, p.Rear}
		for _, s := range p.Solos {
			curves = append(curves, s.Front, s.Rear)
		}
		for _, c := range curves {
			if len(c.P) != len(c.FreqHz) {
				return fmt.Errorf("%w: %s: a curve of %d frequencies with %d values, want as many", ErrDamaged, where, len(c.FreqHz), len(c.P))
			}
		}
	}
	return nil
}

// readAll reads a dossier to its end, unless that is too far.
func readAll(r io.Reader) (Dossier, error) {
	text, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	if err != nil {
		return Dossier{}, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if len(text) > mostBytes {
		return Dossier{}, fmt.Errorf("%w: it is longer than %d bytes", ErrDamaged, mostBytes)
	}
	return Unmarshal(text)
}

// Read is the dossier of a change. ErrUnknown if there is none; one that is damaged is
// set aside, and the error says so.
func Read(folder, change string) (d Dossier, err error) {
	if _, err := Path(folder, change); err != nil {
		return d, err
	}
	err = within(folder, change, func(r io.Reader) error {
		if d, err = readAll(r); err == nil && d.Change != change {
			err = fmt.Errorf("%w: it is of change %q", ErrDamaged, d.Change)
		}
		return err
	})
	if err != nil {
		return Dossier{}, err
	}
	return d, nil
}

// within unpacks a dossier for somebody to read, and sets it aside if that finds
// damage.
func within(folder, change string, read func(io.Reader) error) error {
	file, err := os.Open(filepath.Join(folder, change+whole))
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("change %s: %w", change, ErrUnknown)
	}
	if err != nil {
		return fmt.Errorf("dossier of change %s: %w", change, err)
	}
	packed, err := gzip.NewReader(file)
	if err != nil {
		err = fmt.Errorf("%w: %w", ErrDamaged, err)
	} else {
		err = read(io.LimitReader(packed, mostBytes+1))
	}
	err = errors.Join(err, file.Close())
	var disk *fs.PathError // says nothing of what the file holds
	if errors.Is(err, ErrDamaged) && !errors.As(err, &disk) {
		return setAside(folder, change, err)
	} else if err != nil {
		return fmt.Errorf("dossier of change %s: %w", change, err)
	}
	return nil
}

// setAside takes a damaged dossier out of the way, and is the error that says so.
func setAside(folder, change string, why error) error {
	path := filepath.Join(folder, change+whole)
	if err := os.Rename(path, path+damaged); err != nil {
		return fmt.Errorf("the dossier of change %s cannot be read, and cannot be set aside (%w): %w", change, err, why)
	}
	return fmt.Errorf("the dossier of change %s cannot be read and was set aside as %s: %w", change, path+damaged, why)
}

// readEntry reads as far as the entry of a dossier.
func readEntry(r io.Reader) (Entry, error) {
	dec := json.NewDecoder(io.LimitReader(r, mostEntry))
	if _, err := dec.Token(); err != nil {
		return Entry{}, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	head := map[string]json.RawMessage{}
	for head["entry"] == nil && dec.More() {
		name, err := dec.Token()
		if err != nil {
			return Entry{}, fmt.Errorf("%w: %w", ErrDamaged, err)
		}
		var value json.RawMessage
		if err := dec.Decode(&value); err != nil {
			return Entry{}, fmt.Errorf("%w: %w", ErrDamaged, err)
		}
		head[fmt.Sprint(name)] = value
	}
	text, err := json.Marshal(head)
	if err != nil {
		return Entry{}, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	d, err := Unmarshal(bytes.TrimSpace(text))
	return d.Entry, err
}
