package verify

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
)

// outputs.go judges each output by itself. Sensitivity, delay and polarity
// from the reference to a microphone's input are not known; all outputs share
// them, so what the outputs have in common is taken out first, by medians, that
// one output out of order does not move.

// Tolerances of one output. Ours, no published source: wide enough for the
// scatter of a rig set up with a tape measure, a degree or two, and narrow
// enough for a cable, a polarity, or a cabinet moved by a twelfth of a
// wavelength.
const (
	levelToleranceDB  = 3
	silentDB          = -20 // a level this low is called silent
	phaseToleranceDeg = 20
	reversedDeg       = 150 // a phase this far out is called reversed
	apartToleranceDB  = 6   // between microphones: room for cabinets that play less behind, none for a gain left up
)

// heard claims for each output that its level in front is as predicted against
// the others'.
func (e *evidence) heard() ([]Claim, error) {
	claims := make([]Claim, len(e.parts))
	var values []float64
	for k, p := range e.parts {
		var err error
		if claims[k], err = e.level(p, p.front); err != nil {
			return nil, err
		}
		values = append(values, claims[k].Value)
	}
	// The upper of the middle two: what is out of order is more often too
	// quiet than too loud.
	slices.Sort(values)
	common := values[len(values)/2]
	var slack float64
	for _, c := range claims {
		if c.Value == common {
			slack = math.Max(c.High-c.Value, c.Value-c.Low)
		}
	}
	for k := range claims {
		c := &claims[k]
		c.Value -= common
		c.Low -= common + slack
		c.High += slack - common
		c.Outcome = within(c.Low, c.High, c.Limit)
		name := e.parts[k].title
		c.Sentence = fmt.Sprintf("%s is heard in front at %s dB against prediction (%s); wanted within %d dB",
			name, engine.Fixed(c.Value, 1), between(c.Low, c.High, 1, c.Unit), levelToleranceDB)
		if c.High < silentDB { // how far below, the noise does not let on
			c.Sentence = fmt.Sprintf("%s is silent: at least %.0f dB below prediction", name, math.Min(-c.High, -engine.FloorDB))
		}
	}
	return claims, nil
}

// alike claims that both microphones are equally sensitive, on which the null's depth
// rests: how much more than predicted the rear one reads of an output alone than the
// front one does, the middle of all outputs.
func (e *evidence) alike() (Claim, error) {
	c := Claim{kind: isWithin, Name: "microphones alike", Unit: "dB", Limit: apartToleranceDB}
	var values, lows, highs []float64
	for _, p := range e.parts {
		front, err := e.level(p, p.front)
		if err != nil {
			return c, err
		}
		rear, err := e.level(p, p.rear)
		if err != nil {
			return c, err
		}
		values = append(values, rear.Value-front.Value)
		lows, highs = append(lows, rear.Low-front.High), append(highs, rear.High-front.Low)
	}
	c.Value, c.Low, c.High = median(values), median(lows), median(highs)
	c.Outcome = within(c.Low, c.High, c.Limit)
	c.Sentence = fmt.Sprintf("against prediction the rear microphone reads %s dB over the front one (%s); wanted within %d dB",
		engine.Fixed(c.Value, 1), between(c.Low, c.High, 1, c.Unit), apartToleranceDB)
	if c.Outcome != Proven {
		c.Sentence += ": match their gains with both in one place, or calibrate them, and measure again"
	}
	return c, nil
}

// level is how much power an output alone has at a microphone over the operating range,
// against prediction, in dB up to what all outputs share. The power of the
// noise, 2·Sigma², is taken off; the variance of |H|² is 4·Sigma²·|H|².
func (e *evidence) level(p part, capture *Capture) (Claim, error) {
	predicted, err := e.predicted(p.outputs, capture)
	if err != nil {
		return Claim{}, err
	}
	var power, variance, want float64
	f := capture.Function
	for k, i := range e.inRange {
		square := real(f.H[i])*real(f.H[i]) + imag(f.H[i])*imag(f.H[i])
		noise := f.Sigma[i] * f.Sigma[i]
		power += square - 2*noise
		variance += 4 * noise * square
		want += real(predicted[k])*real(predicted[k]) + imag(predicted[k])*imag(predicted[k])
	}
	off := radius(f.DegreesOfFreedom(), e.doubt/2) * math.Sqrt(variance) // half for the common part
	amplitude := func(power float64) float64 { return math.Sqrt(math.Max(0, power) / want) }
	return Claim{
		kind: isWithin, Name: p.name + " heard", Unit: "dB", Limit: levelToleranceDB,
		Value: engine.DB(amplitude(power)), Low: decibels(amplitude(power - off)), High: decibels(amplitude(power + off)),
	}, nil
}

