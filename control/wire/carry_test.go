package wire

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// TestARampKeepsItsPace: each step of a gain waits for the one before.
func TestARampKeepsItsPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNet(engine.Setting{Output: 1, Polarity: 1, GainDB: -10})
		w := over(t, kind(), n)
		steps, err := w.Way(PartSend, []engine.Setting{{Output: 1, Polarity: 1}}, []engine.Setting{n.get(1)})
		must(t, err)
		if _, doubts := w.Carry(t.Context(), steps, GiveUp, nobody); len(doubts) > 0 {
			t.Fatal(doubts)
		}
		want := []string{
			"0s /out/1/gain -10", "0s /out/1/mute 1", "0s /out/1/delay 0", "0s /out/1/polarity 0", "0s /out/1/mute 0",
			"0s /out/1/gain -7", "100ms /out/1/gain -4", "200ms /out/1/gain -1", "300ms /out/1/gain 0",
		}
		if !slices.Equal(n.log, want) {
			t.Errorf("got  %q\nwant %q", n.log, want)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 30*ms)
		defer cancel()
		n.log, n.start = nil, time.Now()
		n.put(engine.Setting{Output: 1, Polarity: 1, GainDB: -10})
		w.Carry(ctx, steps, GiveUp, nobody)
		if last := n.log[len(n.log)-1]; last != "0s /out/1/gain -7" || time.Since(n.start) != 30*ms {
			t.Errorf("a ramp went on after its end: %q, %v", last, time.Since(n.start))
		}
	})
}

// TestPhasesAreBarriers: of two processors, one slow, neither is ever a phase
// ahead of the other.
func TestPhasesAreBarriers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := newNet(), newNet()
		slow := 0
		far.copies = func(string, osc.Message) []time.Duration {
			slow++
			if slow%4 == 0 {
				return nil
			}
			return []time.Duration{7 * ms}
		}
		w, err := New([]Processor{{Name: "near", Profile: kind(), Wire: near}, {Name: "far", Profile: kind(), Wire: far}}, []engine.Output{
			{Number: 1}, {Number: 2, Processor: "far"},
		})
		must(t, err)
		to := []engine.Setting{{Output: 1, Polarity: -1, GainDB: -3}, {Output: 2, Polarity: -1, GainDB: -3}}
		steps, err := w.Way(PartSend, to)
		must(t, err)
		var order []stage
		_, doubts := w.Carry(t.Context(), steps, GoOn, func(sent int, _ []Reading) {
			at := steps[sent-1].stage
			if len(order) == 0 || order[len(order)-1] != at {
				order = append(order, at)
				// Everything of earlier stages has arrived on both.
				for _, output := range []int{1, 2} {
					got := map[int]*net{1: near, 2: far}[output].get(output)
					if at > setting && got.Polarity != -1 || at == setting && !got.Muted {
						t.Errorf("at stage %d output %d holds %+v", at, output, got)
					}
					if at > raising && got.GainDB < steps[sent-1].Want.GainDB-3.01 {
						t.Errorf("at stage %d output %d is at %g dB, more than a step behind %g dB", at, output, got.GainDB, steps[sent-1].Want.GainDB)
					}
				}
			}
		})
		if len(doubts) > 0 || !slices.IsSorted(order) || len(order) < 10 {
			t.Errorf("%v, %v", doubts, order)
		}
	})
}

