package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/engine"
)

func TestSafeDirectly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		state, err := r.Safe(t.Context())
		back, ok := state.(RolledBack)
		if !ok || err != nil || back.To != ToSafe || back.Reason != "the safe preset was called for" || len(back.Readings) != 16 {
			t.Errorf("%+v, %v", state, err)
		}
		r.holds("safe", safe())
		r.settled("safe")
		equal(t, "journal", r.events(), []string{"as found stored", "rolling back", "rolled back"})
		if p, ok, err := r.store.Get(preset.AsFound); !ok || err != nil || !alike(p.Settings[1], asFound()[1]) {
			t.Errorf("as found: %+v, %t, %v", p, ok, err)
		}
		equal(t, "told", r.states, []State{state})
	})
}

func TestSafeRefusals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRigWithoutSafe(t)
		if state, err := r.Safe(t.Context()); !errors.Is(err, ErrNoSafe) || state != (Idle{}) {
			t.Errorf("without a safe preset: %v, %v", state, err)
		}
		_, err := r.StoreSafe(t.Context())
		must(t, err)
		r.line.silent = func(osc.Message) bool { return true }
		if state, err := r.Safe(t.Context()); err == nil || state != (Idle{}) || !strings.Contains(err.Error(), "nothing was sent") {
			t.Errorf("before the as-found preset can be stored: %v, %v", state, err)
		}
		equal(t, "writes", r.line.writes(), 0)
		r.line.silent = nil
		if _, err := r.Safe(t.Context()); err != nil {
			t.Error(err)
		}
	})
}

func TestSafeAtEveryWrite(t *testing.T) {
	t.Parallel()
	for n, last := 1, writesOfAChange(t); n <= last; n++ {
		synctest.Test(t, func(t *testing.T) {
			what := fmt.Sprintf("safe at write %d", n)
			r := newRig(t)
			_, confirmed := r.confirmed()
			pressed := make(chan State, 1)
			r.line.onWrite = func(nth int) {
				if nth != n {
					return
				}
				cancelled := r.cancelled()
				go func() {
					state, err := r.Safe(t.Context())
					if err != nil {
						t.Errorf("%s: %v", what, err)
					}
					pressed <- state
				}()
				<-cancelled // the press has come before the write goes on
			}
			applied, err := r.Apply(t.Context(), confirmed, listen, keep)
			must(t, err)
			state := <-pressed
			equal(t, what, applied, state)
			back, ok := state.(RolledBack)
			if !ok || back.To != ToSafe || back.Reason != "the safe preset was called for" {
				t.Errorf("%s: %+v", what, state)
			}
			r.holds(what, safe())
			r.settled(what)
		})
	}
}

// cancelled is closed once somebody cancels the job that runs now.
func (r *rig) cancelled() <-chan struct{} {
	r.Controller.mu.Lock()
	defer r.Controller.mu.Unlock()
	done, cancel := make(chan struct{}), r.job.cancel
	var once sync.Once
	r.job.cancel = func(cause error) {
		cancel(cause)
		once.Do(func() { close(done) })
	}
	return done
}

// TestSafeWhileHeld presses safe from two places at once.
func TestSafeWhileHeld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		_, confirmed := r.confirmed()
		var presses sync.WaitGroup
		var states [2]State
		state, err := r.Apply(t.Context(), confirmed, listen, func(ctx context.Context, _ Held) Decision {
			for i := range states {
				presses.Go(func() {
					var err error
					if states[i], err = r.Safe(t.Context()); err != nil {
						t.Error(err)
					}
				})
			}
			<-ctx.Done()
			return Keep
		})
		must(t, err)
		presses.Wait()
		// Whoever presses while the change goes back shares its way; a press that
		// comes after it is a way back of its own.
		for i, s := range append(states[:], state) {
			if back, ok := s.(RolledBack); !ok || back.To != ToSafe {
				t.Errorf("press %d ended %+v", i, s)
			}
		}
		r.holds("safe", safe())
		r.settled("safe")
		count := 0
		for _, e := range r.events() {
			if e == "rolled back" {
				count++
			}
		}
		if count < 1 || count > 2 {
			t.Errorf("%d ways back for two presses", count)
		}
	})
}

func TestSafeFromManyPlacesAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		var presses sync.WaitGroup
		for range 8 {
			presses.Go(func() {
				state, err := r.Safe(t.Context())
				if back, ok := state.(RolledBack); !ok || err != nil || back.To != ToSafe {
					t.Errorf("%+v, %v", state, err)
				}
			})
		}
		presses.Wait()
		r.holds("safe", safe())
		r.settled("safe")
	})
}

