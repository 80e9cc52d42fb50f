package wire

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"hushback/control/processor"
	"hushback/engine"
)

// model is a processor that takes every step, spelled by hand.
type model struct {
	now  map[int]engine.Setting
	mute bool // it has one
}

func modelOf(settings []engine.Setting, mute bool) model {
	m := model{map[int]engine.Setting{}, mute}
	for _, set := range settings {
		m.now[set.Output] = set
	}
	return m
}

func (m model) take(s Step) {
	set := m.now[s.Output]
	switch s.Param {
	case processor.Gain:
		set.GainDB = s.Want.GainDB
	case processor.Delay:
		set.DelaySec = s.Want.DelaySec
	case processor.Polarity:
		set.Polarity = s.Want.Polarity
	case processor.Mute:
		set.Muted = s.Want.Muted
	}
	m.now[s.Output] = set
}

// heard is the level of an output, silence being far below any gain.
func (m model) heard(output int) float64 { return level(m.now[output], m.mute) }

func level(set engine.Setting, mute bool) float64 {
	if mute && set.Muted || !mute && set.GainDB == -60 {
		return math.Inf(-1)
	}
	return set.GainDB
}

func randomState(rng *rand.Rand, mute bool) []engine.Setting {
	var all []engine.Setting
	for output := 1; output <= 4; output++ {
		set := engine.Setting{
			Output: output, DelaySec: float64(rng.IntN(2000)) * 1e-5, Polarity: 1 - 2*rng.IntN(2),
			GainDB: -float64(rng.IntN(120)) / 2, Muted: rng.IntN(3) == 0,
		}
		if !mute && set.Muted {
			set.GainDB = -60
		}
		set.Muted = set.Muted || !mute && set.GainDB == -60
		all = append(all, set)
	}
	return all
}

// TestNoMomentIsLouder holds the order of every way against its rule, step by
// step: from one state to another; back from anywhere in between; and to a
// state from one that nobody knows.
func TestNoMomentIsLouder(t *testing.T) {
	const seed = 11
	rng := rand.New(rand.NewPCG(seed, 0))
	for round := range 600 {
		p := kind()
		mute := round%2 == 0
		if !mute {
			p = muteless()
		}
		p.Ramp.StepDB = []float64{3, 0.7, 0.1, 20}[rng.IntN(4)]
		w := over(t, p, newNet())
		from, to := randomState(rng, mute), randomState(rng, mute)
		what := fmt.Sprintf("seed %d round %d, %+v to %+v", seed, round, from, to)
		m := modelOf(from, mute)
		ceiling := func(output int) float64 {
			return math.Max(level(from[output-1], mute), level(to[output-1], mute))
		}
		forward, err := w.Way(PartSend, to, from)
		must(t, err)
		unknown := false
		least := func(output int) float64 {
			low := math.Min(from[output-1].GainDB, to[output-1].GainDB)
			if unknown {
				low = -60
			}
			if !mute && low == -60 { // silence: the first step of the ramp opens it
				low += math.Max(p.Ramp.StepDB, 0.5)
			}
			return low
		}
		turn := len(forward)
		if round%3 == 0 {
			turn = rng.IntN(len(forward) + 1)
		}
		follow(t, what+" there", m, forward[:turn], p.Ramp.StepDB, ceiling, least)
		if turn == len(forward) {
			holds(t, what, m, to)
		}
		steps, err := w.Way(PartUndo, from, from, to)
		must(t, err)
		if round%5 == 0 {
			unknown = true
			steps, err = w.Way(PartUndo, from)
			must(t, err)
		}
		follow(t, what+" and back", m, steps, p.Ramp.StepDB, ceiling, least)
		holds(t, what, m, from)
		if t.Failed() {
			return
		}
	}
}

func follow(t *testing.T, what string, m model, steps []Step, ramp float64, ceiling, least func(int) float64) {
	t.Helper()
	for _, s := range steps {
		before := m.heard(s.Output)
		m.take(s)
		after := m.heard(s.Output)
		if after > ceiling(s.Output)+1e-9 {
			t.Errorf("%s: after %q output %d is heard at %g dB, above %g dB", what, s.Words, s.Output, after, ceiling(s.Output))
		}
		if math.IsInf(before, -1) && after > least(s.Output)+1e-9 {
			t.Errorf("%s: %q opens at %g dB, above %g dB", what, s.Words, after, least(s.Output))
		}
		if before > -60 && after > before+math.Max(ramp, 0.5)+1e-9 {
			t.Errorf("%s: %q jumps up from %g dB", what, s.Words, before)
		}
		if (s.Param == processor.Delay || s.Param == processor.Polarity) && !math.IsInf(after, -1) {
			t.Errorf("%s: %q while it is heard", what, s.Words)
		}
	}
}

