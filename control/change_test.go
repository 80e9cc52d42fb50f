package control

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

func TestAChangeThatIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		d, confirmed := r.confirmed()
		state, err := r.Apply(t.Context(), confirmed, listen, keep)
		must(t, err)
		kept, ok := state.(Kept)
		if !ok {
			t.Fatalf("%T %+v", state, state)
		}
		r.holds("kept", sheet().Settings)
		r.settled("kept")
		equal(t, "writes counted", r.Writes(), r.line.writes())

		found, ok, err := r.store.Get(preset.AsFound)
		if !ok || err != nil || !alike(found.Settings[1], asFound()[1]) || len(found.Settings) != 4 {
			t.Errorf("as found: %+v, %t, %v", found, ok, err)
		}
		if len(kept.Readings) != 16 {
			t.Errorf("%d readings, want four for each output", len(kept.Readings))
		}
		for i, reading := range kept.Readings {
			if reading.Output != 1+i/4 || reading.Param != processor.Params[i%4] || !reading.Same || reading.Got != reading.Wanted {
				t.Errorf("reading %d: %+v", i, reading)
			}
		}
		equal(t, "delay of output 3", kept.Readings[8].Got, "5.57 ms")
		equal(t, "mute of output 4", kept.Readings[15].Got, "muted")
		equal(t, "journal", r.events(), []string{"as found stored", "sending", "read back",
			"measuring", "measuring", "measuring", "measuring", "measuring", "held", "kept"})

		// What went out is what the dry run listed for sending and measuring, each
		// once and in that order.
		var want []string
		for _, s := range d.Steps {
			if s.Part != PartUndo {
				want = append(want, s.Message.String())
			}
		}
		equal(t, "datagrams", spelled(r.line.sent), want)
	})
}

func spelled(messages []osc.Message) []string {
	var all []string
	for _, m := range messages {
		all = append(all, m.String())
	}
	return all
}

// TestStatesAreToldInOrder follows what a page would show.
func TestStatesAreToldInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.apply(t.Context(), keep)
		var names []string
		sent, read := -1, -1
		for _, s := range r.states {
			name := strings.TrimPrefix(fmt.Sprintf("%T", s), "control.")
			if len(names) == 0 || names[len(names)-1] != name {
				names = append(names, name)
			}
			if s, ok := s.(Sending); ok {
				if s.Sent < sent || len(s.Readings) < read || s.Total != 26 || s.Sent > s.Total {
					t.Errorf("progress went from %d sent, %d read to %d of %d sent, %d read", sent, read, s.Sent, s.Total, len(s.Readings))
				}
				sent, read = s.Sent, len(s.Readings)
			}
		}
		equal(t, "states", names, []string{"Sending", "Measuring", "Held", "Kept"})
		equal(t, "sent", sent, 26)
		equal(t, "read", read, 16)
		// A state that was told never changes afterwards.
		for i, s := range r.states {
			equal(t, "a state told earlier", fmt.Sprintf("%+v", s), r.words[i])
		}
	})
}

func TestTheAsFoundPresetIsStoredBeforeTheFirstWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.line.onWrite = func(nth int) {
			p, ok, err := r.store.Get(preset.AsFound)
			if !ok || err != nil || !alike(p.Settings[0], asFound()[0]) {
				t.Errorf("at write %d: as found %+v, %t, %v", nth, p, ok, err)
			}
			if c, open, err := r.store.OpenChange(); !open || err != nil || !alike(c.Before[1], asFound()[1]) {
				t.Errorf("at write %d: open change %+v, %t, %v", nth, c, open, err)
			}
		}
		r.apply(t.Context(), keep)
		// A later change finds the sheet, but as found stays what it was.
		r.line.onWrite = nil
		r.apply(t.Context(), keep)
		if p, _, err := r.store.Get(preset.AsFound); err != nil || !alike(p.Settings[0], asFound()[0]) {
			t.Errorf("after the second change: as found %+v, %v", p, err)
		}
	})
}

