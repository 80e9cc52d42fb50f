package verify

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"hushback/engine"
)

// leastSignalDB is how far the test signal must stand above the noise.
// Common practice, no published source.
const leastSignalDB = 10

// Judge holds the captures of one sheet against its prediction and the site's
// limits. It wants everything open, and each of the site's outputs alone, at
// both microphones, all on one frequency axis whose lines in the operating
// range the prediction has too. From each capture the predicted arrival at its
// microphone must have been taken out (DelaySec), so that phases turn slowly
// from line to line.
//
// The claims, in this order; the first three are what the sheet promised, the
// others what must hold for the rig to be the one that was meant:
//
//   - "null depth": rear relative to front at the target, in dB; at most
//     -Limits.NullDepthDB.
//   - "null frequency": measured null less target, in Hz; within
//     Limits.NullOffsetHz.
//   - "sum in front": coherent sum of the outputs alone less the sum measured,
//     worst in the range, in dB; at most Limits.SumShortfallDB.
//   - "signal": at each microphone and frequency of the operating range the
//     loudest capture stands 10 dB above the noise of one average,
//     |H|²/(2·Sigma²·Averages); Value is the worst. Where it is not proven the
//     verdict is undecided and the other claims are not made.
//   - "output N heard", for each output: level alone in front over the
//     range, in dB against prediction, the outputs' median taken out; within
//     3 dB.
//   - "output N in time", for each output: mean phase alone over the
//     range, in degrees late of prediction, the outputs' median at each
//     frequency taken out; within 20 degrees at both microphones, the worse
//     one is shown.
//
// A claim is proven when its 99 % interval clears the limit, refuted when the
// interval lies wholly beyond, else undecided. Claims that pick the worst of
// several frequencies or microphones share the 1 % among them. The verdict is
// proven when every claim is, refuted when any is, else undecided.
//
// A missing capture makes the verdict undecided. Errors: captures of two
// sheets or axes, twice the same, not of this site, not finite; a prediction
// that does not cover them; limits that are open, which anything would clear.
func Judge(site engine.Site, prediction engine.Prediction, captures []Capture) (Verdict, error) {
	e, missing, err := gather(site, prediction, captures)
	if err != nil {
		return Verdict{}, err
	}
	if len(missing) > 0 {
		gap := Claim{Name: "captures", Outcome: Undecided, Sentence: "not measured: " + strings.Join(missing, "; ")}
		return conclude(nil, []Claim{gap}, engine.Summary{}), nil
	}
	if site.Limits.Open() {
		return Verdict{}, fmt.Errorf("limits: got %+v, want each of them before anything is judged", site.Limits)
	}
	signal := e.signal()
	summary, err := engine.Summarise(e.curve(e.everything.front), e.curve(e.everything.rear), e.coherent(), site.Target)
	if signal.Outcome != Proven {
		return conclude(nil, []Claim{signal}, summary), nil // of silence there may be no summary
	}
	if err != nil {
		return Verdict{}, err
	}
	heard, err := e.heard()
	if err != nil {
		return Verdict{}, err
	}
	inTime, err := e.inTime()
	if err != nil {
		return Verdict{}, err
	}
	summary = e.asDeepAsNoiseTells(summary)
	promises := []Claim{e.nullDepth(summary), e.nullFrequency(summary), e.sum(summary)}
	return conclude(promises, slices.Concat([]Claim{signal}, heard, inTime), summary), nil
}

// conclude makes the verdict that follows from the claims. Its reasons are the
// claims that do not hold or, where all do, the promises that were kept.
func conclude(promises, conditions []Claim, summary engine.Summary) Verdict {
	v := Verdict{Outcome: Proven, Claims: slices.Concat(promises, conditions), Summary: summary}
	for _, c := range v.Claims {
		if c.Outcome == Refuted || c.Outcome == Undecided && v.Outcome == Proven {
			v.Outcome = c.Outcome
		}
		if c.Outcome != Proven {
			v.Reasons = append(v.Reasons, c.Sentence)
		}
	}
	if v.Outcome == Proven {
		for _, c := range promises {
			v.Reasons = append(v.Reasons, c.Sentence)
		}
	}
	return v
}

// signal claims that the microphones hear the test signal. The loudest capture
// counts, for a rig that works is meant to be quiet at the rear, and one out
// of order may be quiet in front. The interval is H's own; the noise is taken
// as measured.
func (e *evidence) signal() Claim {
	c := Claim{Name: "signal", Unit: "dB", Limit: leastSignalDB, Value: math.Inf(1), Low: math.Inf(1), High: math.Inf(1)}
	miss := doubt / float64(2*len(e.inRange)*(1+len(e.solos)))
	for _, role := range []engine.Role{engine.RoleFront, engine.RoleRear} {
		for _, i := range e.inRange {
			value, low, high := math.Inf(-1), math.Inf(-1), math.Inf(-1)
			for _, capture := range e.all(role) {
				f := capture.Function
				noise := f.Sigma[i] * math.Sqrt(2*f.Averages)
				if f.H[i] == 0 {
					continue // also a dead input, whose noise is 0 as well
				}
				q := radius(f.DegreesOfFreedom(), miss) * f.Sigma[i]
				value = math.Max(value, decibels(cmplx.Abs(f.H[i])/noise))
				low = math.Max(low, decibels((cmplx.Abs(f.H[i])-q)/noise))
				high = math.Max(high, decibels((cmplx.Abs(f.H[i])+q)/noise))
			}
			c.Value, c.Low, c.High = math.Min(c.Value, value), math.Min(c.Low, low), math.Min(c.High, high)
		}
	}
	c.Outcome = Undecided
	c.Sentence = fmt.Sprintf("the microphones hear the test signal only %.1f dB above the noise; %d dB are needed: turn up, or wait for quiet", c.Value, leastSignalDB)
	switch {
	case c.Low >= leastSignalDB:
		c.Outcome = Proven
		c.Sentence = fmt.Sprintf("the microphones hear the test signal %.1f dB above the noise; %d dB are needed", c.Value, leastSignalDB)
	case math.IsInf(c.Value, -1):
		c.Sentence = "a microphone hears nothing at all: see to its cable and its input"
	case c.Value >= leastSignalDB:
		c.Sentence = fmt.Sprintf("the microphones hear the test signal %.1f dB above the noise, too few averages to be sure of the %d dB needed", c.Value, leastSignalDB)
	}
	return c
}
