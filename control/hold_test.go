package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/control/preset"
)

// TestWhatBecomesOfAHeldChange is the whole table of proof and decision.
func TestWhatBecomesOfAHeldChange(t *testing.T) {
	says := func(p Proof, err error) Prove {
		return func(context.Context, Bench) (Proof, error) { return p, err }
	}
	decides := func(d Decision) Decide {
		return func(context.Context, Held) Decision { return d }
	}
	proven := says(Proof{Proven: true}, nil)
	refuted := says(Proof{Reason: "the null is 3 dB short"}, nil)
	cases := map[string]struct {
		prove  Prove
		decide Decide
		want   string // the reason, "" for kept
		asked  bool
	}{
		"proven, kept":                  {proven, decides(Keep), "", true},
		"proven, rolled back":           {proven, decides(RollBack), "it was decided to roll back", true},
		"proven, nobody to decide":      {proven, nil, "", true},
		"not proven, kept all the same": {refuted, decides(Keep), "the null is 3 dB short", false},
		"not proven, nobody to decide":  {refuted, nil, "the null is 3 dB short", false},
		"not proven, without a reason":  {says(Proof{}, nil), decides(Keep), "not proven", false},
		"no proof":                      {says(Proof{Proven: true}, errors.New("microphone unplugged")), decides(Keep), "the measurement failed: microphone unplugged", false},
		"the proof breaks down":         {func(context.Context, Bench) (Proof, error) { panic("index 7") }, decides(Keep), "it broke down: index 7", false},
		"the decision breaks down":      {proven, func(context.Context, Held) Decision { panic("index 8") }, "it broke down: index 8", true},
	}
	for name, c := range cases {
		run(t, name, func(t *testing.T) {
			r := newRig(t)
			_, confirmed := r.confirmed()
			state, err := r.Apply(t.Context(), confirmed, c.prove, c.decide)
			must(t, err)
			switch s := state.(type) {
			case Kept:
				if c.want != "" {
					t.Errorf("kept, want %q", c.want)
				}
				r.holds(name, sheet().Settings)
			case RolledBack:
				if c.want == "" || !strings.Contains(s.Reason, c.want) {
					t.Errorf("rolled back: %s, want %q", s.Reason, c.want)
				}
				r.holds(name, asFound())
			default:
				t.Errorf("%+v", state)
			}
			r.settled(name)
			if held := slices.Contains(r.events(), "held"); held != c.asked {
				t.Errorf("held: %t", held)
			}
		})
	}
}

func TestDecideSeesTheSheet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.apply(t.Context(), func(_ context.Context, held Held) Decision {
			r.holds("held", sheet().Settings)
			if len(held.Readings) != 16 {
				t.Errorf("%+v", held)
			}
			if !held.KeepBy.Equal(time.Now().Add(30 * time.Second)) {
				t.Errorf("keep by %v at %v", held.KeepBy, time.Now())
			}
			return Keep
		})
	})
}

// heldUntil is the keep-by moment that was told.
func (r *rig) heldUntil() time.Time {
	for _, s := range r.states {
		if held, ok := s.(Held); ok {
			return held.KeepBy
		}
	}
	r.t.Error("it was never held")
	return time.Time{}
}

// backBegins tells, afterwards, when the first write of the way back left.
func (r *rig) backBegins() func() time.Time {
	var first time.Time
	r.line.onWrite = func(int) {
		if events := r.events(); first.IsZero() && slices.Contains(events, "rolling back") {
			first = time.Now()
		}
	}
	return func() time.Time { return first }
}

// TestSolosAreUndoneBeforeAnybodyDecides lets a proof leave one output alone.
func TestSolosAreUndoneBeforeAnybodyDecides(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		_, confirmed := r.confirmed()
		prove := func(ctx context.Context, b Bench) (Proof, error) { return Proof{Proven: true}, b.Solo(ctx, 2) }
		_, err := r.Apply(t.Context(), confirmed, prove, func(context.Context, Held) Decision {
			r.holds("held", sheet().Settings)
			return Keep
		})
		must(t, err)
	})
}

