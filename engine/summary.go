package engine

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
)

// The line through rear over front uses the bins this close to the frequency
// in question, and never fewer than fitBins: enough to average noise, near
// enough for a null to look straight.
const (
	fitSpanHz = 3
	fitBins   = 3
)

// silence in front, relative to anything else, is where ratios lose meaning.
const silence = 1e-9

// Summarise reduces what the two microphones hear, predicted or measured, to
// the numbers that a design stands or falls by. All three inputs share front's
// frequency axis; coherent is the magnitude in front if every output arrived
// in phase.
//
// Near a null z(f) = rear/front is a straight line through the complex plane
// that passes close to 0. The null is therefore looked for at the lowest |z|
// inside target.Range and then placed by the least-squares line a + b·(f-fc)
// through the bins around it: f0 = fc - Re(a·conj b)/|b|², held between the
// neighbouring bins and inside the range. NullDepthDB is that line's |z(f0)|.
// AtTargetDB is the line through the bins around the target, evaluated there,
// also when the target happens to be a bin. Levels stop at FloorDB.
//
// For z to be straight its phase must turn slowly: take the same arrival time
// (see field.Arrival) out of predicted and measured curves first with
// Curve.Advance. SumShortfallDB is the greatest 20·log10(coherent/|front|)
// inside the range.
//
// Errors: lengths that differ, an axis of fewer than three frequencies, not
// ascending or without the target, no frequency inside the range, values that
// are not finite, a front that is silent inside the range or next to a fit.
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
	null := fitLine(freq, z, freq[lowest])
	low := math.Max(target.Range.LowHz, freq[max(0, lowest-1)])
	high := math.Min(target.Range.HighHz, freq[min(len(freq)-1, lowest+1)])
	s.NullHz = math.Max(low, math.Min(high, null.least()))
	s.NullDepthDB = DB(cmplx.Abs(null.at(s.NullHz)))
	s.AtTargetDB = DB(cmplx.Abs(fitLine(freq, z, target.NullHz).at(target.NullHz)))
	return s, nil
}

func checkSummary(front, rear Curve, coherent []float64, target Target) error {
	n := len(front.FreqHz)
	if len(front.P) != n || len(rear.FreqHz) != n || len(rear.P) != n || len(coherent) != n {
		return fmt.Errorf("front, rear and coherent must share one axis, got %d and %d frequencies, %d, %d and %d values",
			n, len(rear.FreqHz), len(front.P), len(rear.P), len(coherent))
	}
	if n < fitBins {
		return fmt.Errorf("got %d frequencies, want at least %d", n, fitBins)
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

// line is z(f) = a + b·(f - centre).
type line struct {
	centre float64
	a, b   complex128
}

func (l line) at(f float64) complex128 { return l.a + l.b*complex(f-l.centre, 0) }

// least is the frequency where |z| is smallest.
func (l line) least() float64 {
	steep := real(l.b)*real(l.b) + imag(l.b)*imag(l.b)
	if steep == 0 {
		return l.centre
	}
	return l.centre - real(l.a*cmplx.Conj(l.b))/steep
}

// fitLine is the least-squares line through the bins around f.
func fitLine(freq []float64, z []complex128, f float64) line {
	from, to := around(freq, f)
	n := float64(to - from)
	var l line
	for i := from; i < to; i++ {
		l.centre += freq[i] / n
		l.a += z[i] / complex(n, 0)
	}
	var square float64
	for i := from; i < to; i++ {
		d := freq[i] - l.centre
		l.b += z[i] * complex(d, 0)
		square += d * d
	}
	l.b /= complex(square, 0)
	return l
}

// around is the half-open run of bins within fitSpanHz of f, widened to the
// nearest fitBins where the axis is coarse.
func around(freq []float64, f float64) (from, to int) {
	for from < len(freq)-fitBins && freq[from] < f-fitSpanHz {
		from++
	}
	to = from
	for to < len(freq) && freq[to] <= f+fitSpanHz {
		to++
	}
	for to-from < fitBins {
		if to == len(freq) || (from > 0 && f-freq[from-1] < freq[to]-f) {
			from--
		} else {
			to++
		}
	}
	return from, to
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
