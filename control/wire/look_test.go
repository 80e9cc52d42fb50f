package wire

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

const ms = time.Millisecond

// TestALateAnswerDeceivesAReadAndNoLook holds an answer back until after a
// change, while the same question is asked again.
func TestALateAnswerDeceivesAReadAndNoLook(t *testing.T) {
	deceived := func(ask func(context.Context, *Wire) (engine.Setting, error)) (engine.Setting, time.Duration) {
		var got engine.Setting
		var took time.Duration
		synctest.Test(t, func(t *testing.T) {
			n := newNet(engine.Setting{Output: 1, Polarity: 1, GainDB: -20})
			w := over(t, kind(), n)
			time.Sleep(time.Second)
			first := true
			n.copies = func(way string, m osc.Message) []time.Duration {
				if way == back && m.Address == "/out/1/gain" && first {
					first = false
					return []time.Duration{80 * ms, 110 * ms} // late, and once more
				}
				return []time.Duration{5 * ms}
			}
			ctx, cancel := context.WithTimeout(t.Context(), 70*ms)
			defer cancel()
			w.see(ctx, []int{1}, reading, func(error) {})
			n.put(engine.Setting{Output: 1, Polarity: 1, GainDB: -3}) // somebody's hand
			start := time.Now()
			time.Sleep(8 * ms)
			n.mu.Lock()
			n.copies = func(way string, m osc.Message) []time.Duration { return []time.Duration{20 * ms} }
			n.mu.Unlock()
			var err error
			got, err = ask(t.Context(), w)
			must(t, err)
			took = time.Since(start)
			time.Sleep(time.Second)
		})
		return got, took
	}
	got, _ := deceived(func(ctx context.Context, w *Wire) (engine.Setting, error) {
		all, err := w.Read(ctx)
		if err != nil {
			return engine.Setting{}, err
		}
		return all[0], nil
	})
	if got.GainDB != -20 {
		t.Errorf("the late answer did not pass for another, so this test shows nothing: %+v", got)
	}
	got, took := deceived(func(ctx context.Context, w *Wire) (engine.Setting, error) {
		seen := w.Look(ctx, []int{1})
		return seen[0].Setting, seen[0].Err
	})
	if got.GainDB != -3 {
		t.Errorf("a look was deceived: %+v after %v", got, took)
	}
}

// TestLooksAreTrue lets reads, writes and hands go over a line that loses,
// doubles, delays and reorders at random, and holds what every look says against
// the device.
func TestLooksAreTrue(t *testing.T) {
	const seed = 21
	answered, lied := 0, 0
	for round := range uint64(100) {
		synctest.Test(t, func(t *testing.T) {
			rng, weather := rand.New(rand.NewPCG(seed, round)), rand.New(rand.NewPCG(round, seed))
			n := newNet()
			p := kind()
			if round%3 == 0 {
				p = sequenced()
			}
			w := over(t, p, n)
			n.copies = func(string, osc.Message) []time.Duration {
				var when []time.Duration
				for weather.Float64() < 0.75 && len(when) < 3 {
					when = append(when, time.Duration(1+weather.IntN(59))*ms) // there and back it is never Late
				}
				return when
			}
			for range 6 {
				for range 1 + rng.IntN(3) {
					state := randomState(rng, true)
					if rng.IntN(2) == 0 {
						n.put(state[rng.IntN(4)])
					}
					ctx, cancel := context.WithTimeout(t.Context(), time.Duration(1+rng.IntN(400))*ms)
					steps, err := w.Way(PartSend, state)
					must(t, err)
					w.Carry(ctx, steps[rng.IntN(len(steps)):], Resolve(rng.IntN(2)), nobody)
					if read, err := w.Read(ctx); err == nil {
						for _, set := range read {
							if !alike(set, n.get(set.Output)) {
								lied++
							}
						}
					}
					cancel()
				}
				for _, seen := range w.Look(t.Context(), []int{1, 2, 3, 4}) {
					if seen.Err != nil {
						continue
					}
					answered++
					if got := n.get(seen.Setting.Output); !alike(got, seen.Setting) {
						t.Errorf("seed %d round %d: a look says %+v, the device holds %+v", seed, round, seen.Setting, got)
					}
				}
			}
			time.Sleep(time.Second)
		})
	}
	if answered < 400 || lied == 0 {
		t.Errorf("%d looks were answered and %d reads were deceived: this shows nothing", answered, lied)
	}
	t.Logf("seed %d: %d looks, all true; %d reads were deceived", seed, answered, lied)
}

