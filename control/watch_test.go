package control

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/engine"
)

// watched is a rig that watches, with what it noticed.
type watched struct {
	*rig
	mu      sync.Mutex
	noticed [][]Strange
	stop    func()
}

// watch begins to watch once a change was kept.
func watch(t *testing.T, every time.Duration) *watched {
	t.Helper()
	w := &watched{rig: newRig(t)}
	cfg := w.config()
	cfg.Noticed = func(s []Strange) {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.noticed = append(w.noticed, s)
	}
	var err error
	w.Controller, err = New(cfg)
	must(t, err)
	w.apply(t.Context(), keep)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- w.Watch(ctx, every) }()
	w.stop = func() { cancel(); must(t, <-ended) }
	return w
}

// told is what was noticed since the last call, without times.
func (w *watched) told() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var told []string
	for _, strange := range w.noticed {
		var one []string
		for _, s := range strange {
			one = append(one, fmt.Sprintf("%d %s: %s, %s", s.Output, s.Param, s.Before, s.Now))
		}
		told = append(told, strings.Join(one, "; "))
	}
	w.noticed = nil
	return told
}

// turn is somebody else's hand.
func (w *watched) turn(output int, alter func(*engine.Setting)) {
	set := w.device.get(output)
	alter(&set)
	w.device.put(set)
}

// TestAStrangerIsNoticed: within five seconds, once, and as long as it stands.
func TestAStrangerIsNoticed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := watch(t, 4*time.Second)
		writes := w.Writes()
		time.Sleep(10*time.Second + 7*time.Millisecond) // between two looks
		equal(t, "told of nothing", w.told(), []string(nil))

		began := time.Now()
		w.turn(2, func(s *engine.Setting) { s.GainDB, s.Muted = -20, true })
		time.Sleep(5 * time.Second)
		equal(t, "told", w.told(), []string{"2 gain: gain -7.8 dB, gain -20.0 dB; 2 mute: open, muted"})
		seen := w.Strangers()
		if len(seen) != 2 || seen[0].Seen.Before(began) || seen[0].Seen.After(began.Add(5*time.Second)) {
			t.Errorf("%+v", seen)
		}
		time.Sleep(10 * time.Second)
		equal(t, "told again", w.told(), []string(nil))
		equal(t, "still strange since", w.Strangers(), seen)

		w.turn(4, func(s *engine.Setting) { s.Polarity = -1 })
		time.Sleep(5 * time.Second)
		equal(t, "one more", w.told(), []string{"2 gain: gain -7.8 dB, gain -20.0 dB; 2 mute: open, muted; 4 polarity: polarity normal, polarity reversed"})
		w.turn(2, func(s *engine.Setting) { s.GainDB, s.Muted = -7.8, false })
		time.Sleep(5 * time.Second)
		equal(t, "two less", w.told(), []string{"4 polarity: polarity normal, polarity reversed"})
		w.stop()
		equal(t, "writes", w.Writes(), writes)
	})
}

// TestOneFalseAnswerIsNoStranger: a damaged answer is not told of, nor two of
// different values in the two looks.
func TestOneFalseAnswerIsNoStranger(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := watch(t, 4*time.Second)
		n, first := 0, time.Time{}
		w.line.hang(func() {
			w.line.silent = func(m osc.Message) bool { // the hand is gone before the second look
				if m.Address == "/out/3/delay" {
					if n++; n == 3 {
						w.turn(3, func(s *engine.Setting) { s.DelaySec = 0.1 })
						first = time.Now()
					}
				}
				if m.Address == "/out/3/gain" && n >= 3 && time.Since(first) > 50*time.Millisecond && time.Since(first) < time.Second {
					w.turn(3, func(s *engine.Setting) { s.GainDB = -30 })
				}
				return false
			}
		})
		go func() {
			for range 19_000 {
				time.Sleep(time.Millisecond)
				if set := w.device.get(3); set.DelaySec > 0.09 || set.GainDB < -29 {
					w.turn(3, func(s *engine.Setting) { s.DelaySec, s.GainDB = 0.00557, -7.8 })
				}
			}
		}()
		time.Sleep(20 * time.Second)
		equal(t, "told", w.told(), []string(nil))
		w.stop()
		if n < 4 {
			t.Errorf("asked %d times only", n)
		}
	})
}

// TestAcceptAndPutBack: both make what stands what is known.
func TestAcceptAndPutBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := watch(t, 4*time.Second)
		w.turn(1, func(s *engine.Setting) { s.GainDB = -9 })
		time.Sleep(5 * time.Second)
		equal(t, "told", len(w.told()), 1)
		must(t, w.Accept(t.Context()))
		equal(t, "strange after accepting", w.Strangers(), []Strange(nil))
		equal(t, "told", w.told(), []string{""})
		time.Sleep(10 * time.Second)
		equal(t, "told later", w.told(), []string(nil))
		events := w.events()
		equal(t, "journal", events[len(events)-1], "accepted")

		w.turn(1, func(s *engine.Setting) { s.GainDB = -30 })
		time.Sleep(5 * time.Second)
		equal(t, "told", w.told(), []string{"1 gain: gain -9.0 dB, gain -30.0 dB"})
		back, err := w.PutBack()
		must(t, err)
		d, err := w.DryRun(t.Context(), back)
		must(t, err)
		confirmed, err := w.Confirm(d.Digest, Consent{})
		must(t, err)
		state, err := w.Apply(t.Context(), confirmed, listen, keep)
		if _, kept := state.(Kept); !kept || err != nil {
			t.Fatalf("%+v, %v", state, err)
		}
		want := sheet().Settings
		want[0].GainDB = -9
		w.holds("put back", want)
		time.Sleep(10 * time.Second)
		equal(t, "strange after putting back", w.Strangers(), []Strange(nil))
		w.stop()
	})
}

