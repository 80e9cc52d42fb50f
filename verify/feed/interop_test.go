package feed

import (
	"bufio"
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// foreign starts an agent that nobody here wrote much of: a script around the npm
// package ws, which `bash .ci/run` installs. What it says comes line by line.
func foreign(t *testing.T, url, microphone, sends string) *bufio.Scanner {
	t.Helper()
	node, err := exec.LookPath("node")
	modules, _ := filepath.Abs("../../.ci/node_modules")
	if _, missing := os.Stat(filepath.Join(modules, "ws")); err != nil || missing != nil {
		t.Fatal("node and the package ws are needed: bash .ci/run installs them (or go test -short)")
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute) // it must not outlive a test that hangs
	command := exec.CommandContext(ctx, node, "../../testdata/interop/feed_agent.js", url, token, microphone, sends)
	command.Env, command.Stderr = append(os.Environ(), "NODE_PATH="+modules), t.Output()
	out, err := command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		_ = command.Wait() // it was killed
	})
	return bufio.NewScanner(out)
}

// says waits for a line that begins like that, and is the number behind it. Marks
// between are the hub's own affair.
func says(t *testing.T, lines *bufio.Scanner, want string) (number float64) {
	t.Helper()
	for lines.Scan() {
		if rest, found := strings.CutPrefix(lines.Text(), want+" "); found {
			fmt.Sscan(rest, &number)
			return number
		} else if !strings.HasPrefix(lines.Text(), "mark ") {
			t.Fatalf("it says %q, want %s", lines.Text(), want)
		}
	}
	t.Fatalf("it ended before it said %s", want)
	return 0
}

// A foreign agent carries a capture over a crash of its network: not a sample is
// lost or doubled.
func TestForeignAgent(t *testing.T) {
	if testing.Short() {
		t.Log("short: nothing is taken from another implementation")
		return
	}
	hub, url := rig(t)
	lines := foreign(t, url, "rear", "audio")
	if next := says(t, lines, "welcome"); next != 0 {
		t.Errorf("welcomed with %g", next)
	}
	r, err := hub.Capture(within(t), "rear", 0.1, 2.5)
	if err != nil {
		t.Fatal(err)
	}
	says(t, lines, "closed")
	wanted := says(t, lines, "welcome")
	if first, last := float64(r.First), float64(r.First)+float64(len(r.Reference)); wanted <= first || wanted >= last {
		t.Errorf("resumed at sample %g, want it within the capture from %g to %g", wanted, first, last)
	}
	if r.Rate != 44100 || len(r.Reference) != 110250 || len(r.Microphone) != 110250 {
		t.Fatalf("%d and %d samples at %d", len(r.Reference), len(r.Microphone), r.Rate)
	}
	for i := range r.Reference {
		want := float64((r.First+uint64(i))%9973) / 32768
		if r.Reference[i] != 2*want || r.Microphone[i] != -want {
			t.Fatalf("sample %d: %v and %v, want %v and %v", i, r.Reference[i], r.Microphone[i], 2*want, -want)
		}
	}
	if s := hub.Feed("rear"); s.Gaps != 0 || s.Trouble != "" {
		t.Errorf("status %+v", s)
	}
}

func TestForeignAgentThatMeasures(t *testing.T) {
	if testing.Short() {
		t.Log("short: nothing is taken from another implementation")
		return
	}
	hub, url := rig(t)
	lines := foreign(t, url, "front", "functions")
	says(t, lines, "welcome")
	for id := 1.0; id < 4; id++ {
		f, err := hub.Function(within(t), "front", 0)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(20*math.Log10(cmplx.Abs(f.H[1]))+id) > 1e-9 || math.Abs(cmplx.Phase(f.H[1])-1.5) > 1e-12 || f.Averages != 16 || f.Coherence[1] != 0.75 {
			t.Errorf("answer to mark %g: %+v", id, f)
		}
	}
}
