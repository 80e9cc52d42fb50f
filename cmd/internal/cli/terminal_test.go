package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
)

// opened is a terminal and the side of it where a person would sit.
func opened(t *testing.T) (person, terminal *os.File) {
	t.Helper()
	person, terminal, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { person.Close(); terminal.Close() })
	return person, terminal
}

func TestOnlyATerminalIsOne(t *testing.T) {
	_, terminal := opened(t)
	file, err := os.Create(filepath.Join(t.TempDir(), "out"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	null, err := os.OpenFile(os.DevNull, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer null.Close()
	read, write, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer read.Close()
	defer write.Close()
	if !IsTerminal(terminal) {
		t.Error("a terminal is taken for something else")
	}
	if IsTerminal(file) || IsTerminal(null) || IsTerminal(write) || IsTerminal(new(bytes.Buffer)) {
		t.Error("a file, nothing, a pipe or a buffer is taken for a terminal")
	}
}

// Colour is for words that judge, on a terminal that shows colours, unless somebody
// asked for none; taken out again it leaves the word.
func TestPaint(t *testing.T) {
	_, terminal := opened(t)
	for _, c := range []struct {
		noColor, kind, word string
		painted             bool
	}{
		{"", "xterm", "proven", true},
		{"", "xterm", "refuted", true},
		{"", "xterm", "undecided", true},
		{"", "xterm", "drafted", false},
		{"1", "xterm", "refuted", false},
		{"", "dumb", "refuted", false},
	} {
		t.Setenv("NO_COLOR", c.noColor)
		t.Setenv("TERM", c.kind)
		got := Paint(terminal)(c.word)
		if (got != c.word) != c.painted || !strings.Contains(got, c.word) || c.painted && !strings.HasPrefix(got, "\x1b[") {
			t.Errorf("%+v: painted as %q", c, got)
		}
		if got := Paint(new(bytes.Buffer))(c.word); got != c.word {
			t.Errorf("%+v: into a buffer %q", c, got)
		}
	}
}

// A bar shows what is done and how much of it, begins anew with something else and
// with a search that begins again, and is gone before anything else is written.
func TestProgress(t *testing.T) {
	person, terminal := opened(t)
	p := NewProgress(terminal)
	p.Show("searching", 1, 8)
	p.Show("trying", 30, 4000)
	p.Show("searching", 8, 8)
	p.Clear()
	p.Clear()
	if _, err := terminal.WriteString("done\n"); err != nil {
		t.Fatal(err)
	}
	var shown strings.Builder
	for letter := make([]byte, 1); !strings.HasSuffix(shown.String(), "done"); {
		if _, err := person.Read(letter); err != nil {
			t.Fatal(err)
		}
		shown.Write(letter)
	}
	for _, want := range []string{"searching  12% [", "(1/8)", "trying   0% [", "(30/4000)"} {
		if !strings.Contains(shown.String(), want) {
			t.Errorf("does not show %q: %q", want, shown.String())
		}
	}
	if !strings.HasSuffix(shown.String(), " \rdone") {
		t.Errorf("the bar still stands: %q", shown.String())
	}
	for _, quiet := range []*Progress{NewProgress(new(bytes.Buffer)), nil} {
		quiet.Show("searching", 1, 8) // nor does it panic
		quiet.Clear()
	}
}