// TestInForce: a limiter that holds a gain down fails the way there, with words,
// and is only told on the way back.
func TestInForce(t *testing.T) {
	limited := func() processor.Profile {
		p := kind()
		now := readBack("/now/{output}/gain")
		p.Parameters[processor.Gain].InForce = &now
		return p
	}
	synctest.Test(t, func(t *testing.T) {
		n := newNet(engine.Setting{Output: 3, Polarity: 1, GainDB: -20})
		n.answer = func(m osc.Message) (osc.Message, bool) {
			stored, _ := n.values[strings.Replace(m.Address, "/now/", "/out/", 1)].(float64)
			return osc.Message{Address: m.Address, Args: []any{min(stored, -10.0)}}, strings.HasPrefix(m.Address, "/now/")
		}
		w := over(t, limited(), n)
		to := []engine.Setting{{Output: 3, Polarity: 1, GainDB: -3}}
		steps, err := w.Way(PartSend, to, []engine.Setting{n.get(3)})
		must(t, err)
		readings, doubts := w.Carry(t.Context(), steps, GiveUp, nobody)
		if err := doubts[3]; err == nil || err.Error() != "output 3: gain: stored -8.0 dB, in force -10.0 dB: something limits it" {
			t.Errorf("%v", doubts)
		}
		var told []string
		for _, r := range readings {
			if r.Param == processor.Gain {
				told = append(told, fmt.Sprintf("%t %s %s %t", r.InForce, r.Wanted, r.Got, r.Same))
			}
		}
		if want := []string{"false -8.0 dB -8.0 dB true", "true -8.0 dB -10.0 dB false"}; !slices.Equal(told, want) {
			t.Errorf("told %q, want %q", told, want)
		}
		if got := n.get(3).GainDB; got != -8 {
			t.Errorf("it went on to %g dB", got)
		}
		readings, doubts = w.Carry(t.Context(), steps, GoOn, nobody)
		if len(doubts) > 0 || n.get(3).GainDB != -3 || len(readings) != 5 || readings[3].Got != "-10.0 dB" {
			t.Errorf("on the way back: %v, %+v", doubts, readings)
		}
		if seen := w.Look(t.Context(), []int{3}); seen[0].Limited != "output 3: gain: stored -3.0 dB, in force -10.0 dB: something limits it" || seen[0].Err != nil || seen[0].Setting.GainDB != -3 {
			t.Errorf("a look: %+v", seen)
		}
	})
}

// TestBlind: what cannot be read back is sent several times and never called the
// same.
func TestBlind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNet()
		p := kind()
		p.Blind = true
		for i := range p.Parameters {
			p.Parameters[i].ReadBack = processor.ReadBack{}
		}
		lost := map[string]bool{}
		n.copies = func(_ string, m osc.Message) []time.Duration { // the first of each is lost
			if !lost[m.String()] {
				lost[m.String()] = true
				return nil
			}
			return []time.Duration{0}
		}
		w := over(t, p, n)
		if fmt.Sprint(w.Blind(), w.Readable()) != "[1 2 3 4] []" {
			t.Errorf("%v blind, %v readable", w.Blind(), w.Readable())
		}
		to := []engine.Setting{{Output: 2, Polarity: -1, GainDB: -50, DelaySec: 0.003}}
		steps, err := w.Way(PartSend, to)
		must(t, err)
		for _, with := range []Resolve{GiveUp, GoOn} {
			readings, doubts := w.Carry(t.Context(), steps, with, nobody)
			if len(doubts) > 0 || len(readings) != 4 {
				t.Errorf("%v, %+v", doubts, readings)
			}
			for _, r := range readings {
				if r.Same || !r.Blind || r.Got != "sent, cannot be read back" {
					t.Errorf("%+v", r)
				}
			}
			if got := n.get(2); !alike(got, to[0]) {
				t.Errorf("%+v", got)
			}
		}
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		if _, doubts := w.Carry(ended, steps, GiveUp, nobody); !errors.Is(doubts[2], context.Canceled) {
			t.Errorf("%v", doubts)
		}
	})
	t.Run("a link that is down", func(t *testing.T) {
		p := kind()
		p.Blind = true
		for i := range p.Parameters {
			p.Parameters[i].ReadBack = processor.ReadBack{}
		}
		w, err := New([]Processor{{Profile: p, Wire: down{}}}, []engine.Output{{Number: 1}})
		must(t, err)
		steps, err := w.Way(PartSend, []engine.Setting{{Output: 1, Polarity: 1, GainDB: -60}})
		must(t, err)
		readings, doubts := w.Carry(t.Context(), steps, GiveUp, nobody)
		if err := doubts[1]; err == nil || !strings.Contains(err.Error(), "output 1: gain: wanted -60.0 dB: no cable") || readings[0].Got != "not sent" {
			t.Errorf("%v %+v", doubts, readings)
		}
	})
}

