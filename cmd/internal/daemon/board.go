package daemon

import (
	"context"
	"sync/atomic"

	"hushback/cmd/internal/desk"
)

// board owns the picture of the rig. One goroutine changes it, in the order in
// which the changes arrive; everybody else sees immutable copies.
type board struct {
	changes chan func(*desk.View)
	watch   chan chan struct{} // to start watching
	unwatch chan chan struct{} // to stop
	ended   chan struct{}      // closed once run has returned
	view    atomic.Pointer[desk.View]
}

func newBoard(first desk.View) *board {
	b := &board{
		changes: make(chan func(*desk.View)),
		watch:   make(chan chan struct{}),
		unwatch: make(chan chan struct{}),
		ended:   make(chan struct{}),
	}
	b.view.Store(&first)
	return b
}

// run is the owner; it ends with ctx and then closes every watcher's channel.
func (b *board) run(ctx context.Context) {
	watchers := map[chan struct{}]bool{}
	defer func() {
		for w := range watchers {
			close(w)
		}
		close(b.ended)
	}()
	for {
		select {
		case <-ctx.Done():
			return
		case w := <-b.watch:
			watchers[w] = true
		case w := <-b.unwatch:
			delete(watchers, w)
		case change := <-b.changes:
			next := *b.view.Load()
			next.Seq++
			change(&next)
			b.view.Store(&next)
			for w := range watchers {
				wake(w)
			}
		}
	}
}

// wake leaves a value for a watcher unless one is waiting already.
func wake(w chan struct{}) {
	select {
	case w <- struct{}{}:
	default:
	}
}

// change has the owner alter the picture and returns when it is done. Slices
// in the picture are replaced, never written to: older copies share them.
func (b *board) change(alter func(*desk.View)) {
	done := make(chan struct{})
	select {
	case b.changes <- func(v *desk.View) { alter(v); close(done) }:
		<-done
	case <-b.ended:
	}
}

// Watch delivers a value after each new picture, never more than one waiting,
// until stop is called; the channel closes when the daemon ends.
func (b *board) Watch() (<-chan struct{}, func()) {
	w := make(chan struct{}, 1)
	select {
	case b.watch <- w:
	case <-b.ended:
		close(w)
	}
	return w, func() {
		select {
		case b.unwatch <- w:
		case <-b.ended:
		}
	}
}
