package doors

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

// readCode reads a code by another implementation, the npm package jsqr, off what
// a terminal would show.
func readCode(t *testing.T, shown string) string {
	t.Helper()
	modules, err := filepath.Abs("../../../.ci/node_modules")
	if err != nil {
		t.Fatal(err)
	}
	node := exec.Command("node", "testdata/read_terminal.js")
	node.Env = append(os.Environ(), "NODE_PATH="+modules)
	node.Stdin = strings.NewReader(shown)
	var said, complaint bytes.Buffer
	node.Stdout, node.Stderr = &said, &complaint
	if err := node.Run(); err != nil {
		t.Fatalf("the reader of codes (node, and jsqr below .ci): %v: %s", err, complaint.String())
	}
	return said.String()
}

func TestCodeIsReadByAnother(t *testing.T) {
	for _, url := range []string{
		"http://127.0.0.1:8470", "https://192.0.2.10:8470", "http://[2001:db8:1234:5678:9abc:def0:1234:5678]:65535", "https://desk.rig.test",
	} {
		link := Link(url, "K7QM-2XWD")
		shown, err := Code(link)
		if err != nil {
			t.Fatal(err)
		}
		if got := readCode(t, shown); got != link || link != url+"/#k=K7QM-2XWD" {
			t.Errorf("read %q, want %q", got, link)
		}
	}
}

// plainLines is a code without its colours.
func plainLines(shown string) []string {
	return strings.Split(strings.TrimSuffix(strings.NewReplacer(inked, "", plain, "").Replace(shown), "\n"), "\n")
}

// A code fits beside what else is said on a terminal of 80 by 24, has its light
// margin, and starts and ends its own colours on each line.
func TestCodeFitsATerminal(t *testing.T) {
	shown, err := Code(Link("https://192.168.100.100:8470", "K7QM-2XWD"))
	if err != nil {
		t.Fatal(err)
	}
	lines := plainLines(shown)
	if len(lines) > 20 || utf8.RuneCountInString(lines[0]) > 40 {
		t.Errorf("%d lines of %d letters", len(lines), utf8.RuneCountInString(lines[0]))
	}
	for i, line := range lines {
		if utf8.RuneCountInString(line) != utf8.RuneCountInString(lines[0]) {
			t.Errorf("line %d has another width", i+1)
		}
		margin := i < quiet/2 || i >= len(lines)-quiet/2
		if margin && strings.TrimSpace(line) != "" || !strings.HasPrefix(line, "    ") || !strings.HasSuffix(line, "    ") {
			t.Errorf("line %d reaches into the margin: %q", i+1, line)
		}
	}
	if n := strings.Count(shown, inked); n != len(lines) || strings.Count(shown, plain+"\n") != n {
		t.Errorf("%d lines of %d have their own colours", n, len(lines))
	}
}

func TestCodeOfTooMuchIsRefused(t *testing.T) {
	if _, err := Code(strings.Repeat("a", 5000)); err == nil || !strings.Contains(err.Error(), "5000 letters") {
		t.Errorf("%v", err)
	}
}

// Whatever is drawn is there in letters too.
func TestInvitation(t *testing.T) {
	own := certified(t, t.TempDir(), noon(), "192.0.2.10")
	certificate, key := own.Fingerprints()
	const link = "https://192.0.2.10:8470/#k=K7QM-2XWD"
	for _, c := range []struct {
		Invitation
		want, not []string
	}{
		{Invitation{URL: "http://192.0.2.10:8470", Code: "K7QM-2XWD"}, []string{" http://192.0.2.10:8470/\n", " K7QM-2XWD\n", " http://192.0.2.10:8470/#k=K7QM-2XWD\n"}, []string{"certificate", inked}},
		{Invitation{"https://192.0.2.10:8470", "K7QM-2XWD", own, true}, []string{" " + link + "\n", " K7QM-2XWD\n", " " + certificate + "\n", " " + key + "\n"}, nil},
	} {
		var b strings.Builder
		c.Write(&b)
		for _, want := range c.want {
			if !strings.Contains(b.String(), want) {
				t.Errorf("no %q in %s", want, b.String())
			}
		}
		for _, not := range c.not {
			if strings.Contains(b.String(), not) {
				t.Errorf("%q in %s", not, b.String())
			}
		}
		if _, drawn, found := strings.Cut(b.String(), "\n\n"); found != c.Draw || found && readCode(t, strings.TrimSuffix(drawn, "\n")) != link {
			t.Errorf("drawn %v, want %v", found, c.Draw)
		}
	}
}
