package verify

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
)

// A rear microphone that is turned up by so many decibels reads as many more than
// predicted. One turned down would make any null look deeper: it is not proven.
func TestMicrophonesAreAlike(t *testing.T) {
	for seed := range uint64(trials(t, 10)) {
		rng := rand.New(rand.NewPCG(seed, 61))
		rig := designed().usual(rng)
		for _, up := range []float64{-20, -8, -4, 0, 4, 8, 20} {
			captures := listening(rng, quiet).measure(rig)
			for i := range captures {
				if captures[i].Role == engine.RoleRear {
					turned(&captures[i], up)
				}
			}
			c := claim(t, judge(t, captures), "microphones alike")
			// What the crew's 1 dB and 5 cm leave is the same at both, nearly.
			if !(math.Abs(c.Value-up) < 0.3 && c.Low <= c.Value && c.Value <= c.High) {
				t.Errorf("seed %d, %g dB up: %g dB, %g to %g", seed, up, c.Value, c.Low, c.High)
			}
			want := Proven
			if math.Abs(up) > apartToleranceDB {
				want = Refuted
			}
			if c.Outcome != want || (want == Refuted) != strings.Contains(c.Sentence, "match their gains") {
				t.Errorf("seed %d, %g dB up: %s: %s", seed, up, c.Outcome, c.Sentence)
			}
		}
	}
}

// One output that is silent, or heard at one microphone alone, says nothing of the
// microphones.
func TestOneOutputSaysNothingOfTheMicrophones(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 61))
	captures := listening(rng, quiet).measure(designed().usual(rng))
	for i := range captures {
		if captures[i].Solo == 2 && captures[i].Role == engine.RoleRear {
			turned(&captures[i], -60)
		}
	}
	if c := claim(t, judge(t, captures), "microphones alike"); c.Outcome != Proven {
		t.Errorf("%s: %s", c.Outcome, c.Sentence)
	}
}

// turned is a capture after its microphone was turned up.
func turned(c *Capture, db float64) {
	c.Function.H, c.Function.Sigma = slices.Clone(c.Function.H), slices.Clone(c.Function.Sigma)
	for k := range c.Function.H {
		c.Function.H[k] *= complex(engine.Ratio(db), 0)
		c.Function.Sigma[k] *= engine.Ratio(db)
	}
}