// down is a way that nothing goes.
type down struct{}

var errCable = errors.New("no cable")

func (down) Send(context.Context, osc.Message) error      { return errCable }
func (down) SendAll(context.Context, []osc.Message) error { return errCable }
func (down) Ask(context.Context, osc.Message, func(osc.Message) bool) (osc.Message, error) {
	return osc.Message{}, errCable
}

// TestNothingIsRaisedOnAnOldAnswer: a mute of the way back is lost, and an answer
// that the way there left behind says it was taken. The output must not be
// brought up behind a mute that is not there.
func TestNothingIsRaisedOnAnOldAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		before := engine.Setting{Output: 1, Polarity: 1, GainDB: 0, Muted: true}
		after := engine.Setting{Output: 1, Polarity: 1, GainDB: -20}
		n := newNet(before)
		w := over(t, kind(), n)
		time.Sleep(time.Second)
		there1, err := w.Way(PartSend, []engine.Setting{after}, []engine.Setting{before})
		must(t, err)
		n.copies = func(way string, m osc.Message) []time.Duration {
			if way == back && m.Address == "/out/1/mute" && m.Args[0] == any(int32(1)) {
				return []time.Duration{0, 30 * ms} // "muted" twice, the second late
			}
			return []time.Duration{0}
		}
		if _, doubts := w.Carry(t.Context(), there1, GiveUp, nobody); len(doubts) > 0 {
			t.Fatal(doubts)
		}
		n.copies = func(way string, m osc.Message) []time.Duration {
			switch {
			case way == there && m.Address == "/out/1/mute" && len(m.Args) == 1 && m.Args[0] == any(int32(1)):
				return nil
			case way == back && m.Address == "/out/1/mute":
				return []time.Duration{70 * ms}
			}
			return []time.Duration{0}
		}
		undo, err := w.Way(PartUndo, []engine.Setting{before}, []engine.Setting{before}, []engine.Setting{after})
		must(t, err)
		readings, doubts := w.Carry(t.Context(), undo, GoOn, nobody)
		if got := n.get(1); !got.Muted && got.GainDB > -20 {
			t.Errorf("heard at %g dB, louder than before (silent) and after (-20 dB): %+v", got.GainDB, readings)
		}
		if doubts[1] == nil {
			t.Error("nothing is in doubt")
		}
		fooled := slices.ContainsFunc(readings, func(r Reading) bool { return r.Param == processor.Mute && r.Same })
		if !fooled {
			t.Errorf("the old answer did not pass for the new one, so this shows nothing: %+v", readings)
		}
		time.Sleep(time.Second)
	})
}

