package main

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/emulated"
)

// The daemon is killed (SIGKILL, the real process) after the n-th write of a
// change has reached the processor, and started again on the same state.
func TestKilledInTheMiddleOfAChange(t *testing.T) {
	rig := newRig(t)
	found := rig.Processor.Settings()
	for _, n := range []int{3, 5, 11, 19, 23, 30} {
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
	p.until(func(r desk.Report) bool { return r.State == "measuring" })
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

// A state folder is of one processor: what an unfinished change on one must be
// put back to is never sent to another.
func TestStateFolderIsOfOneProcessor(t *testing.T) {
	one, two := newRig(t), newRig(t)
	state := stateFolderFor(t)
	p := serve(t, one, state)
	p.command.Process.Signal(interrupt)
	if err := <-p.ended; err != nil {
		t.Fatal(err)
	}
	p.ended <- nil
	var out, errs bytes.Buffer
	code := run(withPatience(t), []string{"serve", exampleSite, "--processor", two.Processor.Addr(), "--state", state, "--listen", "127.0.0.1:0"}, &out, &errs)
	if code == exitDone || !strings.Contains(errs.String(), one.Processor.Addr()) || !strings.Contains(errs.String(), "state folder of its own") {
		t.Errorf("exit code %d, errors %q", code, errs.String())
	}
	if two.Processor.Writes() != 0 {
		t.Errorf("%d writes reached the other processor", two.Processor.Writes())
	}
}

// After a mains failure the daemon may be there before the processor is. It
// says that it cannot tell, goes on looking, and puts back what it must.
func TestProcessorComesLaterThanTheDaemon(t *testing.T) {
	rig := newRig(t)
	found := rig.Processor.Settings()
	state := stateFolderFor(t)
	first := serve(t, rig, state)
	first.listen(rig)
	rig.Processor.OnWrite(func(written int) {
		if written == 11 {
			first.command.Process.Kill()
		}
	})
	first.confirm()
	first.ended <- <-first.ended
	address := rig.Processor.Addr()
	rig.Close()

	second := serveAt(t, address, state)
	if r := second.state(); r.State != "adrift" || len(r.InDoubt) == 0 {
		t.Errorf("without a processor the page says %q, outputs in doubt %v", r.State, r.InDoubt)
	}
	back, err := emulated.Start(context.Background(), emulated.Options{Address: address})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(back.Close)
	second.until(func(r desk.Report) bool { return r.State == "rolled back" })
	if now := back.Settings(); !slices.Equal(now, found) {
		t.Errorf("the processor holds\n%v, want as found\n%v", now, found)
	}
}

// A browser that opens a connection ahead of time and says nothing does not
// make a clean stop an error.
func TestStopBesideASilentConnection(t *testing.T) {
	s := raised(t, func(*daemon.Options) {})
	silent, err := net.Dial("tcp", strings.TrimPrefix(s.daemon.URL(), "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	if err := s.daemon.Stop(); err != nil {
		t.Error(err)
	}
}
