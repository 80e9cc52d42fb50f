package report

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"hushback/cmd/internal/report/folio"
)

// As spells a document as the ending of a file's name says: .html or .pdf.
func As(name string, d folio.Document, on folio.Paper) ([]byte, error) {
	if err := Writable(name, on); err != nil {
		return nil, err
	}
	if strings.EqualFold(filepath.Ext(name), ".pdf") {
		return folio.PDF(d, on)
	}
	return folio.HTML(d)
}

// Writable refuses a name or a paper that no report can be written for, before
// anything is worked out.
func Writable(name string, on folio.Paper) error {
	if on != folio.A4 && on != folio.Letter {
		return fmt.Errorf("--paper: got %q, want %s or %s", on, folio.A4, folio.Letter)
	}
	if ending := strings.ToLower(filepath.Ext(name)); ending != ".html" && ending != ".pdf" {
		return fmt.Errorf("--out: got %q, want a file that ends in .html or .pdf", name)
	}
	return nil
}

// Write puts a file in its place, whole or not at all; one that was there goes.
func Write(name string, text []byte) error {
	aside, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*")
	if err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	_, err = aside.Write(text)
	err = errors.Join(err, aside.Chmod(0o644), aside.Sync(), aside.Close())
	if err == nil {
		err = os.Rename(aside.Name(), name)
	}
	if err != nil {
		return fmt.Errorf("writing %s: %w", name, errors.Join(err, os.Remove(aside.Name())))
	}
	return nil
}
