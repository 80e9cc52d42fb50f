package optimise

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"hushback/engine/optimise/forms"
)

func bounds(p Problem) []float64 {
	t := prepare(p)
	out := make([]float64, len(t.at))
	for f := range out {
		out[f] = t.bound(f)
	}
	return out
}

// The dual's bound against scipy's descent in the primal, which ends above or
// at the least energy: theirs is never above ours by more than rounding.
func TestBoundAgainstPrimalDescent(t *testing.T) {
	for _, name := range []string{"pair", "four", "three-deep", "stage-six", "two-gardens", "twelve"} {
		r := refer(t, name)
		for f, b := range bounds(r.problem()) {
			if b < r.BoundDB[f]-1e-4 {
				t.Errorf("%s at %g Hz: bound %.6f dB, but scipy reaches %.6f dB", name, r.Freq[f], b, r.BoundDB[f])
			}
			if b > r.BoundDB[f]+0.05 {
				t.Errorf("%s at %g Hz: bound %.6f dB, scipy stops at %.6f dB", name, r.Freq[f], b, r.BoundDB[f])
			}
		}
	}
	// The values that were known before: mean bounds of 10.12 and 18.2 dB.
	for name, want := range map[string]float64{"pair": 10.12, "four": 18.22} {
		var mean float64
		b := bounds(refer(t, name).problem())
		for _, v := range b {
			mean += v / float64(len(b))
		}
		near(t, name+", mean bound, dB", mean, want, 0.01)
	}
}

// Complex weights drawn at random within the limits stay below the bound, also
// where they are scaled to use the headroom up, and with scatter.
func TestNothingBeatsTheBound(t *testing.T) {
	const s = 21
	rng := rand.New(rand.NewPCG(s, s))
	for trial := range 12 {
		n := 2 + trial%4
		p := invented(rng, n).problem()
		p.Worst = trial%3 == 2
		p.HeadroomDB = 2 + 6*rng.Float64()
		if trial%2 == 1 {
			p = scattered(p, 0.1, 0.05)
		}
		tk := prepare(p)
		for f, at := range tk.at {
			b := tk.bound(f)
			least := at.full * math.Pow(10, -p.HeadroomDB/20)
			tried := 0
			for range 4000 {
				w := make([]complex128, n)
				for i, a := range at.front { // mostly in phase in front
					w[i] = cmplx.Rect(1, 0.6*rng.NormFloat64()-cmplx.Phase(a)) * complex(rng.Float64(), 0)
				}
				most := 0.0
				for _, v := range w {
					most = math.Max(most, cmplx.Abs(v))
				}
				for i := range w {
					w[i] /= complex(most, 0)
				}
				if cmplx.Abs(forms.Dot(at.front, w)) < least {
					continue
				}
				tried++
				if ratio := ratioOf(p, at, w); ratio > b+1e-6 {
					t.Fatalf("seed %d, trial %d, %g Hz: weights reach %.6f dB, bound %.6f dB", s, trial, p.FreqHz[f], ratio, b)
				}
			}
			if tried < 50 {
				t.Errorf("seed %d, trial %d: only %d weights within the headroom", s, trial, tried)
			}
		}
	}
}

// ratioOf is the measure for complex weights, by its definition.
func ratioOf(p Problem, at field, w []complex128) float64 {
	ahead := forms.Energy(forms.Dot(at.front, w))
	var behind float64
	for i, v := range w {
		ahead += at.frontLoad[i] * forms.Energy(v)
		behind += at.quietLoad[i] * forms.Energy(v)
	}
	var most float64
	for r := range at.quiet.Count() {
		e := forms.Energy(forms.Dot(at.quiet.Row(r), w))
		most = math.Max(most, e)
		if !p.Worst {
			behind += e
		}
	}
	if p.Worst {
		behind += most
	}
	return 10 * math.Log10(ahead/behind)
}

// scattered gives every output the same errors.
func scattered(p Problem, phaseSD, levelSD float64) Problem {
	p.FrontScatter, p.QuietScatter = nil, nil
	part := Scatter(phaseSD*phaseSD, levelSD*levelSD)
	for f := range p.FreqHz {
		front, quiet := make([]float64, len(p.Outputs)), make([]float64, len(p.Outputs))
		var sum float64
		for k := range p.Quiet[f] {
			sum += weightOf(p, k)
		}
		for i := range p.Outputs {
			front[i] = part * forms.Energy(p.Front[f][i])
			for k, row := range p.Quiet[f] {
				quiet[i] += part * forms.Energy(row[i]) * weightOf(p, k) / sum
			}
		}
		p.FrontScatter, p.QuietScatter = append(p.FrontScatter, front), append(p.QuietScatter, quiet)
	}
	return p
}

