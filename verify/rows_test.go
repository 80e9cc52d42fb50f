package verify

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
)

// withRows is the site with its sources, so that it has a rear and a front row.
func withRows() engine.Site {
	s := site()
	for i := range s.Outputs {
		row := engine.RowFront
		if i == 0 {
			row = engine.RowRear
		}
		s.Sources = append(s.Sources, engine.Source{Name: fmt.Sprint("box ", i+1), Row: row, Output: i + 1})
	}
	return s
}

// foreseen is the prediction with its summary, as engine/field makes it.
func foreseen() engine.Prediction {
	p := prediction()
	p.Summary.AtTargetDB = 20 * math.Log10(cmplx.Abs(designed().all(rearMicrophone, targetHz)/designed().all(frontMicrophone, targetHz)))
	return p
}

// rows measures everything and each row alone, no output by itself.
func (b bench) rows(r rig) []Capture {
	var captures []Capture
	for _, mic := range []struct {
		role engine.Role
		at   [3]float64
	}{{engine.RoleFront, frontMicrophone}, {engine.RoleRear, rearMicrophone}} {
		captures = append(captures, b.capture(curve(r, mic.at, 0, 1, 2, 3), "one", mic.role, Everything, b.averages))
		for row, open := range map[engine.Row][]int{engine.RowRear: {0}, engine.RowFront: {1, 2, 3}} {
			c := b.capture(curve(r, mic.at, open...), "one", mic.role, Everything, b.averages)
			c.Row = row
			captures = append(captures, c)
		}
	}
	return captures
}

func judged(t *testing.T, captures []Capture) Verdict {
	t.Helper()
	v, err := Judge(withRows(), foreseen(), captures)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Rows alone prove a healthy rig, and refute one whose rear row is out of order,
// with the claim that names it.
func TestRowsAreEnough(t *testing.T) {
	for seed := range uint64(trials(t, 20)) {
		rng := rand.New(rand.NewPCG(seed, 21))
		v := judged(t, listening(rng, quiet).rows(designed().usual(rng)))
		if v.Outcome != Proven || len(v.Claims) != 12 {
			t.Fatalf("seed %d: %s with %d claims: %q", seed, v.Outcome, len(v.Claims), v.Reasons)
		}
		for _, c := range v.Claims {
			if c.Margin < 0 || c.Decide != "" || len(c.Evidence) == 0 || c.Likely[0] < c.Low-1e-9 || c.Likely[1] > c.High+1e-9 {
				t.Errorf("seed %d: %s: margin %g, %q, evidence %q, %v in %g to %g", seed, c.Name, c.Margin, c.Decide, c.Evidence, c.Likely, c.Low, c.High)
			}
		}
	}
	for name, put := range map[string]func(*box){
		"level match behind":   func(b *box) { b.gainDB -= 2.5 },
		"phase match in front": func(b *box) { b.delaySec += 0.0045 },
		"rear row in time":     func(b *box) { b.polarity = -1 },
	} {
		for seed := range uint64(trials(t, 3)) {
			rng := rand.New(rand.NewPCG(seed, 22))
			r := designed().usual(rng)
			put(&r.boxes[0])
			v := judged(t, listening(rng, quiet).rows(r))
			if c := claim(t, v, name); v.Outcome != Refuted || c.Outcome != Refuted || c.Margin >= 0 {
				t.Errorf("%s, seed %d: %s, the claim %s with a margin of %g", name, seed, v.Outcome, c.Outcome, c.Margin)
			}
		}
	}
}

// Outputs tell more than rows, so where both are there the outputs are judged; a
// series of outputs that was cut short leaves the rows.
func TestOutputsBeforeRows(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 23))
	r := designed().usual(rng)
	b := listening(rng, quiet)
	both := slices.Concat(b.measure(r), slices.DeleteFunc(b.rows(r), func(c Capture) bool { return c.Row == "" }))
	v := judged(t, both)
	claim(t, v, "output 4 heard")
	if slices.ContainsFunc(v.Claims, func(c Claim) bool { return c.Name == "rear row heard" }) {
		t.Error("rows are judged beside their outputs")
	}
	cut := slices.DeleteFunc(slices.Clone(both), func(c Capture) bool { return c.Solo == 3 })
	claim(t, judged(t, cut), "rear row heard")
	none := slices.DeleteFunc(slices.Clone(cut), func(c Capture) bool { return c.Row == engine.RowRear })
	if v := judged(t, none); !strings.Contains(v.Reasons[0], "output 3 (centre front) alone at the front microphone") {
		t.Errorf("missing: %q", v.Reasons)
	}
	only := slices.DeleteFunc(b.rows(r), func(c Capture) bool { return c.Row == engine.RowRear && c.Role == engine.RoleRear })
	if v := judged(t, only); v.Reasons[0] != "not measured: the rear row alone at the rear microphone" {
		t.Errorf("missing: %q", v.Reasons)
	}
	twice := append(b.rows(r), b.rows(r)[1])
	if _, err := Judge(withRows(), foreseen(), twice); err == nil || !strings.Contains(err.Error(), "row alone at the front microphone: it is there twice") {
		t.Error(err)
	}
	odd := b.rows(r)
	odd[1].Row = "side"
	if _, err := Judge(withRows(), foreseen(), odd); err == nil || !strings.Contains(err.Error(), "no such row") {
		t.Error(err)
	}
}

