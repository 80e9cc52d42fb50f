package main

import (
	"net"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"github.com/creack/pty"
)

// onTerminal runs a command with a terminal in the place of each stream that it has
// not been given, and returns what that showed. each is told of all that was shown so
// far, letter by letter.
func onTerminal(t *testing.T, command *exec.Cmd, each func(shown string)) string {
	t.Helper()
	person, terminal, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer person.Close()
	if command.Stdout == nil {
		command.Stdout = terminal
	}
	if command.Stderr == nil {
		command.Stderr = terminal
	}
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	terminal.Close() // so that the end of the program ends what is read
	var shown strings.Builder
	for letter := make([]byte, 1); ; {
		if _, err := person.Read(letter); err != nil {
			break
		}
		shown.Write(letter)
		if each != nil {
			each(shown.String())
		}
	}
	_ = command.Wait() // how it ended stands in its state
	return strings.ReplaceAll(shown.String(), "\r\n", "\n")
}

// Colour is seen on a terminal alone, and there too it can be switched off; the words
// are the same.
func TestColourOnATerminalOnly(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer taken.Close()
	args := []string{"check", exampleSite, "--processor", newRig(t).Processor.Addr(), "--state", stateFolderFor(t), "--listen", taken.Addr().String()}
	seen := map[string]string{}
	for _, more := range []string{"TERM=xterm", "NO_COLOR=1", "TERM=dumb"} {
		command := exec.CommandContext(withPatience(t), os.Args[0], args...)
		command.Env = append(os.Environ(), asProgram+"=1", "NO_COLOR=", "TERM=xterm", more)
		seen[more] = onTerminal(t, command, nil)
		if code := command.ProcessState.ExitCode(); code != exitNotProven {
			t.Errorf("%s: exit code %d\n%s", more, code, seen[more])
		}
	}
	_, seen["a pipe"], _ = said(t, args...)
	for where, shown := range seen {
		coloured := strings.Contains(shown, "\x1b[31;1mtrouble\x1b[")
		if coloured != (where == "TERM=xterm") || !coloured && strings.Contains(shown, "\x1b[") {
			t.Errorf("%s: coloured %v\n%q", where, coloured, shown)
		}
		if plain := regexp.MustCompile(`\x1b\[[0-9;]*m`).ReplaceAllString(shown, ""); !strings.Contains(plain, "\n  trouble  another program has") {
			t.Errorf("%s: the words are\n%s", where, plain)
		}
	}
	if bar := "asking"; !strings.Contains(seen["TERM=xterm"], bar) || strings.Contains(seen["a pipe"], bar) {
		t.Errorf("how far it is, on a terminal:\n%q\nelsewhere:\n%q", seen["TERM=xterm"], seen["a pipe"])
	}
}