// TestSafeOvertakesReadersAndShutdown: a press must not wait for a dry run that
// gets no answers, and goes through though its own context ends.
func TestSafeOvertakesReadersAndShutdown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.apply(t.Context(), keep)
		var silent atomic.Bool
		silent.Store(true)
		r.line.silent = func(osc.Message) bool { return silent.Load() }
		dry := make(chan error, 1)
		go func() { _, err := r.DryRun(t.Context(), sheet()); dry <- err }()
		time.Sleep(time.Millisecond)
		silent.Store(false)
		ctx, cancel := context.WithCancel(t.Context())
		r.line.onWrite = func(int) { cancel() }
		state, err := r.Safe(ctx)
		if back, ok := state.(RolledBack); !ok || err != nil || back.To != ToSafe {
			t.Errorf("%+v, %v", state, err)
		}
		if err := <-dry; !errors.Is(err, errSafe) {
			t.Errorf("the dry run: %v", err)
		}
		r.holds("safe", safe())
	})
}

// TestCrashOnTheWayToSafe crashes a press on safe, and a change on its way to
// safe; the next start goes to safe, not back.
func TestCrashOnTheWayToSafe(t *testing.T) {
	t.Parallel()
	acts := map[string]func(r *rig, ctx context.Context){
		"directly": func(r *rig, ctx context.Context) { r.Safe(ctx) },
		"out of a change": func(r *rig, ctx context.Context) {
			_, confirmed := r.confirmed()
			r.Apply(ctx, confirmed, listen, func(ctx context.Context, _ Held) Decision {
				go r.Safe(ctx)
				<-ctx.Done()
				return RollBack
			})
		},
	}
	before := map[string]int{"directly": 0, "out of a change": writesOfAChange(t)}
	for name, act := range acts {
		for n := 1; n <= 19; n += 3 {
			synctest.Test(t, func(t *testing.T) {
				what := fmt.Sprintf("%s, crashed at write %d", name, n)
				r := newRig(t)
				bury := r.crashAt(before[name]+n, func(ctx context.Context) { act(r, ctx) })
				r.restart()
				state, found, err := r.Recover(t.Context())
				if back, ok := state.(RolledBack); !ok || !found || err != nil || back.To != ToSafe {
					t.Errorf("%s: %+v, %t, %v", what, state, found, err)
				}
				r.holds(what, safe())
				r.settled(what)
				bury()
			})
		}
	}
}

func TestSafeThatDoesNotArriveIsAdrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.apply(t.Context(), keep)
		r.line.lose = func(_ int, m osc.Message) bool { return strings.HasPrefix(m.Address, "/out/3/") }
		state, err := r.Safe(t.Context())
		if adrift, ok := state.(Adrift); !ok || err != nil || !slices.Equal(adrift.Outputs, []int{3}) {
			t.Errorf("%+v, %v", state, err)
		}
		r.line.lose = nil
		state, err = r.Safe(t.Context())
		if back, ok := state.(RolledBack); !ok || err != nil || back.To != ToSafe {
			t.Errorf("second press: %+v, %v", state, err)
		}
		r.holds("safe", safe())
	})
}

// TestSafePresetOfAnotherSite: a preset stored for a site that used more
// outputs, or played them louder, touches no other output and crosses no limit.
func TestSafePresetOfAnotherSite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		wide := append(safe(), engine.Setting{Output: 5, Polarity: 1, GainDB: -6})
		must(t, r.store.Put(preset.Preset{Name: preset.Safe, Taken: time.Now(), Settings: wide}))
		before := r.device.get(5)
		_, err := r.Safe(t.Context())
		must(t, err)
		r.holds("safe", append(safe(), before))

		loud := safe()
		loud[0].GainDB = 5
		must(t, r.store.Put(preset.Preset{Name: preset.Safe, Taken: time.Now(), Settings: loud}))
		writes := r.Writes()
		if _, err := r.Safe(t.Context()); !errors.Is(err, ErrNoSafe) || !strings.Contains(err.Error(), "output 1: gain 5.0 dB is above its limit") {
			t.Errorf("too loud a safe preset: %v", err)
		}
		equal(t, "writes", r.Writes(), writes)
	})
}

// TestNothingInDoubtBecomesSafe: while a change is adrift, what the processor
// holds must not be stored over the preset that leads out of it.
func TestNothingInDoubtBecomesSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		_, confirmed := r.confirmed()
		r.line.silent = func(osc.Message) bool { return r.line.writes() > 5 }
		state, err := r.Apply(t.Context(), confirmed, listen, keep)
		if _, adrift := state.(Adrift); !adrift {
			t.Fatalf("%+v, %v", state, err)
		}
		r.line.silent = nil
		if _, err := r.StoreSafe(t.Context()); !errors.Is(err, ErrAdrift) {
			t.Errorf("stored what was in doubt: %v", err)
		}
	})
}