func TestLostWritesAreRepeated(t *testing.T) {
	for lost := 1; lost <= 4; lost++ {
		t.Run(fmt.Sprint("first ", lost), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t)
				gains := 0
				r.line.lose = func(_ int, m osc.Message) bool {
					if m.Address != "/out/2/gain" {
						return false
					}
					gains++
					return gains <= lost
				}
				state := r.apply(t.Context(), keep)
				if lost < kindOf().Tries {
					if _, ok := state.(Kept); !ok || gains != lost+1 {
						t.Errorf("%T after %d writes of the gain", state, gains)
					}
					r.holds("kept", sheet().Settings)
					return
				}
				back, ok := state.(RolledBack)
				if !ok || !strings.Contains(back.Reason, "output 2: gain: wanted -7.8 dB, got 0.0 dB") {
					t.Errorf("%+v", state)
				}
				r.holds("rolled back", asFound())
			})
		})
	}
}

// TestALossyLine loses writes and answers at random. Whatever happens, a change
// ends in a state that is true.
func TestALossyLine(t *testing.T) {
	t.Parallel()
	const seed = 3
	ended := map[string]int{}
	for round := range uint64(40) {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t)
			rng := rand.New(rand.NewPCG(seed, round))
			rate := 0.05 + 0.8*rng.Float64()
			_, confirmed := r.confirmed()
			r.line.lose = func(int, osc.Message) bool { return rng.Float64() < rate }
			r.line.silent = func(osc.Message) bool { return rng.Float64() < rate/2 }
			state, err := r.Apply(t.Context(), confirmed, listen, keep)
			if err != nil && state == (Idle{}) {
				ended["not begun"]++
				equal(t, "writes", r.line.writes(), 0)
				return
			}
			must(t, err)
			what := fmt.Sprintf("seed %d round %d", seed, round)
			switch s := state.(type) {
			case Kept:
				ended["kept"]++
				r.holds(what, sheet().Settings)
				r.settled(what)
			case RolledBack:
				ended["rolled back"]++
				r.holds(what, asFound())
				r.settled(what)
			case Adrift:
				ended["adrift"]++
				for _, set := range asFound() {
					if !slices.Contains(s.Outputs, set.Output) {
						r.holds(what+", not in doubt", []engine.Setting{set})
					}
				}
				r.line.lose, r.line.silent = nil, nil
				state, found, err := r.Recover(t.Context())
				if _, ok := state.(RolledBack); !ok || !found || err != nil {
					t.Errorf("%s: recovering gave %+v, %t, %v", what, state, found, err)
				}
				r.holds(what+", recovered", asFound())
			default:
				t.Errorf("%s: %T", what, state)
			}
		})
	}
	if ended["kept"] == 0 || ended["rolled back"] == 0 || ended["adrift"] == 0 {
		t.Errorf("seed %d does not show every end: %v", seed, ended)
	}
	t.Logf("seed %d: %v", seed, ended)
}

// TestAStuckParameterRollsBack lets one parameter of one output ignore every
// write.
func TestAStuckParameterRollsBack(t *testing.T) {
	for _, address := range []string{
		"/out/1/gain", "/out/1/polarity", "/out/2/delay", "/out/3/delay", "/out/3/mute", "/out/4/gain", "/out/4/mute",
	} {
		run(t, address, func(t *testing.T) {
			r := newRig(t)
			r.device.stuck = func(a string, _ any) bool { return a == address }
			state := r.apply(t.Context(), keep)
			back, ok := state.(RolledBack)
			if !ok {
				t.Fatalf("%+v", state)
			}
			var output int
			var name string
			fmt.Sscanf(address, "/out/%d/%s", &output, &name)
			if want := fmt.Sprintf("output %d: %s: wanted ", output, name); !strings.Contains(back.Reason, want) || back.To != ToBefore {
				t.Errorf("to %s: %s, want %q in it", back.To, back.Reason, want)
			}
			r.holds("rolled back", asFound())
			r.settled("rolled back")
			equal(t, "readings", len(back.Readings), 16)
			events := r.events()
			equal(t, "journal", events[len(events)-2:], []string{"rolling back", "rolled back"})
		})
	}
}