// The limits between the rows are the published relations: two signals at an angle
// (sum_equal_signals_vs_phase.csv) and two unequal ones in opposition
// (sum_cancellation_depth.csv), here in closed form for the design's own levels.
func TestLimitsBetweenRows(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 24))
	v := judged(t, listening(rng, 120).rows(designed()))
	level, phase := claim(t, v, "level match behind"), claim(t, v, "phase match in front")
	d := designed()
	const line = 46.0 // or 48: both are 1 Hz from the target
	b, f := cmplx.Abs(d.hears(rearMicrophone, line, 0)), cmplx.Abs(d.all(frontMicrophone, line))
	if want := 20 * math.Log10(1+math.Pow(10, -24./20)*f/b); math.Abs(level.Limit-want) > 0.02 {
		t.Errorf("level limit %.3f dB, want %.3f", level.Limit, want)
	}
	// Turn the rear row by the limit: the sum falls short by what is allowed at one
	// frequency and by less at all others.
	for _, turn := range []float64{phase.Limit, -phase.Limit} {
		worst := 0.0
		for hz := 32.0; hz <= 68; hz += 2 {
			rear, front := d.hears(frontMicrophone, hz, 0), d.hears(frontMicrophone, hz, 1, 2, 3)
			sum := front + rear*cmplx.Rect(1, turn*math.Pi/180)
			worst = math.Max(worst, 20*math.Log10((cmplx.Abs(front)+cmplx.Abs(rear))/cmplx.Abs(sum)))
		}
		if worst > 1.5+1e-6 || worst < 1.3 {
			t.Errorf("turned by %.1f° the sum falls %.3f dB short, want up to 1.5", turn, worst)
		}
	}
	if math.Abs(level.Value) > 0.01 || math.Abs(phase.Value) > 0.1 {
		t.Errorf("the design itself is off by %.3f dB and %.3f°", level.Value, phase.Value)
	}
}

// A plain pair promises no null, so nothing is asked of its rows behind.
func TestRowsThatAreNotToMatch(t *testing.T) {
	p := foreseen()
	p.Summary.AtTargetDB = -5
	v, err := Judge(withRows(), p, listening(rand.New(rand.NewPCG(3, 25)), quiet).rows(designed()))
	if err != nil || slices.ContainsFunc(v.Claims, func(c Claim) bool { return c.Name == "level match behind" }) {
		t.Errorf("%v, %+v", err, v.Claims)
	}
}

// What plays only with everything open, or less of it, is not the sum of the
// parts: a limiter, or somebody else's sound. Noise alone never refutes it.
func TestWholeEqualsParts(t *testing.T) {
	for seed := range uint64(trials(t, 10)) {
		rng := rand.New(rand.NewPCG(seed, 26))
		for _, signalDB := range []float64{quiet, 40, 20, 12} {
			captures := listening(rng, signalDB).measure(designed().usual(rng))
			v := judged(t, captures)
			for _, c := range v.Claims {
				if c.Name == "whole equals parts" && (c.Outcome == Refuted || signalDB >= 40 && c.Outcome != Proven) {
					t.Errorf("seed %d, signal %g dB: %s: %s", seed, signalDB, c.Outcome, c.Sentence)
				}
			}
		}
		captures := listening(rng, quiet).measure(designed().usual(rng))
		for i, c := range captures {
			if c.Solo == Everything { // 1.5 dB of limiting
				captures[i].Function.H = slices.Clone(c.Function.H)
				for k := range c.Function.H {
					captures[i].Function.H[k] *= complex(math.Pow(10, -1.5/20), 0)
				}
			}
		}
		if c := claim(t, judged(t, captures), "whole equals parts"); c.Outcome != Refuted || !strings.Contains(c.Sentence, "a limiter acts") {
			t.Errorf("seed %d: limited by 1.5 dB: %s: %s", seed, c.Outcome, c.Sentence)
		}
	}
}

// What is said to decide a claim does: with so many more averages the same rig is
// proven.
func TestWhatWouldDecideDoes(t *testing.T) {
	decided, tried := 0, 0
	for seed := range uint64(trials(t, 80)) {
		rng := rand.New(rand.NewPCG(seed, 27))
		r := designed().usual(rng)
		b := listening(rng, 21)
		v := judged(t, b.rows(r))
		c := claim(t, v, NullDepth)
		if c.Outcome != Undecided {
			continue
		}
		var more int
		if n, err := fmt.Sscanf(c.Decide, "%d more averages, or", &more); n != 1 || err != nil {
			continue // too near its limit
		}
		tried++
		b.averages += more
		if claim(t, judged(t, b.rows(r)), NullDepth).Outcome == Proven {
			decided++
		}
	}
	t.Logf("%d of %d decided", decided, tried)
	if tried < 12 || decided < tried*8/10 {
		t.Errorf("%d of %d claims were decided by what was said to decide them", decided, tried)
	}
}
