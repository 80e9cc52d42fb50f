package control

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/engine"
)

// writesOfAChange is how many writes a change takes when nothing goes wrong.
func writesOfAChange(t *testing.T) (writes int) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.apply(t.Context(), keep)
		writes = r.line.writes()
	})
	return writes
}

func TestCancelAtEveryWrite(t *testing.T) {
	t.Parallel()
	for n, last := 1, writesOfAChange(t); n <= last; n++ {
		synctest.Test(t, func(t *testing.T) {
			what := fmt.Sprintf("cancelled at write %d", n)
			r := newRig(t)
			d, confirmed := r.confirmed()
			listed := map[string]bool{}
			for _, s := range d.Steps {
				listed[s.Message.String()] = true
			}
			ctx, cancel := context.WithCancel(t.Context())
			r.line.onWrite = func(nth int) {
				if nth == n {
					cancel()
				}
			}
			state, err := r.Apply(ctx, confirmed, listen, keep)
			must(t, err)
			back, ok := state.(RolledBack)
			if !ok || back.To != ToBefore || back.Reason != "the daemon was told to stop" {
				t.Errorf("%s: %+v", what, state)
			}
			r.holds(what, asFound())
			r.settled(what)
			for _, m := range r.line.sent {
				if !listed[m.String()] {
					t.Errorf("%s: %s is not in the dry run", what, m)
				}
			}
		})
	}
}

func TestTheReasonOfACancelIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cases := map[string]struct {
			cause error
			want  string
		}{
			"no cause":  {nil, "the daemon was told to stop"},
			"a cause":   {errors.New("rolled back by hand"), "rolled back by hand"},
			"time over": {context.DeadlineExceeded, "the time given to it was over"},
		}
		for name, c := range cases {
			r := newRig(t)
			ctx, cancel := context.WithCancelCause(t.Context())
			state := r.apply(ctx, func(ctx context.Context, _ Held) Decision {
				cancel(c.cause)
				<-ctx.Done()
				return Keep
			})
			if back, ok := state.(RolledBack); !ok || back.Reason != c.want {
				t.Errorf("%s: %+v", name, state)
			}
		}
	})
}

// TestCancelDuringTheProof lets a proof that does not listen to its context
// hold on to the bench.
func TestCancelDuringTheProof(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		_, confirmed := r.confirmed()
		ctx, cancel := context.WithCancel(t.Context())
		late := make(chan error, 1)
		state, err := r.Apply(ctx, confirmed, func(_ context.Context, b Bench) (Proof, error) {
			cancel()
			time.Sleep(time.Hour)
			late <- b.Solo(context.Background(), 1)
			return Proof{Proven: true}, nil
		}, keep)
		must(t, err)
		if _, ok := state.(RolledBack); !ok {
			t.Errorf("%+v", state)
		}
		r.holds("rolled back", asFound())
		if err := <-late; err == nil {
			t.Error("the bench worked after the change was over")
		}
		r.holds("an hour later", asFound())
	})
}

// TestCrashAtEveryWrite abandons the controller in the middle of its nth write
// and starts another on the same store.
func TestCrashAtEveryWrite(t *testing.T) {
	t.Parallel()
	for n, last := 1, writesOfAChange(t); n <= last; n++ {
		synctest.Test(t, func(t *testing.T) {
			what := fmt.Sprintf("crashed at write %d", n)
			r := newRig(t)
			bury := r.crashAt(n, func(ctx context.Context) {
				_, confirmed := r.confirmed()
				r.Apply(ctx, confirmed, listen, keep)
			})
			r.restart()
			state, found, err := r.Recover(t.Context())
			back, ok := state.(RolledBack)
			if !ok || !found || err != nil || back.To != ToBefore || !strings.Contains(back.Reason, "stopped in the middle") {
				t.Errorf("%s: %+v, %t, %v", what, state, found, err)
			}
			r.holds(what, asFound())
			r.settled(what)
			equal(t, what+": told", r.states[len(r.states)-1], state)
			sent := r.line.writes()
			if state, found, err := r.Recover(t.Context()); found || err != nil || state != (Idle{}) || r.line.writes() != sent {
				t.Errorf("%s: recovering twice: %+v, %t, %v", what, state, found, err)
			}
			bury()
		})
	}
}

// TestCrashOnTheWayBack crashes first in a change and then again in what the
// next controller does about it.
func TestCrashOnTheWayBack(t *testing.T) {
	t.Parallel()
	for n := 1; n <= 19; n++ {
		synctest.Test(t, func(t *testing.T) {
			what := fmt.Sprintf("crashed again at write %d", n)
			r := newRig(t)
			bury := r.crashAt(12, func(ctx context.Context) {
				_, confirmed := r.confirmed()
				r.Apply(ctx, confirmed, listen, keep)
			})
			r.restart()
			buryToo := r.crashAt(n, func(ctx context.Context) { r.Recover(ctx) })
			r.restart()
			state, _, err := r.Recover(t.Context())
			if _, ok := state.(RolledBack); !ok || err != nil {
				t.Errorf("%s: %+v, %v", what, state, err)
			}
			r.holds(what, asFound())
			bury()
			buryToo()
		})
	}
}

