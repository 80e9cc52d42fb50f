package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// The Markdown that people follow is played here as they would: what its yaml
// blocks hold is written into files, what its console blocks say after $ is typed
// into a shell, and what stands below must come of it.

// step is one thing that a text has its reader do: write a file, or a command.
type step struct {
	line    int // of the text
	file    string
	content string
	command string
	stays   bool // it goes on running until the text ends
	want    []string
}

// stepsOf finds the blocks of a text. A yaml block whose first line is "# file: NAME"
// is a file. The last command of a "console running" block stays.
func stepsOf(t *testing.T, path string) []step {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var steps []step
	for _, at := range regexp.MustCompile("(?ms)^```(yaml|console)( running)?\n(.*?)^```$").FindAllSubmatchIndex(text, -1) {
		block := string(text[at[6]:at[7]])
		line := 1 + bytes.Count(text[:at[6]], []byte("\n"))
		if string(text[at[2]:at[3]]) == "yaml" {
			first, _, _ := strings.Cut(block, "\n")
			if name, ok := strings.CutPrefix(first, "# file: "); ok {
				steps = append(steps, step{line: line, file: name, content: block})
			}
			continue
		}
		before := len(steps)
		for said := range strings.Lines(block) {
			said = strings.TrimSuffix(said, "\n")
			if command, ok := strings.CutPrefix(said, "$ "); ok {
				steps = append(steps, step{line: line, command: command})
			} else if len(steps) > before {
				steps[len(steps)-1].want = append(steps[len(steps)-1].want, said)
			}
			line++
		}
		if at[4] >= 0 && len(steps) > before {
			steps[len(steps)-1].stays = true
		}
	}
	return steps
}

// reader is somebody who follows a text in an empty folder.
type reader struct {
	t       *testing.T
	text    string
	folder  string
	environ []string
	// What chance decides anew each time (ports, pairing codes): as it is here, by
	// how the text has it.
	here map[string]string
}

// longest bounds every command; it decides nothing.
const longest = 5 * time.Minute

