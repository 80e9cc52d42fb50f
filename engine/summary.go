package engine

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
)

// nodes is how many bins rear over front is read through: on lines 2 Hz apart a
// polynomial through five follows a wall's echo 60 ms late to a hundredth of
// itself. An axis has leastBins at least.
const (
	nodes     = 5
	leastBins = 3
)

// silence in front, relative to anything else, is where ratios lose meaning.
const silence = 1e-9

// Summarise reduces what the two microphones hear, predicted or measured, to
// the numbers that a design stands or falls by. All three inputs share front's
// frequency axis; coherent is the magnitude in front if every output arrived
// in phase.
//
// Between its bins z(f) = rear/front is read off the polynomial through the five
// nearest, or fewer where the axis has no more. NullHz is where |z| is least
// between the neighbours of the lowest bin inside target.Range, and inside the
// range; NullDepthDB is |z| there and AtTargetDB |z| at the target. Levels stop
// at FloorDB. Nothing is averaged: noise has to be taken out of what was measured
// before.
//
// For that the phase of z must turn slowly: take the arrival time (see
// field.Arrival) out of both curves first with Curve.Advance. SumShortfallDB is
// the greatest 20·log10(coherent/|front|) inside the range.
//
// Errors: lengths that differ, an axis of fewer than three frequencies, not
// ascending or without the target, no frequency inside the range, values that
// are not finite, a front that is silent.
func Summarise(front, rear Curve, coherent []float64, target Target) (Summary, error) {
	if err := checkSummary(front, rear, coherent, target); err != nil {
		return Summary{}, fmt.Errorf("summary: %w", err)
	}
	freq := front.FreqHz
	z := make([]complex128, len(freq))
	lowest := -1
	var s Summary
	s.SumShortfallDB = math.Inf(-1)
	for i, f := range freq {
		z[i] = rear.P[i] / front.P[i]
		if !target.Range.Contains(f) {
			continue
		}
		if lowest < 0 || cmplx.Abs(z[i]) < cmplx.Abs(z[lowest]) {
			lowest = i
		}
		if short := DB(coherent[i] / cmplx.Abs(front.P[i])); short > s.SumShortfallDB {
			s.SumShortfallDB, s.ShortfallAtHz = short, f
		}
	}
	null := through(freq, z, freq[lowest])
	s.NullHz = null.least(math.Max(target.Range.LowHz, freq[max(0, lowest-1)]), math.Min(target.Range.HighHz, freq[min(len(freq)-1, lowest+1)]))
	s.NullDepthDB = DB(cmplx.Abs(null.at(s.NullHz)))
	s.AtTargetDB = DB(cmplx.Abs(through(freq, z, target.NullHz).at(target.NullHz)))
	return s, nil
}

func checkSummary(front, rear Curve, coherent []float64, target Target) error {
	n := len(front.FreqHz)
	if len(front.P) != n || len(rear.FreqHz) != n || len(rear.P) != n || len(coherent) != n {
		return fmt.Errorf("front, rear and coherent must share one axis, got %d and %d frequencies, %d, %d and %d values",
			n, len(rear.FreqHz), len(front.P), len(rear.P), len(coherent))
	}
	if n < leastBins {
		return fmt.Errorf("got %d frequencies, want at least %d", n, leastBins)
	}
	inside := 0
	for i, f := range front.FreqHz {
		if !finite(f) || (i > 0 && f <= front.FreqHz[i-1]) {
			return fmt.Errorf("frequencies must ascend, frequency %d is %g Hz", i, f)
		}
		if f != rear.FreqHz[i] {
			return fmt.Errorf("frequency %d is %g Hz in front but %g Hz behind", i, f, rear.FreqHz[i])
		}
		if err := checkBin(front.P[i], rear.P[i], coherent[i]); err != nil {
			return fmt.Errorf("at %g Hz: %w", f, err)
		}
		if target.Range.Contains(f) {
			inside++
		}
	}
	if inside == 0 {
		return fmt.Errorf("no frequency lies inside the range %g to %g Hz", target.Range.LowHz, target.Range.HighHz)
	}
	axis := Band{front.FreqHz[0], front.FreqHz[n-1]}
	if !axis.Contains(target.NullHz) {
		return fmt.Errorf("the target %g Hz lies outside the measured %g to %g Hz", target.NullHz, axis.LowHz, axis.HighHz)
	}
	return nil
}

func checkBin(front, rear complex128, coherent float64) error {
	if !finite(real(front), imag(front), real(rear), imag(rear), coherent) || coherent < 0 {
		return errors.New("a value is not a finite number, or the coherent sum is negative")
	}
	if most := cmplx.Abs(front) / silence; !(cmplx.Abs(rear) < most && coherent < most) {
		return errors.New("nothing arrives in front")
	}
	return nil
}

// polynomial is one through some bins in Newton's form:
// first + (f - freq[0])·(second + (f - freq[1])·(third + ...)).
type polynomial struct {
	freq   []float64
	factor []complex128 // divided differences
}

// through is the polynomial through the bins nearest f.
func through(freq []float64, z []complex128, f float64) polynomial {
	nearest := 0
	for i := range freq {
		if math.Abs(freq[i]-f) < math.Abs(freq[nearest]-f) {
			nearest = i
		}
	}
	count := min(nodes, len(freq))
	from := min(max(0, nearest-count/2), len(freq)-count)
	p := polynomial{freq[from : from+count], slices.Clone(z[from : from+count])}
	for order := 1; order < count; order++ {
		for i := count - 1; i >= order; i-- {
			p.factor[i] = (p.factor[i] - p.factor[i-1]) / complex(p.freq[i]-p.freq[i-order], 0)
		}
	}
	return p
}

func (p polynomial) at(f float64) complex128 {
	value, _ := p.slope(f)
	return value
}

// slope is the polynomial's value and its derivative, by Horner's scheme.
func (p polynomial) slope(f float64) (value, slope complex128) {
	for i := len(p.freq) - 1; i >= 0; i-- {
		d := complex(f-p.freq[i], 0)
		value, slope = value*d+p.factor[i], slope*d+value
	}
	return value, slope
}

// least is where from low to high |z| is smallest: at an end, or where |z|² stops
// falling, which several places may do.
func (p polynomial) least(low, high float64) float64 {
	const steps = 32
	falls := func(f float64) bool {
		value, slope := p.slope(f)
		return real(value)*real(slope)+imag(value)*imag(slope) < 0
	}
	best := low
	take := func(f float64) {
		if cmplx.Abs(p.at(f)) < cmplx.Abs(p.at(best)) {
			best = f
		}
	}
	take(high)
	for k := range steps {
		from, to := low+(high-low)*float64(k)/steps, low+(high-low)*float64(k+1)/steps
		if !falls(from) || falls(to) {
			continue
		}
		for middle := (from + to) / 2; from < middle && middle < to; middle = (from + to) / 2 {
			if falls(middle) {
				from = middle
			} else {
				to = middle
			}
		}
		take(to)
	}
	return best
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
