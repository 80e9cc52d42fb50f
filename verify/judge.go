package verify

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"hushback/engine"
)

// LeastSignalDB is how far the test signal must stand above the noise of one
// average. Common practice, no published source.
const LeastSignalDB = 10

// Judge holds the captures of one sheet against its prediction and the site's
// limits. It wants everything open, and each of the site's outputs or else each
// of its rows alone, at both microphones, all on one frequency axis whose lines in
// the operating range the prediction has too. From each capture the predicted
// arrival at its microphone must have been taken out (DelaySec), so that phases
// turn slowly from line to line.
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
//   - "level match behind", of a site with two rows whose prediction has the null:
//     front row over rear row at the rear microphone at the target, in dB against
//     prediction; within what the null leaves room for.
//   - "phase match in front", of a site with two rows: rear row against front
//     row over the range, in degrees late of prediction; within what the sum
//     leaves room for.
//   - "whole equals parts": everything open less the sum of what was heard
//     alone, as energy over the range against all parts in phase, in dB, the
//     worse microphone; at most -20 dB.
//   - "microphones alike": what the rear microphone reads of an output alone over
//     what the front one does, in dB against prediction, the middle of all
//     outputs; within 6 dB.
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
	signal.finish(signal, e.averages(), e.subjects())
	summary, err := engine.Summarise(e.curve(e.everything.front), e.behind(), e.coherent(), site.Target)
	if signal.Outcome != Proven {
		return conclude(nil, []Claim{signal}, summary), nil // of silence there may be no summary
	}
	if err != nil {
		return Verdict{}, err
	}
	summary = e.asDeepAsNoiseTells(summary)
	claims, err := e.claims(summary)
	if err != nil {
		return Verdict{}, err
	}
	e.doubt = 1 - LikelyPercent/100.
	likely, err := e.claims(summary)
	if err != nil {
		return Verdict{}, err
	}
	for i := range claims {
		claims[i].finish(likely[i], e.averages(), e.rests(claims[i].Name))
	}
	const promises = 3
	return conclude(claims[:promises], append([]Claim{signal}, claims[promises:]...), summary), nil
}

// claims makes all claims but the signal's, the promises first. Which there are
// does not depend on doubt.
func (e *evidence) claims(s engine.Summary) ([]Claim, error) {
	heard, err := e.heard()
	if err != nil {
		return nil, err
	}
	inTime, err := e.inTime()
	if err != nil {
		return nil, err
	}
	rows, err := e.betweenRows()
	if err != nil {
		return nil, err
	}
	alike, err := e.alike()
	if err != nil {
		return nil, err
	}
	return slices.Concat([]Claim{e.nullDepth(s), e.nullFrequency(s), e.sum(s)}, rows, []Claim{e.wholeOfParts(), alike}, heard, inTime), nil
}

// averages is the least that any capture has.
func (e *evidence) averages() float64 {
	least := math.Inf(1)
	for _, c := range append(e.all(engine.RoleFront), e.all(engine.RoleRear)...) {
		least = math.Min(least, c.Function.Averages)
	}
	return least
}

// subjects are all captures in words.
func (e *evidence) subjects() []string {
	var words []string
	for _, c := range append(e.all(engine.RoleFront), e.all(engine.RoleRear)...) {
		words = append(words, c.Subject(e.site))
	}
	return words
}

// rests names the captures that a claim was made from.
func (e *evidence) rests(claim string) []string {
	front, rear := e.everything.front.Subject(e.site), e.everything.rear.Subject(e.site)
	switch claim {
	case NullDepth, "null frequency":
		return []string{front, rear}
	case "whole equals parts":
		return e.subjects()
	}
	var words []string
	for _, p := range e.parts {
		ahead, behind := p.front.Subject(e.site), p.rear.Subject(e.site)
		switch claim {
		case "sum in front", "phase match in front", p.name + " heard":
			words = append(words, ahead)
		case "level match behind":
			words = append(words, behind)
		case p.name + " in time", "microphones alike":
			words = append(words, ahead, behind)
		}
	}
	if claim == "sum in front" {
		words = append(words, front)
	}
	return words
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
	c := Claim{kind: isAtLeast, Name: "signal", Unit: "dB", Limit: LeastSignalDB, Value: math.Inf(1), Low: math.Inf(1), High: math.Inf(1)}
	miss := e.doubt / float64(2*len(e.inRange)*(1+len(e.parts)))
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
	c.Sentence = fmt.Sprintf("the microphones hear the test signal only %.1f dB above the noise; %d dB are needed: turn up, or wait for quiet", c.Value, LeastSignalDB)
	switch {
	case c.Low >= LeastSignalDB:
		c.Outcome = Proven
		c.Sentence = fmt.Sprintf("the microphones hear the test signal %.1f dB above the noise; %d dB are needed", c.Value, LeastSignalDB)
	case math.IsInf(c.Value, -1):
		c.Sentence = "a microphone hears nothing at all: see to its cable and its input"
	case c.Value >= LeastSignalDB:
		c.Sentence = fmt.Sprintf("the microphones hear the test signal %.1f dB above the noise, too few averages to be sure of the %d dB needed", c.Value, LeastSignalDB)
	}
	return c
}