// crashAt runs act until it hands over its nth write, which never leaves, and
// nothing after it does. bury lets the goroutines of the dead go.
func (r *rig) crashAt(n int, act func(context.Context)) (bury func()) {
	dead, line := make(chan struct{}), r.line
	line.dead, line.deadAt = dead, n
	ctx, cancel := context.WithCancel(context.Background())
	var gone sync.WaitGroup
	gone.Go(func() { act(ctx) })
	for range 100_000 { // a ramp, or a wait for late answers, may come before
		if synctest.Wait(); line.writes() == n {
			break
		}
		time.Sleep(time.Millisecond)
	}
	if line.writes() != n {
		r.t.Fatalf("%d writes, the crash was to come at %d", line.writes(), n)
	}
	return func() {
		r.store.Close() // the dead write nothing more
		cancel()
		close(dead)
		gone.Wait()
	}
}

func TestRecoverFromAProcessorThatIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		bury := r.crashAt(14, func(ctx context.Context) {
			_, confirmed := r.confirmed()
			r.Apply(ctx, confirmed, listen, keep)
		})
		r.restart()
		r.line.lose = func(int, osc.Message) bool { return true }
		r.line.silent = func(osc.Message) bool { return true }
		state, found, err := r.Recover(t.Context())
		adrift, ok := state.(Adrift)
		if !ok || !found || err != nil || !slices.Equal(adrift.Outputs, []int{1, 2, 3, 4}) {
			t.Errorf("%+v, %t, %v", state, found, err)
		}
		r.line.lose, r.line.silent = nil, nil
		state, err = r.Safe(t.Context())
		if back, ok := state.(RolledBack); !ok || err != nil || back.To != ToSafe {
			t.Errorf("safe afterwards: %+v, %v", state, err)
		}
		r.holds("safe", safe())
		r.settled("safe")
		bury()
	})
}

func TestRecoverGoesThroughThoughItsContextEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		bury := r.crashAt(14, func(ctx context.Context) {
			_, confirmed := r.confirmed()
			r.Apply(ctx, confirmed, listen, keep)
		})
		r.restart()
		ctx, cancel := context.WithCancel(t.Context())
		r.line.onWrite = func(int) { cancel() }
		state, _, err := r.Recover(ctx)
		if _, ok := state.(RolledBack); !ok || err != nil {
			t.Errorf("%+v, %v", state, err)
		}
		r.holds("recovered", asFound())
		bury()
	})
}

// TestRecoverToWhatNoLongerFits: the profile's range, the site's limit or its
// outputs were changed between the crash and the restart.
func TestRecoverToWhatNoLongerFits(t *testing.T) {
	cases := map[string]struct {
		alter func(*engine.Setting)
		want  string
	}{
		"a delay out of range":      {func(s *engine.Setting) { s.DelaySec = 0.6 }, "delay of 600 ms is outside"},
		"a gain above its limit":    {func(s *engine.Setting) { s.GainDB = 0.5 }, "output 2: gain 0.5 dB is above its limit of 0 dB"},
		"an output of another site": {func(s *engine.Setting) { s.Output = 0 }, "output 5 is not one that the site uses"},
	}
	for name, c := range cases {
		run(t, name, func(t *testing.T) {
			r := newRig(t)
			too := asFound()
			if c.alter(&too[1]); too[1].Output == 0 {
				too = append(asFound(), engine.Setting{Output: 5, Polarity: 1})
			}
			must(t, r.store.Begin(preset.Change{ID: "old", Digest: "d", Before: too, After: safe()}, preset.Entry{}))
			state, found, err := r.Recover(t.Context())
			if adrift, ok := state.(Adrift); !ok || !found || err != nil || !strings.Contains(adrift.Reason, c.want) {
				t.Errorf("%+v, %t, %v", state, found, err)
			}
			equal(t, "writes", r.line.writes(), 0)
			if state, err := r.Safe(t.Context()); err != nil || state.(RolledBack).To != ToSafe {
				t.Errorf("safe afterwards: %+v, %v", state, err)
			}
			r.holds("safe", safe())
		})
	}
}

// TestNothingIsEverLouder sends changes between random states over a lossy
// line and ends them at random. The device looks at the loudness after every
// write: an open output is never above what it stood at before and is to stand
// at after (or at the safe preset, once that is called for).
func TestNothingIsEverLouder(t *testing.T) {
	t.Parallel()
	const seed = 5
	for round := range uint64(40) {
		synctest.Test(t, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, round))
			random := func() []engine.Setting {
				all := make([]engine.Setting, 4)
				for i := range all {
					all[i] = engine.Setting{
						Output: i + 1, DelaySec: float64(rng.IntN(2000)) * 1e-5, Polarity: 1 - 2*rng.IntN(2),
						GainDB: -float64(rng.IntN(400)) / 10, Muted: rng.IntN(4) == 0,
					}
				}
				return all
			}
			r := newRig(t)
			before, after := random(), random()
			r.device.ceiling = map[int]float64{}
			r.allow(before)
			r.allow(after)
			for _, set := range before {
				r.device.put(set)
			}
			d, err := r.DryRun(t.Context(), engine.Sheet{Settings: after})
			must(t, err)
			confirmed, err := r.Confirm(d.Digest, Consent{})
			must(t, err)
			rate := rng.Float64() * 0.3
			r.line.lose = func(int, osc.Message) bool { return rng.Float64() < rate }
			ctx, cancel := context.WithCancel(t.Context())
			end := 1 + rng.IntN(80)
			r.line.onWrite = func(nth int) {
				if nth == end {
					cancel()
				}
			}
			r.Apply(ctx, confirmed, func(ctx context.Context, b Bench) (Proof, error) {
				for _, set := range after {
					if !set.Muted {
						if err := b.Solo(ctx, set.Output); err != nil {
							return Proof{}, err
						}
					}
				}
				return Proof{Proven: rng.IntN(2) == 0}, nil
			}, nil)
			if t.Failed() {
				t.Logf("seed %d round %d", seed, round)
			}
		})
	}
}