// inTime claims for each output that its phase is as predicted against the
// others', at both microphones.
func (e *evidence) inTime() ([]Claim, error) {
	front, err := e.phases(engine.RoleFront)
	if err != nil {
		return nil, err
	}
	rear, err := e.phases(engine.RoleRear)
	if err != nil {
		return nil, err
	}
	worst := make([]Claim, len(front))
	for k := range front {
		worst[k] = front[k]
		if badness(rear[k]) > badness(front[k]) {
			worst[k] = rear[k]
		}
	}
	return worst, nil
}

// badness orders claims of one output: refuted before undecided before proven,
// then by how far they are out.
func badness(c Claim) float64 {
	rank := map[Outcome]float64{Proven: 0, Undecided: 1, Refuted: 2}
	return 1000*rank[c.Outcome] + math.Abs(c.Value)
}

// phases makes one microphone's claims. With q = measured over predicted and c
// the outputs' common phase factor at each frequency, the mean of q·conj(c)
// over the range points where an output's own phase does.
func (e *evidence) phases(role engine.Role) ([]Claim, error) {
	ratios := make([][]complex128, len(e.parts))
	doubts := make([]float64, len(e.parts)) // how far the mean of ratios may be off
	for k := range e.parts {
		capture := *e.parts[k].at(role)
		predicted, err := e.predicted(e.parts[k].outputs, capture)
		if err != nil {
			return nil, err
		}
		count := float64(len(e.inRange))
		for j, i := range e.inRange {
			ratios[k] = append(ratios[k], capture.Function.H[i]/predicted[j])
			doubts[k] = math.Hypot(doubts[k], capture.Function.Sigma[i]/cmplx.Abs(predicted[j])/count)
		}
		doubts[k] *= radius(capture.Function.DegreesOfFreedom(), e.doubt/4) // two microphones, and the common part
	}
	common := commonPhase(ratios)
	means := make([]complex128, len(ratios))
	angles := make([]float64, len(ratios)) // half the interval, in degrees
	for k, q := range ratios {
		for j := range q {
			means[k] += q[j] * cmplx.Conj(common[j]) / complex(float64(len(q)), 0)
		}
		angles[k] = 180
		if size := cmplx.Abs(means[k]); size > doubts[k] {
			angles[k] = degrees(math.Asin(doubts[k] / size))
		}
	}
	shared := median(angles)
	claims := make([]Claim, len(means))
	for k, mean := range means {
		claims[k] = phaseClaim(e.parts[k], role, -degrees(cmplx.Phase(mean)), angles[k]+shared)
	}
	return claims, nil
}

func phaseClaim(p part, role engine.Role, late, half float64) Claim {
	c := Claim{
		kind: isWithin, Name: p.name + " in time", Unit: "°", Limit: phaseToleranceDeg,
		Value: late, Low: late - half, High: late + half,
	}
	c.Outcome = within(c.Low, c.High, c.Limit)
	how := "late"
	if late < 0 {
		how = "early"
	}
	name := p.title
	switch {
	case half >= 180: // the phase could be anything
		c.Outcome, c.Low, c.High = Undecided, -180, 180
		c.Sentence = fmt.Sprintf("%s is too faint at the %s microphone to tell whether it is in time", name, role)
	case c.Outcome == Refuted && math.Abs(late) > reversedDeg:
		c.Sentence = fmt.Sprintf("%s arrives with its polarity reversed at the %s microphone, %.0f° from prediction", name, role, math.Abs(late))
	default:
		c.Sentence = fmt.Sprintf("%s arrives %.1f° %s at the %s microphone against prediction and the other outputs (give or take %.1f°); wanted within %d°",
			name, math.Abs(late), how, role, half, phaseToleranceDeg)
	}
	return c
}

// commonPhase is the phase factor that the outputs share, at each frequency:
// the median of their unit vectors' real and imaginary parts.
func commonPhase(ratios [][]complex128) []complex128 {
	common := make([]complex128, len(ratios[0]))
	for j := range common {
		var re, im []float64
		for _, q := range ratios {
			if size := cmplx.Abs(q[j]); size > 0 {
				re, im = append(re, real(q[j])/size), append(im, imag(q[j])/size)
			}
		}
		common[j] = cmplx.Rect(1, math.Atan2(median(im), median(re)))
	}
	return common
}

// median is the middle value, or the mean of the middle two; 0 of nothing.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(values))
	return (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
}

func degrees(radians float64) float64 { return radians * 180 / math.Pi }
