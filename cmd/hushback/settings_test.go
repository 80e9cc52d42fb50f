package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/spf13/cobra"
)

// reads runs readSettings the way a command does.
func reads(t *testing.T, args ...string) (settings, error) {
	t.Helper()
	var got settings
	c := &cobra.Command{RunE: func(c *cobra.Command, _ []string) (err error) {
		got, err = readSettings(c)
		return err
	}, SilenceErrors: true, SilenceUsage: true}
	addSettings(c, "127.0.0.1:1", "somewhere")
	c.SetArgs(args)
	return got, c.Execute()
}

func settingsFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "hushback.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestSettingsComeFromFlagsThenEnvironmentThenFileThenDefault(t *testing.T) {
	file := settingsFile(t, "listen: 127.0.0.1:2\nkeep-for: 20s\nconfirm-for: 30s\nhosts: [rig.example, 192.0.2.1]\n")
	t.Setenv("HUSHBACK_KEEP_FOR", "40s")
	t.Setenv("HUSHBACK_CONFIRM_FOR", "50s")
	got, err := reads(t, "--config", file, "--confirm-for", "60s")
	if err != nil {
		t.Fatal(err)
	}
	if got.Listen != "127.0.0.1:2" || got.State != "somewhere" || got.keepFor != 40*time.Second || got.confirmFor != time.Minute ||
		strings.Join(got.Hosts, " ") != "rig.example 192.0.2.1" || got.LogLevel != "warn" {
		t.Errorf("read %+v", got)
	}
	got, err = reads(t, "--hosts", "a,b")
	if err != nil || strings.Join(got.Hosts, " ") != "a b" || got.Listen != "127.0.0.1:1" || got.session != 12*time.Hour {
		t.Errorf("without a file: %+v, %v", got, err)
	}
}

func TestSettingsThatCannotBe(t *testing.T) {
	for text, want := range map[string]string{
		"lissten: 127.0.0.1:2": "lissten",
		"keep-for: 20":         "keep-for",
		"listen: [":            "settings file",
		"keep-for: -5s":        "keep-for",
		"log-level: shouting":  "log-level",
		`listen: ""`:           "listen",
	} {
		_, err := reads(t, "--config", settingsFile(t, text))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want an error with %q", text, err, want)
		}
	}
	if _, err := reads(t, "--config", filepath.Join(t.TempDir(), "none.yaml")); err == nil || !strings.Contains(err.Error(), "none.yaml") {
		t.Errorf("no such file: %v", err)
	}
}

func TestStateFolderFollowsTheStandard(t *testing.T) {
	t.Setenv("XDG_STATE_HOME", "/var/x")
	if got := stateFolder(); got != "/var/x/hushback" {
		t.Errorf("state folder %s", got)
	}
	t.Setenv("XDG_STATE_HOME", "")
	t.Setenv("HOME", "/home/someone")
	if got := stateFolder(); got != "/home/someone/.local/state/hushback" {
		t.Errorf("state folder %s", got)
	}
}

// waiter is an output that says when a word has come.
type waiter struct {
	mu   sync.Mutex
	text bytes.Buffer
	word string
	came chan struct{}
}

func (w *waiter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	had := strings.Contains(w.text.String(), w.word)
	w.text.Write(p)
	if !had && strings.Contains(w.text.String(), w.word) {
		close(w.came)
	}
	return len(p), nil
}

// Ctrl-C ends a rehearsal with a page cleanly: code 0, and nothing of it left.
func TestRehearsalWithAPageEndsWithCtrlC(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	ctx, interrupt := context.WithCancel(t.Context())
	out := &waiter{word: "ready", came: make(chan struct{})}
	ended := make(chan int, 1)
	var errs bytes.Buffer
	go func() { ended <- run(ctx, []string{"rehearse"}, out, &errs) }()
	select {
	case <-out.came:
	case code := <-ended:
		t.Fatalf("ended with %d before it was ready: %s", code, errs.String())
	}
	interrupt()
	if code := <-ended; code != exitDone || errs.Len() > 0 {
		t.Errorf("exit code %d, errors %q", code, errs.String())
	}
	for _, want := range []string{"http://127.0.0.1:", "pairing code", "plain-eight at 127.0.0.1:", "seed 1, no fault", "stopping"} {
		if !strings.Contains(out.text.String(), want) {
			t.Errorf("the terminal does not say %q:\n%s", want, out.text.String())
		}
	}
	left, err := os.ReadDir(os.TempDir())
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// Ctrl-C in the middle of an unattended change rolls it back and says so.
func TestUnattendedInterrupted(t *testing.T) {
	ctx, interrupt := context.WithCancel(t.Context())
	errs := &waiter{word: "measuring 2", came: make(chan struct{})}
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, []string{"rehearse", "--unattended"}, io.Discard, errs) }()
	select {
	case <-errs.came:
	case code := <-ended:
		t.Fatalf("ended with %d before it measured: %s", code, errs.text.String())
	}
	interrupt()
	if code := <-ended; code != exitNotProven || !strings.Contains(errs.text.String(), "interrupted") {
		t.Errorf("exit code %d, said:\n%s", code, errs.text.String())
	}
}