func holds(t *testing.T, what string, m model, want []engine.Setting) {
	t.Helper()
	for _, set := range want {
		got := m.now[set.Output]
		if !m.mute {
			got.Muted = set.Muted // it has no such thing
		}
		if !alike(got, set) {
			t.Errorf("%s: ends at %+v, want %+v", what, got, set)
		}
	}
}

// TestALostMuteIsHeardAtTheLeastGain: with mutes that never arrive, an output is
// heard, until the first gain goes up, at no more than the least of both gains
// once the first phase is through.
func TestALostMuteIsHeardAtTheLeastGain(t *testing.T) {
	const seed = 12
	rng := rand.New(rand.NewPCG(seed, 0))
	w := over(t, kind(), newNet())
	for range 100 {
		from, to := randomState(rng, true), randomState(rng, true)
		m := modelOf(from, true)
		steps, err := w.Way(PartSend, to, from)
		must(t, err)
		for _, s := range steps {
			if s.stage >= raising {
				break
			}
			if s.Param != processor.Mute {
				m.take(s)
			}
			least := math.Min(from[s.Output-1].GainDB, to[s.Output-1].GainDB)
			if got := m.now[s.Output].GainDB; got != least {
				t.Fatalf("seed %d: after %q the gain is %g dB, want %g dB", seed, s.Words, got, least)
			}
		}
	}
}

func TestWhatAWayRefuses(t *testing.T) {
	w := over(t, kind(), newNet())
	for _, set := range []engine.Setting{
		{Output: 1, Polarity: 1, GainDB: 7}, {Output: 1, Polarity: 1, DelaySec: 1},
		{Output: 1}, {Output: 7, Polarity: 1}, {Output: 1, Polarity: 1, GainDB: math.NaN()},
	} {
		if _, err := w.Way(PartSend, []engine.Setting{set}); err == nil {
			t.Errorf("%+v was taken", set)
		}
	}
}

// TestAlone: on a processor without a mute the lowest gain is what mutes, and an
// output is opened by its own gain.
func TestAlone(t *testing.T) {
	after := []engine.Setting{
		{Output: 1, Polarity: 1, GainDB: -3}, {Output: 2, Polarity: 1, GainDB: -60, Muted: true},
		{Output: 3, Polarity: 1, GainDB: -6}, {Output: 4, Polarity: 1, GainDB: -9},
	}
	for name, mute := range map[string]bool{"with a mute": true, "without": false} {
		p := kind()
		if !mute {
			p = muteless()
		}
		steps, err := over(t, p, newNet()).Measure(after, [][]int{{1}, {2}, {3}, {1, 4}, {3, 4, 2}})
		must(t, err)
		m := modelOf(after, mute)
		heard := map[string][]int{"output 1 alone": {1}, "output 3 alone": {3}, "outputs 1 and 4 alone": {1, 4}, "outputs 3, 4 and 2 alone": {3, 4}, Together: nil}
		states := 0
		for i, s := range steps {
			m.take(s)
			if _, known := heard[s.Heard]; !known {
				t.Fatalf("%s: nobody asked for %q", name, s.Heard)
			}
			if i+1 < len(steps) && steps[i+1].Heard == s.Heard {
				continue
			}
			states++
			for _, set := range after {
				want := level(set, mute)
				if opened := heard[s.Heard]; s.Heard != Together && !slices.Contains(opened, set.Output) {
					want = math.Inf(-1)
				}
				if got := m.heard(set.Output); got != want {
					t.Errorf("%s: %s: output %d is heard at %g dB, want %g dB", name, s.Heard, set.Output, got, want)
				}
			}
		}
		if states != len(heard) {
			t.Errorf("%s: %d states of the processor to measure in, want %d", name, states, len(heard))
		}
	}
}