// TestHowLongALookWaits: as long as something of ours can be under way.
func TestHowLongALookWaits(t *testing.T) {
	cases := map[string]struct {
		profile processor.Profile
		before  func(t *testing.T, w *Wire)
		want    time.Duration
	}{
		"after the start":                {kind(), func(*testing.T, *Wire) {}, 120 * ms},
		"after a read":                   {kind(), rested(func(t *testing.T, w *Wire) { w.Read(t.Context()) }), 120 * ms},
		"a while after a read":           {kind(), rested(func(t *testing.T, w *Wire) { w.Read(t.Context()); time.Sleep(50 * ms) }), 70 * ms},
		"long after":                     {kind(), rested(func(*testing.T, *Wire) {}), 0},
		"after a numbered read":          {sequenced(), rested(func(t *testing.T, w *Wire) { w.Read(t.Context()) }), 0},
		"after a write":                  {sequenced(), rested(wrote(1)), 120 * ms},
		"after a write to output 2 only": {kind(), rested(wrote(2)), 0},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := over(t, c.profile, newNet())
				c.before(t, w)
				start := time.Now()
				if seen := w.Look(t.Context(), []int{1}); seen[0].Err != nil {
					t.Error(seen[0].Err)
				}
				if got := time.Since(start); got != c.want {
					t.Errorf("waited %v, want %v", got, c.want)
				}
			})
		})
	}
	t.Run("no longer than its context", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			w := over(t, kind(), newNet())
			ctx, cancel := context.WithTimeout(t.Context(), 10*ms)
			defer cancel()
			start := time.Now()
			if seen := w.Look(ctx, []int{1}); seen[0].Err == nil || time.Since(start) != 10*ms {
				t.Errorf("%+v after %v", seen, time.Since(start))
			}
		})
	})
}

func rested(act func(*testing.T, *Wire)) func(*testing.T, *Wire) {
	return func(t *testing.T, w *Wire) { time.Sleep(time.Second); act(t, w) }
}

func wrote(output int) func(*testing.T, *Wire) {
	return func(t *testing.T, w *Wire) {
		steps, err := w.Way(PartSend, []engine.Setting{{Output: output, Polarity: 1, GainDB: -60}})
		must(t, err)
		for _, s := range steps[:1] {
			must(t, w.seats[output].write(t.Context(), s))
		}
	}
}

// TestManyAtOnce: questions go out together, but never more than the processor's
// pace lets leave in time.
func TestManyAtOnce(t *testing.T) {
	for gap, want := range map[time.Duration]int{0: 16, 2 * ms: 12, 5 * ms: 5, 40 * ms: 1} {
		synctest.Test(t, func(t *testing.T) {
			n := newNet()
			n.copies = func(way string, _ osc.Message) []time.Duration { return []time.Duration{ms} }
			p := kind()
			p.Gap = gap
			_, err := over(t, p, n).Read(t.Context())
			must(t, err)
			if n.most != want {
				t.Errorf("gap %v: %d questions at once, want %d", gap, n.most, want)
			}
		})
	}
}

// TestADeadProcessorIsGivenUpSoon: not each of its values is waited for.
func TestADeadProcessorIsGivenUpSoon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNet()
		n.copies = func(string, osc.Message) []time.Duration { return nil }
		w := over(t, kind(), n)
		start := time.Now()
		_, err := w.Read(t.Context())
		if err == nil || !strings.Contains(err.Error(), "cannot be read: no answer to /out/") || !strings.Contains(err.Error(), "asked 3 times") || strings.Count(err.Error(), "cannot be read") != 1 {
			t.Errorf("%v", err)
		}
		if took := time.Since(start); took != 150*ms {
			t.Errorf("took %v", took)
		}
	})
}

