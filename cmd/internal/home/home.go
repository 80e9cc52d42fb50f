// Package home is where a daemon keeps what must outlive it, and how a command on the
// same machine finds a daemon that runs.
package home

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Folder is the folder in which a daemon keeps what must outlive it. It holds
// the store, and while a daemon runs the note by which commands on the same
// machine find it.
type Folder struct{ Dir string }

// Default is the path of the folder unless something else is asked for, by the XDG
// base directory specification.
func Default() string {
	if dir := os.Getenv("XDG_STATE_HOME"); dir != "" {
		return filepath.Join(dir, "hushback")
	}
	own, err := os.UserHomeDir()
	if err != nil {
		return "hushback-state"
	}
	return filepath.Join(own, ".local", "state", "hushback")
}

// Note is how a command on the same machine reaches a running daemon.
type Note struct {
	URL   string `json:"url"`
	Token string `json:"token"`
}

// Store is the path of the durable store.
func (h Folder) Store() string { return filepath.Join(h.Dir, "hushback.db") }

// Changes is the path of the folder with the dossiers of changes.
func (h Folder) Changes() string { return filepath.Join(h.Dir, "changes") }

func (h Folder) note() string { return filepath.Join(h.Dir, "daemon.json") }

// Prepare makes the folder, for its owner's eyes only.
func (h Folder) Prepare() error {
	if err := os.MkdirAll(h.Dir, 0o700); err != nil {
		return fmt.Errorf("state folder: %w", err)
	}
	return nil
}

// Leave writes the note; a reader sees the old one or the new one, never half.
func (h Folder) Leave(n Note) error {
	text, err := json.Marshal(n)
	if err != nil {
		return err
	}
	if err := replace(h.note(), text); err != nil {
		return fmt.Errorf("note for commands on this machine: %w", err)
	}
	return nil
}

// replace writes a file that a reader sees whole, as it was or as it is.
func replace(path string, text []byte) error {
	aside := path + ".new"
	if err := os.WriteFile(aside, text, 0o600); err != nil {
		return err
	}
	return os.Rename(aside, path)
}

// Find reads the note of a running daemon; false when none was left.
func (h Folder) Find() (Note, bool, error) {
	text, err := os.ReadFile(h.note())
	if errors.Is(err, fs.ErrNotExist) {
		return Note{}, false, nil
	}
	var n Note
	if err == nil {
		err = json.Unmarshal(text, &n)
	}
	if err != nil {
		return Note{}, false, fmt.Errorf("note of the running daemon in %s: %w", h.Dir, err)
	}
	return n, true, nil
}

// Clear takes the note away.
func (h Folder) Clear() error {
	if err := os.Remove(h.note()); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("note for commands on this machine: %w", err)
	}
	return nil
}
