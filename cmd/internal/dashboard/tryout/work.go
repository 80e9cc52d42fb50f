package tryout

import (
	"context"
	"errors"
	"slices"
	"sync"
)

// What is kept and how much may wait, so that no phone can ask for more than the
// machine has.
const (
	mostKept    = 96 // results; a picture takes 20 to 60 kB
	mostWaiting = 12 // requests of one phone
	mostAtOnce  = 2  // computations, over all phones
)

// What has nothing to do with the wish itself.
var (
	ErrOvertaken = errors.New("a newer wish is under way")
	ErrCrowded   = errors.New("too much is being asked for at once: wait a moment")
)

// works does the computing: one thing at a time for each phone, two at a time in
// all. While a finger moves, what an older wish still wants is given up for the
// newest. What was worked out is kept for a while.
type works struct {
	mu    sync.Mutex
	lanes map[string]*lane
	kept  map[string]any
	order []string // of kept, the oldest first
	slots chan struct{}
}

// lane is one phone's way to the slots.
type lane struct {
	turn    chan struct{} // holds a value while something is computed
	waiting int           // requests in the lane
	newest  string        // wish of a moving finger
}

func newWorks() *works {
	return &works{lanes: map[string]*lane{}, kept: map[string]any{}, slots: make(chan struct{}, mostAtOnce)}
}

// job is one thing to work out.
type job struct {
	phone  string
	wish   string // what it belongs to
	what   string // which part of it
	moving bool   // a finger is on the way: may be overtaken by a newer wish
}

func (j job) key() string { return j.what + " of " + j.wish }

// do gives what was kept, or works it out in turn. An error is not kept.
func (w *works) do(ctx context.Context, j job, compute func() (any, error)) (any, error) {
	l, kept, err := w.enter(j)
	if l == nil {
		return kept, err
	}
	defer w.leave(j.phone, l)
	select {
	case l.turn <- struct{}{}:
		defer func() { <-l.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if kept, err := w.look(j, l); kept != nil || err != nil {
		return kept, err
	}
	select {
	case w.slots <- struct{}{}:
		defer func() { <-w.slots }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	made, err := compute()
	if err != nil {
		return nil, err
	}
	w.keep(j.key(), made)
	return made, nil
}

// enter takes a place in the phone's lane; nil where none is needed or free.
func (w *works) enter(j job) (*lane, any, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	l := w.lanes[j.phone]
	if l == nil {
		l = &lane{turn: make(chan struct{}, 1)}
	}
	if j.moving {
		l.newest = j.wish
	}
	if kept, there := w.kept[j.key()]; there {
		return nil, kept, nil
	}
	if l.waiting >= mostWaiting {
		return nil, nil, ErrCrowded
	}
	l.waiting++
	w.lanes[j.phone] = l
	return l, nil, nil
}

func (w *works) leave(phone string, l *lane) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if l.waiting--; l.waiting == 0 {
		delete(w.lanes, phone)
	}
}

// look is what has come about while a job waited for its turn.
func (w *works) look(j job, l *lane) (any, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if kept, there := w.kept[j.key()]; there {
		return kept, nil
	}
	if j.moving && l.newest != j.wish {
		return nil, ErrOvertaken
	}
	return nil, nil
}

// keep forgets the oldest for the newest.
func (w *works) keep(key string, made any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if _, there := w.kept[key]; !there {
		w.order = append(w.order, key)
	}
	w.kept[key] = made
	for len(w.order) > mostKept {
		delete(w.kept, w.order[0])
		w.order = slices.Delete(w.order, 0, 1)
	}
}
