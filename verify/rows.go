package verify

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
)

// rows.go judges what is between the rows, as a practitioner does: level behind,
// phase in front, and whether the whole is the sum of what was heard alone.

// wholeLimitDB is how far everything may differ from the sum of its parts, as
// energy over the range against all parts in phase. A limiter that takes 1 dB, or
// one of ten parts that came or went, is further off; drift between captures is
// not. Our own figure, no published source.
const wholeLimitDB = -20

// sums are a row's phasors in the range at one microphone, measured and as
// predicted, and how far the measured ones may be off.
type sums struct {
	measured, predicted []complex128
	reach               []float64
}

// rowAt adds up the parts of a row. miss is the chance that any one line of it
// lies beyond its reach.
func (e *evidence) rowAt(row engine.Row, role engine.Role, miss float64) (sums, error) {
	s := sums{make([]complex128, len(e.inRange)), make([]complex128, len(e.inRange)), make([]float64, len(e.inRange))}
	for _, p := range e.parts {
		if p.row != row {
			continue
		}
		c := *p.at(role)
		predicted, err := e.predicted(p.outputs, c)
		if err != nil {
			return s, err
		}
		off := reach(c.Function, miss)
		for k, i := range e.inRange {
			s.measured[k] += c.Function.H[i]
			s.predicted[k] += predicted[k]
			s.reach[k] = math.Hypot(s.reach[k], off[i])
		}
	}
	return s, nil
}

// twoRows reports whether there are rows to set against each other.
func (e *evidence) twoRows() bool {
	has := func(row engine.Row) bool {
		return slices.ContainsFunc(e.parts, func(p part) bool { return p.row == row })
	}
	return has(engine.RowFront) && has(engine.RowRear)
}

// betweenRows makes the claims about rows of a site that has two.
func (e *evidence) betweenRows() ([]Claim, error) {
	if !e.twoRows() {
		return nil, nil
	}
	level, made, err := e.levelBehind()
	if err != nil {
		return nil, err
	}
	phase, err := e.phaseInFront()
	if err != nil {
		return nil, err
	}
	if !made {
		return []Claim{phase}, nil
	}
	return []Claim{level, phase}, nil
}

// levelBehind claims that the rows are matched at the rear microphone near the
// target. With the row levels a and b there and F in front, the residue is at least
// |a-b|, so that a null of depth D wants |a/b - 1| < 10^(-D/20)·F/b. The claim is
// made where the prediction itself keeps D at the target: rows of a plain pair are
// not meant to match.
func (e *evidence) levelBehind() (Claim, bool, error) {
	target, depth := e.site.Target.NullHz, e.site.Limits.NullDepthDB
	k := e.nearestInRange(target)
	miss := e.doubt / 2
	front, err := e.rowAt(engine.RowFront, engine.RoleRear, miss)
	if err != nil {
		return Claim{}, false, err
	}
	rear, err := e.rowAt(engine.RowRear, engine.RoleRear, miss)
	if err != nil {
		return Claim{}, false, err
	}
	ahead, err := e.predicted(e.site.OutputNumbers(), e.everything.front)
	if err != nil {
		return Claim{}, false, err
	}
	if e.prediction.Summary.AtTargetDB > -depth || rear.predicted[k] == 0 {
		return Claim{}, false, nil
	}
	room := engine.Ratio(-depth) * cmplx.Abs(ahead[k]) / cmplx.Abs(rear.predicted[k])
	a, b := cmplx.Abs(front.measured[k]), cmplx.Abs(rear.measured[k])
	should := decibels(cmplx.Abs(front.predicted[k]) / cmplx.Abs(rear.predicted[k]))
	c := Claim{
		kind: isWithin, Name: "level match behind", Unit: "dB", Limit: decibels(1 + room), Value: decibels(a/b) - should,
		Low:  decibels((a-front.reach[k])/(b+rear.reach[k])) - should,
		High: decibels((a+front.reach[k])/math.Max(0, b-rear.reach[k])) - should,
	}
	c.Outcome = within(c.Low, c.High, c.Limit)
	c.Sentence = fmt.Sprintf("behind, the front row is %s dB against the rear row at %.1f Hz, compared with prediction (%s); wanted within %.2f dB for the null",
		engine.Fixed(c.Value, 2), e.freq[e.inRange[k]], between(c.Low, c.High, 2, c.Unit), c.Limit)
	return c, true, nil
}

// nearestInRange is the place in inRange of the line closest to a frequency.
func (e *evidence) nearestInRange(hz float64) int {
	best := 0
	for k, i := range e.inRange {
		if math.Abs(e.freq[i]-hz) < math.Abs(e.freq[e.inRange[best]]-hz) {
			best = k
		}
	}
	return best
}

