package tryout

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// One phone's jobs run one after the other, all phones' two at a time, and each
// answer is worked out once however often it is asked for.
func TestOneThingAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorks()
		var mu sync.Mutex
		busy, most := map[string]int{}, map[string]int{}
		var all, mostOfAll int
		var computed atomic.Int64
		run := func(phone string) func() (any, error) {
			return func() (any, error) {
				computed.Add(1)
				mu.Lock()
				busy[phone]++
				all++
				most[phone], mostOfAll = max(most[phone], busy[phone]), max(mostOfAll, all)
				mu.Unlock()
				time.Sleep(time.Second)
				mu.Lock()
				busy[phone]--
				all--
				mu.Unlock()
				return "done", nil
			}
		}
		var all2 sync.WaitGroup
		for p := range 5 {
			phone := fmt.Sprint("phone ", p)
			for n := range 6 {
				all2.Go(func() {
					if _, err := w.do(t.Context(), job{phone: phone, wish: fmt.Sprint(p, n%3), what: "it"}, run(phone)); err != nil {
						t.Error(err)
					}
				})
			}
		}
		all2.Wait()
		for phone, n := range most {
			if n != 1 {
				t.Errorf("%s had %d at a time", phone, n)
			}
		}
		if mostOfAll != mostAtOnce || computed.Load() != 15 {
			t.Errorf("%d at a time in all, %d computed, want %d and 15", mostOfAll, computed.Load(), mostAtOnce)
		}
		if len(w.lanes) != 0 {
			t.Errorf("%d lanes are left", len(w.lanes))
		}
	})
}

// While a finger moves the newest wish wins: those before it that still wait are
// given up; the one under way ends; a wish at rest is never given up.
func TestTheNewestWishWins(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorks()
		answers := make([]error, 6)
		var ran sync.Map
		var all sync.WaitGroup
		for n := range 6 {
			time.Sleep(10 * time.Millisecond)
			all.Go(func() {
				_, answers[n] = w.do(t.Context(), job{phone: "a", wish: fmt.Sprint(n), what: "it", moving: n != 3}, func() (any, error) {
					ran.Store(n, true)
					time.Sleep(time.Second)
					return n, nil
				})
			})
		}
		all.Wait()
		for n, err := range answers {
			_, did := ran.Load(n)
			overtaken := n == 1 || n == 2 || n == 4
			if errors.Is(err, ErrOvertaken) != overtaken || did == overtaken {
				t.Errorf("wish %d: %v, ran %v", n, err, did)
			}
		}
	})
}

// A phone that asks for too much is told so; one that hangs up is not worked for; an
// error is worked out anew.
func TestLimitsOfWork(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorks()
		var all sync.WaitGroup
		var crowded, gone atomic.Int64
		ctx, hangUp := context.WithTimeout(t.Context(), 90*time.Millisecond)
		defer hangUp()
		for n := range mostWaiting + 5 {
			all.Go(func() {
				_, err := w.do(ctx, job{phone: "a", wish: fmt.Sprint(n), what: "it"}, func() (any, error) {
					time.Sleep(50 * time.Millisecond)
					return n, nil
				})
				switch {
				case errors.Is(err, ErrCrowded):
					crowded.Add(1)
				case errors.Is(err, context.DeadlineExceeded):
					gone.Add(1)
				}
			})
		}
		all.Wait()
		if crowded.Load() != 5 || gone.Load() != mostWaiting-2 {
			t.Errorf("%d crowded, %d gone, want 5 and %d", crowded.Load(), gone.Load(), mostWaiting-2)
		}
		tries := 0
		for range 2 {
			if _, err := w.do(t.Context(), job{phone: "a", wish: "bad", what: "it"}, func() (any, error) { tries++; return nil, errors.ErrUnsupported }); !errors.Is(err, errors.ErrUnsupported) {
				t.Error(err)
			}
		}
		if tries != 2 {
			t.Errorf("an error was kept: %d tries", tries)
		}
	})
}

// No more than so much is kept, the newest of it.
func TestWhatIsKept(t *testing.T) {
	w := newWorks()
	for n := range mostKept + 10 {
		if _, err := w.do(t.Context(), job{phone: "a", wish: fmt.Sprint(n), what: "it"}, func() (any, error) { return n, nil }); err != nil {
			t.Fatal(err)
		}
	}
	if len(w.kept) != mostKept || len(w.order) != mostKept {
		t.Errorf("%d kept, %d in order", len(w.kept), len(w.order))
	}
	if _, there := w.kept[job{wish: "9", what: "it"}.key()]; there {
		t.Error("the oldest are still there")
	}
}