func TestNobodyKeptIt(t *testing.T) {
	late := make(chan struct{})
	cases := map[string]Decide{
		"waits too long":   func(ctx context.Context, _ Held) Decision { <-ctx.Done(); return Keep },
		"never comes back": func(context.Context, Held) Decision { <-late; return Keep },
		"a moment too late": func(ctx context.Context, _ Held) Decision {
			time.Sleep(30*time.Second + 1)
			return Keep
		},
	}
	for name, decide := range cases {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				late = make(chan struct{})
				r := newRig(t)
				began := r.backBegins()
				state := r.apply(t.Context(), decide)
				by := r.heldUntil()
				back, ok := state.(RolledBack)
				if !ok || back.Reason != "nobody kept it by "+by.Format("15:04:05") {
					t.Errorf("%+v", state)
				}
				if !began().Equal(by) {
					t.Errorf("rolled back from %v on, keep-by was %v", began(), by)
				}
				r.holds("rolled back", asFound())
				r.settled("rolled back")
				close(late)
				time.Sleep(time.Second)
			})
		})
	}
	t.Run("in the last moment", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t)
			state := r.apply(t.Context(), func(context.Context, Held) Decision {
				time.Sleep(30*time.Second - 1)
				return Keep
			})
			if _, ok := state.(Kept); !ok {
				t.Errorf("%+v", state)
			}
		})
	})
}

// TestKeepOfACancelledChangeIsTooLate says keep in the same moment in which the
// change is cancelled, often enough for either to come first.
func TestKeepOfACancelledChangeIsTooLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		ch := &change{c: r.Controller, record: preset.Change{ID: "one"}}
		for range 60 {
			ctx, cancel := context.WithCancel(t.Context())
			err := ch.hold(ctx, Proof{Proven: true}, func(context.Context, Held) Decision {
				cancel()
				return Keep
			})
			if !errors.Is(err, context.Canceled) {
				t.Fatalf("got %v", err)
			}
		}
	})
}

func TestBench(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		d, confirmed := r.confirmed()
		listed := map[string]bool{}
		for _, s := range d.Steps {
			if s.Part == PartMeasure {
				listed[s.Message.String()] = true
			}
		}
		var left Bench
		open := func() (open []int) {
			for output := 1; output <= 4; output++ {
				if !r.device.get(output).Muted {
					open = append(open, output)
				}
			}
			return open
		}
		_, err := r.Apply(t.Context(), confirmed, func(ctx context.Context, b Bench) (Proof, error) {
			left = b
			sent := r.line.writes()
			for _, output := range []int{2, 1, 3, 2, 2} {
				must(t, b.Solo(ctx, output))
				equal(t, fmt.Sprintf("open while %d is alone", output), open(), []int{output})
			}
			must(t, b.Everything(ctx))
			equal(t, "open all together", open(), []int{1, 2, 3})
			for _, output := range []int{4, 5, -1} { // muted in the sheet; not ours; nonsense
				if err := b.Solo(ctx, output); err == nil {
					t.Errorf("output %d was heard alone", output)
				}
			}
			ended, cancel := context.WithCancel(ctx)
			cancel()
			if err := b.Solo(ended, 1); !errors.Is(err, context.Canceled) {
				t.Errorf("solo after its context ended: %v", err)
			}
			for _, m := range r.line.sent[sent:] {
				if !listed[m.String()] {
					t.Errorf("%s is not in the dry run", m)
				}
			}
			return Proof{Proven: true}, b.Everything(ctx)
		}, func(ctx context.Context, _ Held) Decision {
			sent := r.line.writes()
			if left.Solo(ctx, 1) == nil || left.Everything(ctx) == nil {
				t.Error("the bench works after the measurement")
			}
			equal(t, "writes of a closed bench", r.line.writes(), sent)
			return Keep
		})
		must(t, err)
	})
}

// TestCancelReachesTheBench cancels the change while the bench waits for an
// answer on behalf of a proof that brought a context of its own.
func TestCancelReachesTheBench(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		_, confirmed := r.confirmed()
		ctx, cancel := context.WithCancel(t.Context())
		began := r.backBegins()
		var start time.Time
		state, err := r.Apply(ctx, confirmed, func(_ context.Context, b Bench) (Proof, error) {
			start = time.Now()
			var silent atomic.Bool
			silent.Store(true)
			r.line.silent = func(osc.Message) bool { return silent.Load() }
			time.AfterFunc(10*time.Millisecond, func() { silent.Store(false); cancel() })
			return Proof{Proven: true}, b.Solo(context.Background(), 1)
		}, keep)
		must(t, err)
		if _, ok := state.(RolledBack); !ok {
			t.Errorf("%+v", state)
		}
		equal(t, "took", began().Sub(start), 10*time.Millisecond)
	})
}