// TestWhatIsACourtesyOnTheWayBack: a parameter that does not move matters only
// if it has to.
func TestWhatIsACourtesyOnTheWayBack(t *testing.T) {
	before := engine.Setting{Output: 1, Polarity: 1, GainDB: -3}
	after := engine.Setting{Output: 1, Polarity: -1, GainDB: -9}
	cases := map[string]struct {
		stuck string
		holds engine.Setting // what the device is stuck in
		doubt string         // "" for none
		whole bool           // it ends where it should all the same
	}{
		"a gain that never went down":    {"gain", engine.Setting{Output: 1, Polarity: -1, GainDB: -3}, "output 1: gain: wanted -6.0 dB, got -3.0 dB", true},
		"a mute that never came":         {"mute", after, "", true},
		"a polarity that does not move":  {"polarity", after, "output 1: polarity: wanted normal, got reversed", false},
		"a gain that does not come back": {"gain", after, "output 1: gain: wanted -6.0 dB, got -9.0 dB", false},
		"a gain above where it ends":     {"gain", engine.Setting{Output: 1, Polarity: -1, GainDB: 0}, "output 1: gain was -9.0 dB and is 0.0 dB", false},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				n := newNet(c.holds)
				n.copies = func(way string, m osc.Message) []time.Duration {
					if way == there && len(m.Args) == 1 && m.Address == "/out/1/"+c.stuck {
						return nil
					}
					return []time.Duration{0}
				}
				w := over(t, kind(), n)
				undo, err := w.Way(PartUndo, []engine.Setting{before}, []engine.Setting{before}, []engine.Setting{after})
				must(t, err)
				_, doubts := w.Carry(t.Context(), undo, GoOn, nobody)
				if err := doubts[1]; (err == nil) != (c.doubt == "") || err != nil && err.Error() != c.doubt {
					t.Errorf("in doubt: %v, want %q", doubts, c.doubt)
				}
				if got := n.get(1); alike(got, before) != c.whole {
					t.Errorf("ends at %+v", got)
				}
				if got := n.get(1); c.stuck == "polarity" && (!got.Muted || got.GainDB != -9) {
					t.Errorf("an output in doubt was opened or raised: %+v", got)
				}
			})
		})
	}
}

// TestOldAnswersAreLetPass: more old answers come, all at once, than a value may
// be tried.
func TestOldAnswersAreLetPass(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNet(randomGains(-60)...)
		w := over(t, kind(), n)
		to := []engine.Setting{{Output: 1, Polarity: 1, GainDB: -50}}
		steps, err := w.Way(PartSend, to, to)
		must(t, err)
		old := osc.Message{Address: "/out/1/gain", Args: []any{-60.0}}
		for range 20 {
			for after := range 10 {
				time.AfterFunc(time.Duration(1+after)*ms, func() { n.deliver(old) })
			}
		}
		n.copies = func(way string, _ osc.Message) []time.Duration { return []time.Duration{12 * ms} }
		if _, doubts := w.Carry(t.Context(), steps, GiveUp, nobody); len(doubts) > 0 {
			t.Error(doubts)
		}
	})
}

// TestTheFirstFailureEndsThePhase: the others are not waited for.
func TestTheFirstFailureEndsThePhase(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNet()
		n.copies = func(way string, m osc.Message) []time.Duration {
			if way == back && m.Address == "/out/2/gain" {
				return nil
			}
			if way == back {
				return []time.Duration{40 * ms}
			}
			return []time.Duration{0}
		}
		w := over(t, kind(), n)
		to := randomGains(-60)
		steps, err := w.Way(PartSend, to, to)
		must(t, err)
		start := time.Now()
		_, doubts := w.Carry(t.Context(), steps, GiveUp, nobody)
		if len(doubts) != 1 || doubts[2] == nil || time.Since(start) != 150*ms {
			t.Errorf("%v after %v", doubts, time.Since(start))
		}
		if want := w.Writes(); want != 4+2 { // the gains, and output 2's twice more
			t.Errorf("%d writes", want)
		}
		start, n.log = time.Now(), nil
		_, doubts = w.Carry(t.Context(), steps, GoOn, nobody)
		if len(doubts) != 1 || doubts[2] == nil {
			t.Errorf("%v", doubts)
		}
		tried := 0
		for _, line := range n.log {
			if strings.Contains(line, "/out/2/gain") {
				tried++
			}
		}
		if tried != 2*3 {
			t.Errorf("on the way back output 2's gain was sent %d times, want twice as often as 3", tried)
		}
		if longest := w.Longest(steps); time.Since(start) > longest {
			t.Errorf("took %v, more than %v", time.Since(start), longest)
		}
	})
}

func randomGains(gain float64) []engine.Setting {
	var all []engine.Setting
	for output := 1; output <= 4; output++ {
		all = append(all, engine.Setting{Output: output, Polarity: 1, GainDB: gain})
	}
	return all
}
