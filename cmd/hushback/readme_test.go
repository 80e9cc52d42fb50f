package main

import (
	"bytes"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// shownCommand is one command of the README and what it says there.
type shownCommand struct {
	args []string
	want []string
}

// shownCommands finds the console blocks of the README: "$ hushback ..." and the
// lines below it.
func shownCommands(t *testing.T) []shownCommand {
	t.Helper()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	var found []shownCommand
	for _, block := range regexp.MustCompile("(?s)```console\n(.*?)```").FindAllStringSubmatch(string(text), -1) {
		for line := range strings.Lines(block[1]) {
			line = strings.TrimRight(line, "\n")
			if command, ok := strings.CutPrefix(line, "$ go run ./cmd/hushback "); ok {
				found = append(found, shownCommand{args: strings.Fields(command)})
			} else if len(found) > 0 {
				found[len(found)-1].want = append(found[len(found)-1].want, line)
			}
		}
	}
	return found
}

// The README's console blocks are run and must come out as printed. Measured
// numbers carry noise: on lines that tell of a measurement they may differ in
// their last digits, elsewhere not at all.
func TestReadmeCommands(t *testing.T) {
	found := shownCommands(t)
	if len(found) < 2 {
		t.Fatalf("found %d console commands in the README, want at least 2", len(found))
	}
	for _, tr := range found {
		t.Run(strings.Join(tr.args, " "), func(t *testing.T) {
			var said bytes.Buffer // both outputs, as a terminal shows them
			run(withPatience(t), tr.args, &said, &said)
			got := strings.Split(strings.TrimRight(said.String(), "\n"), "\n")
			if len(got) != len(tr.want) {
				t.Fatalf("%d lines, the README has %d:\n%s", len(got), len(tr.want), said.String())
			}
			for i := range got {
				if !sameLine(got[i], tr.want[i]) {
					t.Errorf("line %d:\n got %s\nwant %s", i+1, got[i], tr.want[i])
				}
			}
		})
	}
}

// sameLine compares lines; numbers of measurements may differ a little.
func sameLine(got, want string) bool {
	if got == want {
		return true
	}
	exact := strings.HasPrefix(want, "output") || strings.HasPrefix(want, "predicted") || strings.HasPrefix(want, "rehearsal")
	number := regexp.MustCompile(`[-−]?\d+(\.\d+)?`)
	if exact || number.ReplaceAllString(got, "N") != number.ReplaceAllString(want, "N") {
		return false
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
	} {
		if sameLine(c.got, c.want) != c.same {
			t.Errorf("%q and %q: same is %v, want %v", c.got, c.want, !c.same, c.same)
		}
	}
}