func newReader(t *testing.T, text string) *reader {
	t.Helper()
	r := &reader{t: t, text: text, folder: t.TempDir(), here: map[string]string{}}
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	programs := t.TempDir()
	for name, script := range map[string]string{
		"hushback": fmt.Sprintf("%s=1 exec %q \"$@\"", asProgram, program),
		"arecord":  fmt.Sprintf("%s=signal.wav exec %q", asRecorder, program), // of a text that has written that file before
		"aplay":    "exec cat > /dev/null",
	} {
		if err := os.WriteFile(filepath.Join(programs, name), []byte("#!/bin/sh\n"+script+"\n"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	r.environ = append(os.Environ(), "PATH="+programs+":"+os.Getenv("PATH"), "HOME="+r.folder, "XDG_STATE_HOME="+r.folder, "HUSHBACK_LISTEN=127.0.0.1:0")
	return r
}

// asRecorder makes a run of the test binary be a sound card's recorder that hears
// what stands in a WAV file.
const asRecorder = "HUSHTEST_AS_RECORDER"

// record writes a file to standard output at the pace of sound: 48,000 frames of two
// channels of three bytes a second. It returns the exit code.
func record(file string) int {
	const tenth = 48000 * 2 * 3 / 10
	audio, err := os.ReadFile(file)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	begun := time.Now()
	for n := 0; n*tenth < len(audio); n++ {
		time.Sleep(time.Until(begun.Add(time.Duration(n) * time.Second / 10)))
		if _, err := os.Stdout.Write(audio[n*tenth : min(len(audio), (n+1)*tenth)]); err != nil {
			return 1
		}
	}
	return 0
}

// follow takes every step of the text, the next only if the last came out as it says.
func (r *reader) follow() {
	r.t.Helper()
	steps := stepsOf(r.t, r.text)
	if len(steps) < 2 {
		r.t.Fatalf("%s has %d steps, want at least 2", r.text, len(steps))
	}
	for _, s := range steps {
		if s.file == "" {
			r.typed(s)
			continue
		}
		if err := os.WriteFile(filepath.Join(r.folder, s.file), []byte(r.asHere(s.content)), 0o644); err != nil {
			r.t.Fatal(err)
		}
	}
}

// tries is how often a command is typed. Rigs play in real time, and on a machine
// that is busy elsewhere an emulated processor may not answer in time: then a reader
// types it again. What the text has wrong fails every time.
const tries = 3

// typed types a command into a shell and compares what it says. Of one that stays
// that is the beginning.
func (r *reader) typed(s step) {
	r.t.Helper()
	there, known := r.files(), maps.Clone(r.here)
	for try := 1; ; try++ {
		trouble := r.compare(s, r.says(s))
		if trouble == "" {
			return
		}
		if s.stays || try == tries {
			r.t.Fatalf("%s:%d: $ %s\n%s", r.text, s.line, s.command, trouble)
		}
		r.t.Logf("%s:%d: $ %s\n%s\ntyped again", r.text, s.line, s.command, trouble)
		r.here = maps.Clone(known)
		for _, name := range r.files() {
			if !slices.Contains(there, name) {
				if err := os.RemoveAll(filepath.Join(r.folder, name)); err != nil {
					r.t.Fatal(err)
				}
			}
		}
	}
}

// files are the names of what is in the folder.
func (r *reader) files() []string {
	r.t.Helper()
	entries, err := os.ReadDir(r.folder)
	if err != nil {
		r.t.Fatal(err)
	}
	names := make([]string, len(entries))
	for i, e := range entries {
		names[i] = e.Name()
	}
	return names
}

// says is what a command says, both outputs as a terminal shows them. One that stays
// is ended when the test is.
func (r *reader) says(s step) []string {
	r.t.Helper()
	line := strings.ReplaceAll(r.asHere(s.command), "go run ./cmd/hushback ", "hushback ")
	ctx, cancel := context.WithTimeout(context.Background(), longest)
	c := exec.CommandContext(ctx, "sh", "-c", line)
	c.Dir, c.Env, c.SysProcAttr = r.folder, r.environ, &syscall.SysProcAttr{Setpgid: true}
	said := &spoken{}
	c.Stdout, c.Stderr = said, said
	if err := c.Start(); err != nil {
		r.t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	if !s.stays {
		err := <-ended
		cancel()
		if code := (*exec.ExitError)(nil); err != nil && (!errors.As(err, &code) || !code.Exited()) {
			r.t.Fatalf("%s:%d: %s: %v", r.text, s.line, line, err)
		}
		return said.lines()
	}
	r.t.Cleanup(func() {
		syscall.Kill(-c.Process.Pid, interrupt)
		<-ended
		cancel()
	})
	for ctx.Err() == nil && len(said.lines()) < len(s.want) {
		select {
		case err := <-ended:
			ended <- err
			return append(said.lines(), fmt.Sprintf("(it ended: %v)", err))
		case <-time.After(10 * time.Millisecond):
		}
	}
	lines := said.lines()
	return lines[:min(len(lines), len(s.want))]
}

// spoken is what a command says.
type spoken struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *spoken) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(p)
}

// lines are the whole ones.
func (s *spoken) lines() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	said := strings.Split(s.text.String(), "\n")
	return said[:len(said)-1]
}

// compare says where what came differs from the text, "" where it does not.
func (r *reader) compare(s step, got []string) string {
	for i := range min(len(got), len(s.want)) {
		r.learn(got[i], s.want[i])
		if want := r.asHere(s.want[i]); !sameLine(got[i], want) {
			return fmt.Sprintf("line %d:\n got %s\nwant %s\nall of it:\n%s", i+1, got[i], want, strings.Join(got, "\n"))
		}
	}
	if len(got) != len(s.want) {
		return fmt.Sprintf("said %d lines, the text has %d:\n%s", len(got), len(s.want), strings.Join(got, "\n"))
	}
	return ""
}

// byChance are what no two runs have in common: an address's port, a pairing code,
// a moment, the count of an answer.
var byChance = regexp.MustCompile(`127\.0\.0\.1:\d+|\b[0-9A-Z]{4}-[0-9A-Z]{4}\b|\d{1,2} [A-Z][a-z]{2} \d{4} \d\d:\d\d:\d\d|,iii \d+`)

// learn takes from a line what chance made of what the text has there.
func (r *reader) learn(got, want string) {
	gots, wants := byChance.FindAllString(got, -1), byChance.FindAllString(want, -1)
	for i := range min(len(gots), len(wants)) {
		if _, known := r.here[wants[i]]; !known {
			r.here[wants[i]] = gots[i]
		}
	}
}

// asHere is a piece of the text with what chance made of it here.
func (r *reader) asHere(text string) string {
	return byChance.ReplaceAllStringFunc(text, func(said string) string {
		if here, known := r.here[said]; known {
			return here
		}
		return said
	})
}

// sameLine compares lines; numbers of measurements may differ a little, and what a
// busy network takes, in time and in repeats, as much as it likes.
func sameLine(got, want string) bool {
	if got == want {
		return true
	}
	exact := strings.HasPrefix(want, "output") || strings.HasPrefix(want, "predicted") || strings.HasPrefix(want, "rehearsal")
	number := regexp.MustCompile(`[-−]?\d+(\.\d+)?`)
	if exact || number.ReplaceAllString(got, "N") != number.ReplaceAllString(want, "N") {
		return false
	}
	if strings.Contains(want, "round trip") || strings.Contains(want, "datagrams; the processor holds") {
		return true
	}
	gots, wants := number.FindAllString(got, -1), number.FindAllString(want, -1)
	for i := range gots {
		g, w := value(gots[i]), value(wants[i])
		if math.Abs(g-w) > math.Max(0.1, 0.1*math.Abs(w)) {
			return false
		}
	}
	return true
}

func value(text string) float64 {
	v, err := strconv.ParseFloat(strings.Replace(text, "−", "-", 1), 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

func TestSameLineSaysNo(t *testing.T) {
	for _, c := range []struct {
		got, want string
		same      bool
	}{
		{"measured 47.11 Hz, 45 dB", "measured 47.08 Hz, 46 dB", true},
		{"measured 47.11 Hz, 45 dB", "measured 47.08 Hz, 30 dB", false},
		{"measured 47.11 Hz", "measured 47.11 dB", false},
		{"output 1  4.71 ms", "output 1  4.72 ms", false},
		{"a 1", "a 1 2", false},
		{"−3.0 dB", "−3.1 dB", true},
		{"−3.0 dB", "3.0 dB", false},
		{"round trip 0.1 ms", "round trip 7.5 ms", true},
		{"round trip 0.1 ms", "round trip 0.1 s", false},
		{"kept after 51 datagrams; the processor holds the sheet", "kept after 42 datagrams; the processor holds the sheet", true},
	} {
		if sameLine(c.got, c.want) != c.same {
			t.Errorf("%q and %q: same is %v, want %v", c.got, c.want, !c.same, c.same)
		}
	}
}