// TestAdrift lets output 2 take the sheet's gain and then hold on to it.
func TestAdrift(t *testing.T) {
	stuckAtSheet := func(r *rig) Adrift {
		r.t.Helper()
		r.device.stuck = func(a string, v any) bool {
			return a == "/out/2/polarity" || a == "/out/2/gain" && v.(float32) > -7
		}
		state := r.apply(r.t.Context(), keep)
		adrift, ok := state.(Adrift)
		if !ok {
			r.t.Fatalf("%+v", state)
		}
		return adrift
	}
	run(t, "is said and stays", func(t *testing.T) {
		r := newRig(t)
		adrift := stuckAtSheet(r)
		equal(t, "outputs", adrift.Outputs, []int{2})
		for _, want := range []string{
			"on the way to what stood before (output 2: polarity: wanted normal, got reversed)",
			"output 2: gain: wanted -4.8 dB, got -7.8 dB", "an output in doubt was made no louder",
		} {
			if !strings.Contains(adrift.Reason, want) {
				t.Errorf("reason %q\nwants %q in it", adrift.Reason, want)
			}
		}
		if got := r.device.get(2); got.Muted || got.GainDB > -7.7 {
			t.Errorf("an output in doubt was made louder: %+v", got)
		}
		r.holds("the others", []engine.Setting{asFound()[0], asFound()[2], asFound()[3]})
		entries, err := r.store.Journal(1)
		must(t, err)
		if entries[0].Event != "adrift" || entries[0].Detail != adrift.Reason {
			t.Errorf("journal: %+v", entries[0])
		}
		equal(t, "told last", r.states[len(r.states)-1], State(adrift))
		sent := r.line.writes()
		if _, err := r.DryRun(t.Context(), sheet()); !errors.Is(err, ErrAdrift) {
			t.Errorf("dry run while adrift: %v", err)
		}
		r.restart() // still there for the next process
		if state, found, err := r.Recover(t.Context()); !found || err != nil {
			t.Errorf("recover: %+v, %t, %v", state, found, err)
		} else if again, ok := state.(Adrift); !ok || again.Change != adrift.Change || !slices.Equal(again.Outputs, []int{2}) {
			t.Errorf("recover while still stuck: %+v", state)
		}
		if sent == 0 || r.line.writes() == 0 {
			t.Error("nothing was tried")
		}
	})
	run(t, "a restart resolves it", func(t *testing.T) {
		r := newRig(t)
		stuckAtSheet(r)
		r.device.stuck = nil
		r.restart()
		state, found, err := r.Recover(t.Context())
		if back, ok := state.(RolledBack); !ok || !found || err != nil || back.To != ToBefore {
			t.Errorf("%+v, %t, %v", state, found, err)
		}
		r.holds("recovered", asFound())
		r.settled("recovered")
	})
	run(t, "safe resolves it", func(t *testing.T) {
		r := newRig(t)
		adrift := stuckAtSheet(r)
		r.device.stuck = nil
		state, err := r.Safe(t.Context())
		if back, ok := state.(RolledBack); !ok || err != nil || back.To != ToSafe || back.Change != adrift.Change {
			t.Errorf("%+v, %v", state, err)
		}
		r.holds("safe", safe())
		r.settled("safe")
		r.confirmed() // and the next change can begin
	})
}

func TestASilentProcessorIsAdriftInBoundedTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.line.onWrite = func(nth int) {
			if nth == 9 {
				r.line.lose = func(int, osc.Message) bool { return true }
				r.line.silent = func(osc.Message) bool { return true }
			}
		}
		start := time.Now()
		state := r.apply(t.Context(), keep)
		adrift, ok := state.(Adrift)
		if !ok || !slices.Equal(adrift.Outputs, []int{1, 2, 3, 4}) || !strings.Contains(adrift.Reason, "no answer to /out/1/") {
			t.Errorf("%+v", state)
		}
		// A parameter going forward, then, twice as often, gains, mutes and values of
		// all outputs at once going back, and a look, each asked for 4 times 100 ms;
		// and before each look as long as an answer can be late.
		if took, want := time.Since(start), (1+3*2+2)*4*100*time.Millisecond+3*100*time.Millisecond; took > want {
			t.Errorf("took %v, want at most %v", took, want)
		}
	})
}
