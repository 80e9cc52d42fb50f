// Package optimise finds the delay, polarity and gain of every output that put
// the most sound in front for the least behind, and how much better any
// processing could do: responses in, settings out.
//
// # What is sought
//
// An output i with delay τ, polarity p and gain g has at frequency f the weight
// w_i = p·10^(g/20)·e^{-j2πfτ}. With a the outputs' responses at the front
// reference and q those at a point to be kept quiet,
//
//	ratio(f) = |Σ a_i w_i|² / weighted mean over the points of |Σ q_i w_i|²
//
// in dB, and the aim is its mean over the frequencies: of the dB values, so
// that no frequency can pay for another without limit. Problem.Worst aims at
// the least ratio over frequencies and points instead. The headroom cost at a
// frequency, held to a limit at each, is the coherent sum in front of all
// sources at full gain less the level reached.
//
// # How
//
// The mean over the points is a form w^H B w whose factor has few rows, however
// many points there are (package forms). Delays and amplitudes, whose signs
// are the polarities, go downhill by an augmented Lagrangian on top of BFGS with
// exact derivatives (descent.go), from many starts and jumps (search.go); the
// best goes onto the processor's grid by a search of its own, judged by the
// values that will be sent (grid.go). The bound is the same ratio with free
// complex weights at each frequency (bound.go). Same problem, same bits.
package optimise

import (
	"errors"
	"fmt"
	"math"

	"hushback/engine/optimise/forms"
)

// Range is what a value can be set to: from Min to Max in steps from Min on,
// or anything between where Step is 0.
type Range struct{ Min, Max, Step float64 }

// Output is what one output can be set to, always in either polarity.
type Output struct{ DelaySec, GainDB Range }

// Null is silence at one place and frequency, held as a condition.
type Null struct {
	FreqHz float64
	Rear   []complex128 // response of each output there, at 0 dB without delay
}

// Problem is what is known. Responses are of each output at 0 dB, without
// delay, in phase with its drive; all lengths must fit each other.
type Problem struct {
	FreqHz  []float64 // ascending, above 0
	Outputs []Output

	Front     [][]complex128 // [frequency][output] at the front reference
	FullFront []float64      // [frequency] all sources at full gain arriving there in phase; nil: outputs instead of sources

	Quiet       [][][]complex128 // [frequency][point][output]
	QuietWeight []float64        // [point], ≥ 0, only their ratios count; nil: all the same

	// What errors that are independent from output to output add to the energy,
	// for each |w_i|²: see Scatter. nil: nothing.
	FrontScatter, QuietScatter [][]float64 // [frequency][output]

	Audience   [][][]complex128 // [frequency][point][output]
	EvennessDB float64          // most that the audience's levels may spread, 5th to 95th percentile, at each frequency; 0: no limit

	HeadroomDB float64 // most headroom cost at each frequency; 0: no limit
	Worst      bool    // the worst frequency and quiet point count, not the means
	Null       *Null   // nil: none
}

// Scatter is the energy that independent normal errors of phase (variance in
// rad²) and level (variance in neper², (dB·ln10/20)²) add to a sum of sources,
// in parts of each source's own energy, relative to the mean sum:
//
//	E|Σ q_i w_i e^{l_i+jφ_i}|² = m²·( |Σ q_i w_i|² + Scatter·Σ |q_i w_i|² )
//
// exactly, with m = E e^{l+jφ} the same for all. A ratio of two such energies
// is free of m. To first order Scatter is the sum of the variances.
func Scatter(phaseVar, levelVar float64) float64 { return math.Expm1(phaseVar + levelVar) }

// Setting is one output's.
type Setting struct {
	DelaySec float64
	Polarity int // +1 or -1
	GainDB   float64
}

// Result is the best that was found, predicted with exactly these settings.
type Result struct {
	Settings []Setting
	Measures
	BoundDB     []float64 // [frequency] what no weights whatever exceed within the same headroom
	Bound       float64   // the same for the aim: their mean, or their least
	Evaluations int       // how often the aim was reckoned
	Complete    bool      // false: cut short, and better may be found
}

// Measures is what settings do.
type Measures struct {
	Aim      float64   // dB: the mean of RatioDB; with Worst the least ratio over frequencies and points
	RatioDB  []float64 // [frequency] front over quiet; with Worst over the loudest quiet point
	CostDB   []float64 // [frequency] headroom cost
	SpreadDB []float64 // [frequency] of the audience's levels; nil without an audience
	NullDB   float64   // at the null against all outputs at full gain in phase there; 0 without one
}