// TestARefusalEndsAQuestion tells the processor's words, at once.
func TestARefusalEndsAQuestion(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNet()
		p := kind()
		p.Refusal = &processor.Reply{Address: "/no", Args: []processor.Arg{{Kind: processor.ArgCommand}, {Kind: processor.ArgAny}}}
		n.answer = func(m osc.Message) (osc.Message, bool) {
			return osc.Message{Address: "/no", Args: []any{m.Address, "channel is locked"}}, m.Address == "/out/2/gain"
		}
		w := over(t, p, n)
		time.Sleep(time.Second)
		start := time.Now()
		if _, err := w.Read(t.Context()); err == nil || err.Error() != "output 2: gain cannot be read: the processor refused: channel is locked" {
			t.Errorf("%v", err)
		}
		to := []engine.Setting{{Output: 2, Polarity: 1, GainDB: -10}}
		steps, err := w.Way(PartSend, to, to)
		must(t, err)
		readings, doubts := w.Carry(t.Context(), steps, GiveUp, nobody)
		if err := doubts[2]; err == nil || err.Error() != "output 2: gain: wanted -10.0 dB: the processor refused: channel is locked" {
			t.Errorf("%v", doubts)
		}
		if len(readings) != 1 || readings[0].Got != "refused" || readings[0].Same {
			t.Errorf("%+v", readings)
		}
		if took := time.Since(start); took != 0 {
			t.Errorf("took %v", took)
		}
	})
}

func TestLabels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNet()
		p := kind()
		if _, has, err := over(t, p, n).Label(t.Context(), 1); has || err != nil {
			t.Errorf("a label of a processor that has none: %v", err)
		}
		label := readBack("/out/{output}/label")
		p.Label = &label
		n.values["/out/1/label"], n.values["/out/2/label"] = "front", int32(3)
		w := over(t, p, n)
		if text, has, err := w.Label(t.Context(), 1); text != "front" || !has || err != nil {
			t.Errorf("%q, %t, %v", text, has, err)
		}
		if _, _, err := w.Label(t.Context(), 2); err == nil || !strings.Contains(err.Error(), "output 2: its label cannot be read: ") {
			t.Errorf("%v", err)
		}
	})
}

// TestFoundByNumber: outputs of two processors, by name and channel.
func TestFoundByNumber(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := newNet(), newNet()
		w, err := New([]Processor{{Name: "near", Profile: kind(), Wire: near}, {Name: "far", Profile: muteless(), Wire: far}}, []engine.Output{
			{Number: 3}, {Number: 11, Processor: "far", Channel: 1}, {Number: 12, Processor: "far", Channel: 3}, {Number: 13, Processor: "near", Channel: 1},
		})
		must(t, err)
		near.put(engine.Setting{Output: 3, Polarity: -1, GainDB: -3})
		far.put(engine.Setting{Output: 1, Polarity: 1, GainDB: -11})
		far.put(engine.Setting{Output: 3, Polarity: 1, GainDB: -60})
		near.put(engine.Setting{Output: 1, Polarity: 1, GainDB: -1, Muted: true})
		got, err := w.Read(t.Context())
		must(t, err)
		want := []engine.Setting{
			{Output: 3, Polarity: -1, GainDB: -3}, {Output: 11, Polarity: 1, GainDB: -11},
			{Output: 12, Polarity: 1, GainDB: -60, Muted: true}, {Output: 13, Polarity: 1, GainDB: -1, Muted: true},
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("read %+v\nwant %+v", got, want)
		}
		to := []engine.Setting{{Output: 12, Polarity: -1, GainDB: -4, DelaySec: 0.01}}
		steps, err := w.Way(PartSend, to, got)
		must(t, err)
		if _, doubts := w.Carry(t.Context(), steps, GiveUp, nobody); len(doubts) > 0 {
			t.Error(doubts)
		}
		if got := far.get(3); got.GainDB != -4 || got.Polarity != -1 {
			t.Errorf("output 12 is channel 3 of the far one, which holds %+v", got)
		}
		if len(near.log) > 0 {
			t.Errorf("the near one was written to: %v", near.log)
		}
		if _, err := w.message(processor.Gain, engine.Setting{Output: 12, GainDB: 9}); err == nil || !strings.Contains(err.Error(), "output 12 of the site, on processor far: ") {
			t.Errorf("%v", err)
		}
	})
}
