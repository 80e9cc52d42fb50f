package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"strings"
	"sync"
	"testing"
)

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