// Progress is how far a search has come.
type Progress struct {
	Done, Total int     // starts
	Aim         float64 // best so far, dB
}

// Unmet says which condition no settings were found for.
type Unmet struct {
	What          string // "headroom cost", "spread of the audience's levels"
	FreqHz        float64
	GotDB, WantDB float64
}

func (u *Unmet) Error() string {
	return fmt.Sprintf("the %s at %g Hz comes down to %.2f dB only, want at most %g dB", u.What, u.FreqHz, u.GotDB, u.WantDB)
}

// check finds what makes a problem none.
func (p Problem) check() error {
	n := len(p.Outputs)
	if n == 0 || len(p.FreqHz) == 0 {
		return fmt.Errorf("got %d outputs and %d frequencies, want at least one of each", n, len(p.FreqHz))
	}
	for i, f := range p.FreqHz {
		if !(f > 0) || math.IsInf(f, 1) || i > 0 && f <= p.FreqHz[i-1] {
			return fmt.Errorf("frequency %d is %g Hz, want them ascending above 0", i, f)
		}
	}
	if !(p.HeadroomDB >= 0 && p.EvennessDB >= 0) {
		return fmt.Errorf("got limits of %g dB headroom and %g dB evenness, want 0 or more", p.HeadroomDB, p.EvennessDB)
	}
	for i, out := range p.Outputs {
		for _, r := range []Range{out.DelaySec, out.GainDB} {
			if !(r.Max >= r.Min && r.Step >= 0) || math.IsInf(r.Max-r.Min, 0) {
				return fmt.Errorf("output %d has the range %g to %g in steps of %g", i, r.Min, r.Max, r.Step)
			}
		}
	}
	return p.checkResponses()
}

func (p Problem) checkResponses() error {
	n, points := len(p.Outputs), 0
	if len(p.Quiet) > 0 {
		points = len(p.Quiet[0])
	}
	if points == 0 {
		return errors.New("nowhere is to be quiet")
	}
	shapes := []struct {
		what string
		ok   bool
	}{
		{"front", rectangular(p.Front, len(p.FreqHz), n)},
		{"full front", p.FullFront == nil || len(p.FullFront) == len(p.FreqHz)},
		{"quiet", cuboid(p.Quiet, len(p.FreqHz), points, n)},
		{"quiet weights", weights(p.QuietWeight, points)},
		{"front scatter", p.FrontScatter == nil || rectangular(p.FrontScatter, len(p.FreqHz), n)},
		{"quiet scatter", p.QuietScatter == nil || rectangular(p.QuietScatter, len(p.FreqHz), n)},
		{"audience", p.Audience == nil && p.EvennessDB == 0 || len(p.Audience) > 0 && len(p.Audience[0]) > 0 && cuboid(p.Audience, len(p.FreqHz), len(p.Audience[0]), n)},
		{"null", p.Null == nil || p.Null.FreqHz > 0 && len(p.Null.Rear) == n},
	}
	for _, s := range shapes {
		if !s.ok {
			return fmt.Errorf("the %s does not fit %d frequencies and %d outputs", s.what, len(p.FreqHz), n)
		}
	}
	for f, row := range p.Front {
		if sum := forms.Coherent(row); !(sum > 0) || math.IsInf(sum, 1) || p.FullFront != nil && !(p.FullFront[f] > 0) {
			return fmt.Errorf("nothing arrives in front at %g Hz", p.FreqHz[f])
		}
		var behind float64
		for _, row := range p.Quiet[f] {
			behind += forms.Coherent(row)
		}
		if !(behind > 0) || math.IsInf(behind, 1) {
			return fmt.Errorf("nothing arrives where it is to be quiet at %g Hz", p.FreqHz[f])
		}
	}
	return nil
}

func rectangular[V any](rows [][]V, n, m int) bool {
	for _, row := range rows {
		if len(row) != m {
			return false
		}
	}
	return len(rows) == n
}

func cuboid(blocks [][][]complex128, n, m, k int) bool {
	for _, rows := range blocks {
		if !rectangular(rows, m, k) {
			return false
		}
	}
	return len(blocks) == n
}

func weights(w []float64, points int) bool {
	var sum float64
	for _, v := range w {
		if !(v >= 0) {
			return false
		}
		sum += v
	}
	return w == nil || len(w) == points && sum > 0 && !math.IsInf(sum, 1)
}
