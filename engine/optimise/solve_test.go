package optimise

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"hushback/engine/optimise/forms"
)

func best(t testing.TB, p Problem) Result {
	t.Helper()
	r, err := Solve(context.Background(), p, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !r.Complete {
		t.Error("nobody cut it short, and it says it is not complete")
	}
	kept(t, p, r)
	return r
}

// kept holds a result to all that it promises.
func kept(t testing.TB, p Problem, r Result) {
	t.Helper()
	again, err := Measure(p, r.Settings)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(again.Aim-r.Aim) > 1e-9 {
		t.Errorf("predicted %.9f dB, its settings do %.9f dB", r.Aim, again.Aim)
	}
	if r.Aim > r.Bound+1e-6 {
		t.Errorf("%.6f dB beats the bound of %.6f dB", r.Aim, r.Bound)
	}
	early := math.Inf(1)
	for i, s := range r.Settings {
		out := p.Outputs[i]
		early = math.Min(early, s.DelaySec-out.DelaySec.Min)
		if s.Polarity != 1 && s.Polarity != -1 || !onGrid(out.DelaySec, s.DelaySec) || !onGrid(out.GainDB, s.GainDB) {
			t.Errorf("output %d cannot be set to %+v", i, s)
		}
	}
	if early > 1e-12 {
		t.Errorf("all outputs wait for %g s", early)
	}
	for f := range p.FreqHz {
		if !p.Worst && r.RatioDB[f] > r.BoundDB[f]+1e-6 {
			t.Errorf("%g Hz: %.6f dB beats the bound of %.6f dB", p.FreqHz[f], r.RatioDB[f], r.BoundDB[f])
		}
		if p.HeadroomDB > 0 && r.CostDB[f] > p.HeadroomDB+1e-9 {
			t.Errorf("%g Hz: costs %.9f dB of headroom, allowed are %g dB", p.FreqHz[f], r.CostDB[f], p.HeadroomDB)
		}
		if p.EvennessDB > 0 && r.SpreadDB[f] > p.EvennessDB+1e-9 {
			t.Errorf("%g Hz: the audience spreads by %.9f dB, allowed are %g dB", p.FreqHz[f], r.SpreadDB[f], p.EvennessDB)
		}
	}
}

func onGrid(r Range, v float64) bool {
	if !(v >= r.Min-1e-12 && v <= r.Max+1e-12) {
		return false
	}
	steps := (v - r.Min) / r.Step
	return r.Step == 0 || math.Abs(steps-math.Round(steps)) < 1e-6
}

// As good as long searches by other means, to 0.1 dB; larger_test.go has
// the layouts that take longer.
func TestReaches(t *testing.T) {
	for _, name := range []string{"pair", "four", "three-deep", "stage-six"} {
		reaches(t, name)
	}
}

func reaches(t *testing.T, name string) {
	t.Helper()
	r := refer(t, name)
	got := best(t, r.problem())
	t.Logf("%s: %.4f dB, reference %.4f dB, bound %.4f dB, %d evaluations", name, got.Aim, r.MeanRatioDB, got.Bound, got.Evaluations)
	if got.Aim < r.MeanRatioDB-0.1 {
		t.Errorf("%s: %.4f dB, the reference reaches %.4f dB", name, got.Aim, r.MeanRatioDB)
	}
	grid := best(t, stepped(r.problem(), 1e-5, 0.1))
	if grid.Aim < r.MeanRatioDB-0.1 {
		t.Errorf("%s: %.4f dB on a fine grid, the reference reaches %.4f dB", name, grid.Aim, r.MeanRatioDB)
	}
}

// A grid so coarse that all of it can be tried.
func TestCoarseGridByBruteForce(t *testing.T) {
	for _, limit := range []float64{1.5, 3} {
		r := refer(t, "pair")
		p := stepped(r.problem(), 1e-3, 1.5)
		for i := range p.Outputs {
			p.Outputs[i].DelaySec.Max, p.Outputs[i].GainDB.Min = 0.016, -9
		}
		p.HeadroomDB = limit
		most := math.Inf(-1)
		for step := -16; step <= 16; step++ {
			for gain := range 7 {
				for _, quieter := range []int{0, 1} {
					for _, polarity := range []int{1, -1} {
						set := []Setting{{DelaySec: math.Max(0, float64(step)) * 1e-3, Polarity: 1}, {DelaySec: math.Max(0, float64(-step)) * 1e-3, Polarity: polarity}}
						set[quieter].GainDB = -1.5 * float64(gain)
						if m, _ := Measure(p, set); worst(m.CostDB) <= limit {
							most = math.Max(most, m.Aim)
						}
					}
				}
			}
		}
		if got := best(t, p); got.Aim < most-1e-9 {
			t.Errorf("%g dB of headroom: got %.4f dB, brute force %.4f dB", limit, got.Aim, most)
		}
	}
}

// The same problem gives the same bits, on one processor and on many.
func TestSameBits(t *testing.T) {
	p := stepped(refer(t, "three-deep").problem(), 1e-5, 0.1)
	many := best(t, p)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	if one := best(t, p); !reflect.DeepEqual(one, many) {
		t.Errorf("one processor finds %+v, more find %+v", one, many)
	}
}

// The site seen in a mirror has its sheet in the mirror: here the outputs swap
// names and left becomes right.
func TestMirrored(t *testing.T) {
	r := refer(t, "three-deep")
	plain := best(t, r.problem())
	mirror := r
	mirror.Front[1] *= -1
	mirror.Sources, mirror.Quiet = nil, nil
	for i := range r.Sources {
		s := r.Sources[len(r.Sources)-1-i]
		mirror.Sources = append(mirror.Sources, [2]float64{s[0], -s[1]})
	}
	for _, q := range r.Quiet {
		mirror.Quiet = append(mirror.Quiet, [2]float64{q[0], -q[1]})
	}
	got := best(t, mirror.problem())
	same(t, got, plain, 1)
}

// same holds settings to each other, in reverse order, delays scaled.
func same(t *testing.T, got, want Result, scale float64) {
	t.Helper()
	n := len(got.Settings)
	near(t, "aim, dB", got.Aim, want.Aim, 1e-4)
	turned := got.Settings[0].Polarity * want.Settings[n-1].Polarity
	for i, s := range got.Settings {
		w := want.Settings[n-1-i]
		near(t, "delay, s", s.DelaySec, scale*w.DelaySec, 2e-5*scale)
		near(t, "gain, dB", s.GainDB, w.GainDB, 0.05)
		if s.Polarity != turned*w.Polarity {
			t.Errorf("output %d: polarity %d, want %d", i, s.Polarity, turned*w.Polarity)
		}
	}
}

// Twice the size at half the frequency is the same, with twice the delays.
func TestScaled(t *testing.T) {
	r := refer(t, "three-deep")
	plain := best(t, r.problem())
	twice := r
	twice.Front = [2]float64{2 * r.Front[0], 2 * r.Front[1]}
	twice.Sources, twice.Quiet, twice.Freq = nil, nil, nil
	for i := range r.Sources {
		s := r.Sources[len(r.Sources)-1-i]
		twice.Sources = append(twice.Sources, [2]float64{2 * s[0], 2 * s[1]})
	}
	for _, q := range r.Quiet {
		twice.Quiet = append(twice.Quiet, [2]float64{2 * q[0], 2 * q[1]})
	}
	for _, f := range r.Freq {
		twice.Freq = append(twice.Freq, f/2)
	}
	same(t, best(t, twice.problem()), plain, 2)
}

// Cut short at the start and half way, it has something within the limit.
func TestCutShort(t *testing.T) {
	p := stepped(refer(t, "stage-six").problem(), 1e-5, 0.1)
	for _, after := range []int{0, 1, 40} {
		ctx, stop := context.WithCancel(context.Background())
		if after == 0 {
			stop()
		}
		r, err := Solve(ctx, p, func(so Progress) {
			if so.Done >= after {
				stop()
			}
			if so.Done > so.Total {
				t.Errorf("%d of %d are done", so.Done, so.Total)
			}
		})
		stop()
		if err != nil || r.Complete {
			t.Errorf("after %d: %v, complete %v", after, err, r.Complete)
			continue
		}
		kept(t, p, r)
	}
}

// Ranges that bind: little delay, little attenuation, a cap of its own.
func TestTightRanges(t *testing.T) {
	p := refer(t, "four").problem()
	for i := range p.Outputs {
		p.Outputs[i].DelaySec = Range{Min: 0.002, Max: 0.006, Step: 1e-4}
		p.Outputs[i].GainDB = Range{Min: -4, Max: 1, Step: 0.25}
	}
	p.Outputs[1].GainDB.Max = -1.5
	best(t, p)
	p.Outputs[2].DelaySec = Range{Min: 0.003, Max: 0.003}
	p.Outputs[3].GainDB = Range{}
	got, err := Solve(context.Background(), p, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got.Settings[2].DelaySec != 0.003 || got.Settings[3].GainDB != 0 {
		t.Errorf("what cannot be moved was: %+v", got.Settings)
	}
}

// A null held is exact off the grid, deep on it, and costs some of the aim.
func TestNullHeld(t *testing.T) {
	r := refer(t, "stage-six")
	p := r.problem()
	p.Null = &Null{45, free(r.Sources, [2]float64{-12, 0.5}, 45, r.C)}
	off := best(t, p)
	if off.NullDB > -100 {
		t.Errorf("off the grid the null is %.1f dB deep", off.NullDB)
	}
	on := best(t, stepped(p, 1e-5, 0.1))
	without, _ := Measure(p, r.settings())
	if on.NullDB > -50 || on.NullDB > without.NullDB-20 {
		t.Errorf("on the grid the null is %.1f dB deep, without the condition %.1f dB", on.NullDB, without.NullDB)
	}
	t.Logf("with a null %.3f dB, on the grid %.3f dB, without %.3f dB", off.Aim, on.Aim, r.MeanRatioDB)
	if off.Aim > r.MeanRatioDB+0.01 || off.Aim < r.MeanRatioDB-3 || on.Aim < off.Aim-0.5 {
		t.Errorf("with a null %.3f dB, on the grid %.3f dB, without %.3f dB", off.Aim, on.Aim, r.MeanRatioDB)
	}
}

// An even audience is a condition that costs, and can be too much to ask.
func TestEvenAudience(t *testing.T) {
	r := refer(t, "three-deep")
	loose := best(t, r.audience(r.problem(), 30))
	near(t, "a limit that does not bind, dB", loose.Aim, r.MeanRatioDB, 0.05)
	limit := worst(loose.SpreadDB) - 1
	tight := best(t, stepped(r.audience(r.problem(), limit), 1e-5, 0.1))
	t.Logf("evenness of %.2f dB: %.3f dB, of %.2f dB: %.3f dB", worst(loose.SpreadDB), loose.Aim, limit, tight.Aim)
	if tight.Aim > loose.Aim+1e-6 || tight.Aim < loose.Aim-5 {
		t.Errorf("evenness to %.2f dB brings %.3f dB, none %.3f dB", limit, tight.Aim, loose.Aim)
	}
	got, err := Solve(context.Background(), r.audience(r.problem(), 0.1), nil)
	var unmet *Unmet
	if !errors.As(err, &unmet) || !strings.Contains(err.Error(), "the spread of the audience's levels at ") || len(got.Settings) != 3 {
		t.Errorf("got %v and %d settings", err, len(got.Settings))
	}
}

// More sources behind one limit than the outputs can bring together.
func TestUnmetHeadroom(t *testing.T) {
	p := refer(t, "pair").problem()
	p.HeadroomDB = 1
	for _, row := range p.Front {
		p.FullFront = append(p.FullFront, 1.5*forms.Coherent(row))
	}
	_, err := Solve(context.Background(), p, nil)
	var unmet *Unmet
	if !errors.As(err, &unmet) || math.Abs(unmet.GotDB-20*math.Log10(1.5)) > 0.1 {
		t.Errorf("got %v, want a headroom cost of %.2f dB", err, 20*math.Log10(1.5))
	}
}

// The worst as the aim lifts the worst, for the mean's loss.
func TestWorst(t *testing.T) {
	for _, name := range []string{"pair", "four"} {
		r := refer(t, name)
		p := r.problem()
		p.Worst = true
		mean, _ := Measure(p, r.settings())
		got := best(t, p)
		t.Logf("%s: worst %.3f dB, of the best mean %.3f dB, bound %.3f dB", name, got.Aim, mean.Aim, got.Bound)
		if got.Aim < mean.Aim+0.5 {
			t.Errorf("%s: the worst is %.3f dB, with the best mean it is %.3f dB", name, got.Aim, mean.Aim)
		}
		p.Worst = false
		if m, _ := Measure(p, got.Settings); m.Aim > r.MeanRatioDB+1e-3 {
			t.Errorf("%s: the mean is %.3f dB with the worst as the aim, %.3f dB with itself", name, m.Aim, r.MeanRatioDB)
		}
	}
}

// Judged over errors, what is found for the errors is better than what is
// found without.
func TestRobust(t *testing.T) {
	for _, name := range []string{"four", "three-deep"} {
		r := refer(t, name)
		p := scattered(r.problem(), 0.15, 0.06)
		perfect, err := Measure(p, r.settings())
		if err != nil {
			t.Fatal(err)
		}
		got := best(t, p)
		t.Logf("%s: expected %.3f dB, of the perfect case's settings %.3f dB", name, got.Aim, perfect.Aim)
		if got.Aim < perfect.Aim-1e-4 {
			t.Errorf("%s: expected %.4f dB, settings found without errors expect %.4f dB", name, got.Aim, perfect.Aim)
		}
	}
}

func TestOneOutputAndOneFrequency(t *testing.T) {
	const s = 51
	rng := rand.New(rand.NewPCG(s, s))
	for n := 1; n <= 3; n++ {
		r := invented(rng, n)
		r.Freq = r.Freq[:1]
		got := best(t, r.problem())
		near(t, "one frequency is as good as its bound, dB", got.Aim, got.Bound, 0.02)
	}
}

func TestWhatIsNoProblem(t *testing.T) {
	for want, spoil := range map[string]func(p *Problem){
		"got 0 outputs":                     func(p *Problem) { p.Outputs = nil },
		"frequency 0 is NaN Hz":             func(p *Problem) { p.FreqHz[0] = math.NaN() },
		"frequency 1 is 30 Hz":              func(p *Problem) { p.FreqHz[1] = 30 },
		"limits of -1 dB":                   func(p *Problem) { p.HeadroomDB = -1 },
		"output 1 has the range 0 to -1":    func(p *Problem) { p.Outputs[1].DelaySec.Max = -1 },
		"output 0 has the range -60 to NaN": func(p *Problem) { p.Outputs[0].GainDB.Max = math.NaN() },
		"the front does not fit":            func(p *Problem) { p.Front[2] = nil },
		"the full front does not fit":       func(p *Problem) { p.FullFront = []float64{1} },
		"nowhere is to be quiet":            func(p *Problem) { p.Quiet[0] = nil },
		"the quiet does not fit":            func(p *Problem) { p.Quiet[3] = p.Quiet[3][1:] },
		"the quiet weights does not fit":    func(p *Problem) { p.QuietWeight = []float64{1, -1} },
		"the front scatter does not fit":    func(p *Problem) { p.FrontScatter = [][]float64{{1}} },
		"the audience does not fit":         func(p *Problem) { p.EvennessDB = 3 },
		"the null does not fit":             func(p *Problem) { p.Null = &Null{FreqHz: 45} },
		"nothing arrives in front at 30 Hz": func(p *Problem) { p.Front[0] = []complex128{0, 0} },
		"nothing arrives where it is to be quiet": func(p *Problem) {
			for k := range p.Quiet[0] {
				p.Quiet[0][k] = []complex128{0, 0}
			}
		},
	} {
		p := refer(t, "pair").problem()
		spoil(&p)
		if _, err := Solve(context.Background(), p, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
		if _, err := Measure(p, nil); err == nil {
			t.Errorf("measured although %s", want)
		}
	}
	if _, err := Measure(refer(t, "pair").problem(), nil); err == nil || !strings.Contains(err.Error(), "0 settings for 2") {
		t.Errorf("got %v", err)
	}
}
