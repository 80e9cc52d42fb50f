package main

import (
	"os/exec"
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