// phaseInFront claims that the rows stand to each other in front as they should,
// in the mean over the range. The limit is the turn between the rows that would use
// up, at some frequency, what the sum may still fall short by: with the predicted
// row levels a and b at an angle φ,
//
//	|a + b·e^{jφ}|² = a² + b² + 2ab·cos φ ≥ ((a+b)·10^(-S/20))².
func (e *evidence) phaseInFront() (Claim, error) {
	miss := e.doubt / float64(2*len(e.inRange))
	front, err := e.rowAt(engine.RowFront, engine.RoleFront, miss)
	if err != nil {
		return Claim{}, err
	}
	rear, err := e.rowAt(engine.RowRear, engine.RoleFront, miss)
	if err != nil {
		return Claim{}, err
	}
	short := math.Pow(10, -e.site.Limits.SumShortfallDB/10)
	var mean complex128
	var off float64
	count := float64(len(e.inRange))
	limit := 180.0
	for k := range e.inRange {
		a, b := cmplx.Abs(front.predicted[k]), cmplx.Abs(rear.predicted[k])
		if a == 0 || b == 0 {
			continue
		}
		stands := math.Abs(degrees(cmplx.Phase(rear.predicted[k] / front.predicted[k])))
		cos := ((a+b)*(a+b)*short - a*a - b*b) / (2 * a * b)
		limit = math.Min(limit, degrees(math.Acos(math.Max(-1, math.Min(1, cos))))-stands)
		measured, should := rear.measured[k]*cmplx.Conj(front.measured[k]), rear.predicted[k]*cmplx.Conj(front.predicted[k])
		size := cmplx.Abs(should)
		mean += measured * cmplx.Conj(should) / complex(size*size*count, 0)
		// The error of a product, both factors being off.
		wrong := front.reach[k]*cmplx.Abs(rear.measured[k]) + rear.reach[k]*cmplx.Abs(front.measured[k]) + front.reach[k]*rear.reach[k]
		off = math.Hypot(off, wrong/size/count)
	}
	late := -degrees(cmplx.Phase(mean))
	half := 180.0
	if size := cmplx.Abs(mean); size > off {
		half = degrees(math.Asin(off / size))
	}
	c := Claim{kind: isWithin, Name: "phase match in front", Unit: "°", Limit: math.Max(0, limit), Value: late, Low: late - half, High: late + half}
	c.Outcome = within(c.Low, c.High, c.Limit)
	if half >= 180 {
		c.Outcome, c.Low, c.High = Undecided, -180, 180
	}
	how := "late"
	if late < 0 {
		how = "early"
	}
	c.Sentence = fmt.Sprintf("in front, the rear row arrives %.1f° %s against the front row, compared with prediction (give or take %.1f°); wanted within %.0f° for the sum",
		math.Abs(late), how, math.Min(half, 180), c.Limit)
	return c, nil
}

// wholeOfParts claims that everything open is what the parts add up to, at both
// microphones: the energy of the difference over the range, against all parts in
// phase, with what the noise adds to it taken off.
func (e *evidence) wholeOfParts() Claim {
	worst := Claim{Name: "whole equals parts", Unit: "dB", Limit: wholeLimitDB, Value: math.Inf(-1), Low: math.Inf(-1), High: math.Inf(-1)}
	where := engine.RoleFront
	for _, role := range []engine.Role{engine.RoleFront, engine.RoleRear} {
		captures := e.all(role)
		least := captures[0].Function.DegreesOfFreedom()
		var different, noise, variance, most float64
		for _, i := range e.inRange {
			rest := captures[0].Function.H[i]
			own, together := captures[0].Function.Sigma[i]*captures[0].Function.Sigma[i], 0.0
			for _, c := range captures[1:] {
				rest -= c.Function.H[i]
				own += c.Function.Sigma[i] * c.Function.Sigma[i]
				together += cmplx.Abs(c.Function.H[i])
				least = math.Min(least, c.Function.DegreesOfFreedom())
			}
			square := real(rest)*real(rest) + imag(rest)*imag(rest)
			different += square
			noise += 2 * own
			// The variance of |d|², d the true difference and own the noise of each
			// of its parts, is 4·own·|d|² + 4·own².
			variance += 4*own*math.Max(0, square-2*own) + 4*own*own
			most += together * together
		}
		off := radius(least, e.doubt/2) * math.Sqrt(variance)
		level := func(energy float64) float64 { return decibels(math.Sqrt(math.Max(0, energy) / most)) }
		low, high := level(different-noise-off), level(different-noise+off)
		if high > worst.High {
			worst.Value, worst.Low, worst.High, where = level(different-noise), low, high, role
		}
	}
	worst.Outcome = atMost(worst.Low, worst.High, worst.Limit)
	switch {
	case worst.Outcome == Proven:
		worst.Sentence = fmt.Sprintf("everything open is the sum of what was heard alone, within %.0f dB (%s)", worst.High, between(worst.Low, worst.High, 0, worst.Unit))
	default:
		worst.Sentence = fmt.Sprintf("at the %s microphone everything open differs from the sum of what was heard alone by %s dB (%s); at most %d dB are wanted: a limiter acts, a microphone or a level was moved in between, or something else plays",
			where, engine.Fixed(worst.Value, 1), between(worst.Low, worst.High, 1, worst.Unit), wholeLimitDB)
	}
	return worst
}