func weightOf(p Problem, k int) float64 {
	if p.QuietWeight == nil {
		return 1
	}
	return p.QuietWeight[k]
}

// With the headroom limit lifted another source never hurts, and no limit
// never hurts either.
func TestMoreIsNeverWorse(t *testing.T) {
	const s = 22
	rng := rand.New(rand.NewPCG(s, s))
	for trial := range 10 {
		r := invented(rng, 6)
		var before []float64
		for n := 1; n <= len(r.Sources); n++ {
			some := r
			some.Sources = r.Sources[:n]
			p := some.problem()
			limited := bounds(p)
			p.HeadroomDB = 0
			lifted := bounds(p)
			for f := range lifted {
				if lifted[f] < limited[f]-1e-5 {
					t.Errorf("seed %d, trial %d, %d sources: %.6f dB without a limit, %.6f dB with", s, trial, n, lifted[f], limited[f])
				}
				if before != nil && lifted[f] < before[f]-1e-6 {
					t.Errorf("seed %d, trial %d: source %d takes the bound from %.6f to %.6f dB", s, trial, n, before[f], lifted[f])
				}
			}
			before = lifted
			var tighter []float64
			for _, limit := range []float64{6, 3, 1, 0.2} {
				p.HeadroomDB = limit
				now := bounds(p)
				for f := range now {
					if tighter != nil && now[f] > tighter[f]+1e-5 {
						t.Errorf("seed %d: %g dB of headroom allow more than more", s, limit)
					}
				}
				tighter = now
			}
		}
	}
}

// One source has nothing to choose: the bound is the plain ratio. Two in the
// same place are one. And with no headroom left everything plays in phase.
func TestBoundInClosedForm(t *testing.T) {
	one := reference{C: 343.2, Sources: [][2]float64{{0, 0}}, Front: [2]float64{30, 0}, Quiet: [][2]float64{{-15, 0}, {0, 15}}, Freq: []float64{40}}
	p := one.problem()
	near(t, "one source, dB", bounds(p)[0], 20*math.Log10(15.0/30), 1e-6)
	one.Sources = [][2]float64{{0, 0}, {0, 0}}
	p = one.problem()
	p.HeadroomDB = 3
	near(t, "two as one, dB", bounds(p)[0], 20*math.Log10(15.0/30), 1e-5)

	r := refer(t, "four")
	p = r.problem()
	p.HeadroomDB = 1e-9
	tk := prepare(p)
	for f, at := range tk.at {
		w := make([]complex128, 4)
		for i, a := range at.front {
			w[i] = cmplx.Conj(a) / complex(cmplx.Abs(a), 0)
		}
		near(t, "in phase, dB", tk.bound(f), ratioOf(p, at, w), 1e-3)
	}
}

// Without a limit the bound is reached by its own weights, scatter and all.
// With next to no headroom everything plays in phase at full gain, and the
// bound is what that does, to the scatter in front.
func TestBoundCountsTheScatter(t *testing.T) {
	r := refer(t, "four")
	p := scattered(r.problem(), 0.7, 0.3)
	p.HeadroomDB = 0
	tk := prepare(p)
	for _, at := range tk.at {
		b, w := tk.boundOf(at, at.gram)
		near(t, "reached without a limit, dB", ratioOf(p, at, w), b, 1e-6)
	}
	p.HeadroomDB = 1e-9
	tk = prepare(p)
	for f, at := range tk.at {
		w := make([]complex128, 4)
		for i, a := range at.front {
			w[i] = cmplx.Conj(a) / complex(cmplx.Abs(a), 0)
		}
		near(t, "in phase, dB", tk.bound(f), ratioOf(p, at, w), 1e-3)
	}
}

// Two outputs can be silent at a single point; what is left is the floor, 120
// dB below what the two send there one by one.
func TestFloor(t *testing.T) {
	r := refer(t, "pair")
	r.Quiet, r.Weights, r.Headroom = r.Quiet[:1], nil, 0
	for _, b := range bounds(r.problem()) {
		if !(b > 100 && b < 125) {
			t.Errorf("with a single quiet point the bound is %.1f dB", b)
		}
	}
}
