package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/dashboard"
)

// The daemon is killed (SIGKILL, the real process) after the n-th write of a
// change has reached the processor, and started again on the same state.
func TestKilledInTheMiddleOfAChange(t *testing.T) {
	rig := newRig(t)
	found := rig.Processor.Settings()
	for _, n := range []int{1, 5, 11, 19, 23, 30} {
		t.Run(fmt.Sprintf("after write %d", n), func(t *testing.T) {
			state := stateFolderFor(t)
			before := rig.Processor.Writes()
			first := serve(t, rig, state)
			first.listen(rig)
			rig.Processor.OnWrite(func(written int) {
				if written == before+n {
					first.command.Process.Kill()
				}
			})
			first.confirm()
			err := <-first.ended
			first.ended <- err
			if err == nil || !strings.Contains(err.Error(), "killed") {
				t.Fatalf("the daemon ended with %v, want it killed; it said:\n%s", err, first.said)
			}
			rig.Processor.OnWrite(nil)
			if now := rig.Processor.Settings(); slices.Equal(now, found) {
				t.Fatalf("after %d writes the processor still holds what it held: the kill proves nothing", n)
			}

			second := serve(t, rig, state)
			if !strings.Contains(second.notice, "in the middle of a change") {
				t.Errorf("the new daemon's terminal says %q, want it to say that a change was left unfinished", second.notice)
			}
			r := second.state()
			if r.State != "rolled back" || !strings.Contains(r.Notice, "in the middle of a change") {
				t.Errorf("the page says %q and %q", r.State, r.Notice)
			}
			if now := rig.Processor.Settings(); !slices.Equal(now, found) {
				t.Errorf("the processor holds\n%v, want as found\n%v", now, found)
			}
		})
	}
}

// A polite stop in the middle of a change rolls it back before the process
// ends.
func TestStoppedInTheMiddleOfAChange(t *testing.T) {
	rig := newRig(t)
	found := rig.Processor.Settings()
	p := serve(t, rig, stateFolderFor(t))
	p.listen(rig)
	p.confirm()
	p.until(func(r dashboard.Report) bool { return r.State == "measuring" })
	if now := rig.Processor.Settings(); slices.Equal(now, found) {
		t.Fatal("while measuring the processor holds what it held before")
	}
	p.command.Process.Signal(interrupt)
	select {
	case err := <-p.ended:
		p.ended <- err
		if err != nil {
			t.Errorf("the daemon ended with %v; it said:\n%s", err, p.said)
		}
	case <-time.After(patience):
		t.Fatal("the daemon does not stop")
	}
	if now := rig.Processor.Settings(); !slices.Equal(now, found) {
		t.Errorf("the processor holds\n%v, want as found\n%v", now, found)
	}
}
