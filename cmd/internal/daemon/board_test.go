package daemon

import (
	"context"
	"sync"
	"testing"

	"hushback/cmd/internal/desk"
)

func startBoard(t *testing.T) (*board, func()) {
	t.Helper()
	b := newBoard(desk.View{})
	ctx, cancel := context.WithCancel(context.Background())
	go b.run(ctx)
	stop := func() { cancel(); <-b.ended }
	t.Cleanup(stop)
	return b, stop
}

// Many hands change one picture: no change is lost, and each new picture has
// a number of its own.
func TestBoardLosesNoChange(t *testing.T) {
	b, _ := startBoard(t)
	var all sync.WaitGroup
	const hands, times = 8, 200
	for range hands {
		all.Go(func() {
			for range times {
				b.change(func(v *desk.View) { v.Doing += "x" })
			}
		})
	}
	all.Wait()
	v := b.view.Load()
	if len(v.Doing) != hands*times || v.Seq != hands*times {
		t.Errorf("%d changes and number %d, want %d of both", len(v.Doing), v.Seq, hands*times)
	}
}

// A copy of the picture that somebody holds does not change under them.
func TestBoardPicturesDoNotChange(t *testing.T) {
	b, _ := startBoard(t)
	b.change(func(v *desk.View) { v.Doing = "before" })
	held := *b.view.Load()
	b.change(func(v *desk.View) { v.Doing = "after" })
	if held.Doing != "before" || b.view.Load().Doing != "after" {
		t.Errorf("held %q, now %q", held.Doing, b.view.Load().Doing)
	}
}

// A watcher that does not look has one wake-up waiting, never a queue, and
// sees the newest picture when it looks.
func TestBoardWakesWatchers(t *testing.T) {
	b, stop := startBoard(t)
	slow, stopSlow := b.Watch()
	gone, stopGone := b.Watch()
	stopGone()
	for range 10 {
		b.change(func(v *desk.View) { v.Doing += "x" })
	}
	<-slow
	if got := len(b.view.Load().Doing); got != 10 {
		t.Errorf("woken to %d changes, want all 10", got)
	}
	select {
	case <-slow:
		t.Error("a second wake-up was queued")
	case <-gone:
		t.Error("somebody who stopped watching was woken")
	default:
	}
	stop()
	if _, open := <-slow; open {
		t.Error("the watcher's channel is open after the end")
	}
	stopSlow() // after the end, this must not hang
	late, _ := b.Watch()
	if _, open := <-late; open {
		t.Error("watching after the end gives an open channel")
	}
	b.change(func(*desk.View) { t.Error("a change after the end was made") })
}