// TestTheFirstLookMakesKnown: of an output that nothing is known of, nothing can
// be strange.
func TestTheFirstLookMakesKnown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		if _, err := r.PutBack(); err == nil || !strings.Contains(err.Error(), "nothing of output 1") {
			t.Errorf("%v", err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- r.Watch(ctx, time.Second) }()
		time.Sleep(3 * time.Second)
		known, err := r.store.Known()
		must(t, err)
		equal(t, "outputs known", len(known), 4)
		equal(t, "strange", r.Strangers(), []Strange(nil))
		cancel()
		must(t, <-ended)
		equal(t, "writes", r.Writes(), 0)
	})
}

// TestAWatchGivesWay: at once, to whoever has something to do, and it asks
// nothing while a change runs or is open.
func TestAWatchGivesWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := watch(t, 4*time.Second)
		var deaf atomic.Bool
		w.line.hang(func() { w.line.silent = func(osc.Message) bool { return deaf.Load() } })
		deaf.Store(true)
		for before := w.line.questions(); w.line.questions() == before; {
			time.Sleep(time.Millisecond) // until a look hangs
		}
		deaf.Store(false)
		start := time.Now()
		_, err := w.Read(t.Context())
		must(t, err)
		if took := time.Since(start); took != 0 {
			t.Errorf("a read waited %v for the watch", took)
		}

		_, confirmed := w.confirmed()
		state, err := w.Apply(t.Context(), confirmed, listen, func(context.Context, Held) Decision {
			asked := w.line.questions()
			time.Sleep(20 * time.Second)
			equal(t, "questions while a change is held", w.line.questions(), asked)
			return Keep
		})
		if _, kept := state.(Kept); !kept || err != nil {
			t.Errorf("%+v, %v", state, err)
		}

		w.device.mu.Lock()
		w.device.stuck = func(a string, _ any) bool { return a == "/out/2/polarity" }
		w.device.mu.Unlock()
		w.turn(2, func(s *engine.Setting) { s.Polarity = -1 })
		if state, err := w.Safe(t.Context()); err != nil {
			t.Error(err)
		} else if _, adrift := state.(Adrift); !adrift {
			t.Errorf("%+v", state)
		}
		asked := w.line.questions()
		time.Sleep(20 * time.Second)
		equal(t, "questions while adrift", w.line.questions(), asked)
		if err := w.Accept(t.Context()); !errors.Is(err, ErrAdrift) {
			t.Errorf("accepted while adrift: %v", err)
		}
		w.stop()
	})
}

// TestAWatchOfASilentProcessorGoesOn and tells nothing that it does not know.
func TestAWatchOfASilentProcessorGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := watch(t, 4*time.Second)
		w.turn(1, func(s *engine.Setting) { s.GainDB = -9 })
		time.Sleep(5 * time.Second)
		equal(t, "told", len(w.told()), 1)
		var deaf atomic.Bool
		deaf.Store(true)
		w.line.hang(func() { w.line.silent = func(osc.Message) bool { return deaf.Load() } })
		time.Sleep(20 * time.Second)
		equal(t, "told while it is silent", w.told(), []string(nil))
		equal(t, "strange while it is silent", len(w.Strangers()), 1)
		deaf.Store(false)
		w.turn(1, func(s *engine.Setting) { s.GainDB = 0 })
		time.Sleep(6 * time.Second)
		equal(t, "told", w.told(), []string{""})
		w.stop()
	})
}

// register answers everything and notes when it was asked what.
type register struct {
	mu    sync.Mutex
	asked map[string][]time.Time
}

func (r *register) Send(context.Context, osc.Message) error      { panic("a watch wrote") }
func (r *register) SendAll(context.Context, []osc.Message) error { panic("a watch wrote") }
func (r *register) Ask(_ context.Context, m osc.Message, _ func(osc.Message) bool) (osc.Message, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.asked[m.Address] = append(r.asked[m.Address], time.Now())
	if strings.HasSuffix(m.Address, "/gain") || strings.HasSuffix(m.Address, "/delay") {
		return osc.Message{Address: m.Address, Args: []any{float32(0)}}, nil
	}
	return osc.Message{Address: m.Address, Args: []any{int32(0)}}, nil
}

// TestEveryValueIsVisited: however many outputs there are, and never many at a
// time.
func TestEveryValueIsVisited(t *testing.T) {
	for _, outputs := range []int{1, 7, 8, 64} {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t)
			reg := &register{asked: map[string][]time.Time{}}
			cfg := r.config()
			p := kindOf()
			p.Outputs = outputs
			cfg.Processors = []Processor{{Profile: p, Wire: reg}}
			cfg.Outputs = nil
			for output := 1; output <= outputs; output++ {
				cfg.Outputs = append(cfg.Outputs, engine.Output{Number: output})
			}
			c, err := New(cfg)
			must(t, err)
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
			defer cancel()
			start := time.Now()
			must(t, c.Watch(ctx, 4*time.Second))
			moments := map[time.Time]int{}
			for address, times := range reg.asked {
				last := start
				for _, at := range append(times, start.Add(30*time.Second)) {
					if at.Sub(last) > 5*time.Second {
						t.Errorf("%d outputs: %s was not asked for %v", outputs, address, at.Sub(last))
					}
					last = at
				}
				for _, at := range times {
					moments[at]++
				}
			}
			equal(t, "values", len(reg.asked), 4*outputs)
			most := 0
			for _, n := range moments {
				most = max(most, n)
			}
			if want := 4 * ((outputs + 7) / 8); most > want {
				t.Errorf("%d outputs: %d questions at once, want at most %d", outputs, most, want)
			}
		})
	}
}