func TestAStuckMuteFailsTheMeasurement(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		_, confirmed := r.confirmed()
		state, err := r.Apply(t.Context(), confirmed, func(ctx context.Context, b Bench) (Proof, error) {
			r.device.stuck = func(a string, v any) bool { return a == "/out/2/mute" && v == any(int32(1)) }
			defer func() { r.device.stuck = nil }()
			return Proof{Proven: true}, b.Solo(ctx, 1)
		}, keep)
		must(t, err)
		if back, ok := state.(RolledBack); !ok || !strings.Contains(back.Reason, "output 2: mute: wanted muted, got open") {
			t.Errorf("%+v", state)
		}
		r.holds("rolled back", asFound())
	})
}

func TestOneAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		_, confirmed := r.confirmed()
		tries := map[string]func() error{
			"read":       func() error { _, err := r.Read(t.Context()); return err },
			"dry run":    func() error { _, err := r.DryRun(t.Context(), sheet()); return err },
			"store safe": func() error { _, err := r.StoreSafe(t.Context()); return err },
			"apply":      func() error { _, err := r.Apply(t.Context(), confirmed, listen, keep); return err },
			"recover":    func() error { _, _, err := r.Recover(t.Context()); return err },
		}
		_, err := r.Apply(t.Context(), confirmed, listen, func(context.Context, Held) Decision {
			asked, sent := r.line.asked, r.line.writes()
			for name, try := range tries {
				if err := try(); !errors.Is(err, ErrBusy) {
					t.Errorf("%s while a change is held: %v", name, err)
				}
			}
			equal(t, "queries", r.line.asked, asked)
			equal(t, "writes", r.line.writes(), sent)
			return Keep
		})
		must(t, err)
		for _, name := range []string{"read", "dry run", "store safe"} {
			must(t, tries[name]())
		}
	})
}

func TestReadersWaitForEachOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		var slow atomic.Bool
		slow.Store(true)
		r.line.silent = func(m osc.Message) bool { return slow.Load() && m.Address == "/out/1/delay" }
		first := make(chan error, 1)
		go func() { _, err := r.Read(t.Context()); first <- err }()
		synctest.Wait()
		second := make(chan error, 1)
		go func() { _, err := r.StoreSafe(t.Context()); second <- err }()
		short, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		defer cancel()
		if _, err := r.Read(short); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("a third, impatient one: %v", err)
		}
		slow.Store(false)
		must(t, <-first)
		must(t, <-second)
		p, _, err := r.store.Get(preset.Safe)
		must(t, err)
		if !alike(p.Settings[1], asFound()[1]) {
			t.Errorf("safe preset: %+v", p)
		}
		slow.Store(true)
		if _, err := r.Read(t.Context()); err == nil || !strings.Contains(err.Error(), "output 1: delay cannot be read: no answer") {
			t.Errorf("an output that never answers: %v", err)
		}
		equal(t, "writes", r.line.writes(), 0)
	})
}

// TestAJournalThatFailsRollsBack closes the store at each stage.
func TestAJournalThatFailsRollsBack(t *testing.T) {
	for _, stage := range []string{"sending", "measuring", "held"} {
		run(t, stage, func(t *testing.T) {
			r := newRig(t)
			d, confirmed := r.confirmed()
			if stage == "sending" {
				r.line.onWrite = func(nth int) {
					if nth == 7 {
						r.store.Close()
					}
				}
			}
			state, err := r.Apply(t.Context(), confirmed, func(ctx context.Context, b Bench) (Proof, error) {
				if stage == "measuring" {
					r.store.Close()
				}
				return listen(ctx, b)
			}, func(context.Context, Held) Decision {
				if stage == "held" {
					r.store.Close()
				}
				return Keep
			})
			back, ok := state.(RolledBack)
			if !ok || !strings.Contains(back.Reason, "is closed") || err == nil {
				t.Errorf("%+v, %v", state, err)
			}
			for i := range d.Before {
				if !alike(r.device.get(i+1), asFound()[i]) {
					t.Errorf("output %d holds %+v", i+1, r.device.get(i+1))
				}
			}
		})
	}
}

// TestChangedWhileHeld turns a knob while a change waits to be kept.
func TestChangedWhileHeld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		state := r.apply(t.Context(), func(context.Context, Held) Decision {
			turned := r.device.get(2)
			turned.GainDB = -20
			r.device.put(turned)
			return Keep
		})
		back, ok := state.(RolledBack)
		if !ok || !strings.Contains(back.Reason, "output 2: gain was -7.8 dB and is -20.0 dB") {
			t.Errorf("%+v", state)
		}
		r.holds("changed while held", asFound())
	})
}
