// Package diagnose says what is wrong with a rig, from the captures of a series.
//
// Method: comparison of hypotheses by their marginal likelihood. A hypothesis
// is no fault, one, or two; each changes how the rig is connected or lets some
// quantity be further off than the site's tolerance (faults.go), and
// verify/diagnose/model says how probable it makes the captures. All two faults
// would be too many: the second is tried on top of the few single ones that
// explain the captures best. The probability of a cause is that of all the
// hypotheses it is in. Too much noise is judged by itself.
//
// What cannot be told apart, whatever the method, shares its probability:
//
//   - Latency, level and polarity of a microphone's channel are not known, so
//     what all outputs do alike is no fault; of two outputs, one early is the
//     other late, and one reversed is the other.
//   - An output that is late and a source that is too far back are alike in
//     front and opposite behind; with one microphone they are the same.
//   - Swapped outputs whose sources mirror each other about a line that both
//     microphones stand on, with the same settings.
//   - A microphone further away on the axis of a small array is latency and
//     level; warmer air is latency and a little of every place.
//   - A response that all captures share and that a loudspeaker may well have.
package diagnose

import (
	"cmp"
	"math"
	"slices"

	"hushback/engine"
	"hushback/verify"
	"hushback/verify/diagnose/model"
)

// Cause is one thing that may be wrong.
type Cause struct {
	Kind            Kind
	Output, Other   int    // numbers of the site's outputs; 0: none, or all of them
	Source          string // that is not where stated
	Microphone      string // that is not where stated, or hears too much noise; "": neither, or both
	Amount, AmountY float64
	Unit            string
	Probability     float64
	Evidence        string // what was measured that says so
	Sentence        string // what is wrong and what to do, for a person
}

// Diagnosis is what the captures say of the rig. Causes may be there together,
// so their probabilities need not add up to anything.
type Diagnosis struct {
	Causes  []Cause // by falling probability; what is below a thousandth is left out
	Healthy float64 // probability that nothing is wrong
}

const leastProbability = 1e-3

// Find names what may be wrong with the rig that the captures were taken of,
// while the sheet stood, if everything is within the site's tolerance that is
// not wrong. It makes the best of what captures there are; everything and each
// output alone at both microphones tell the most.
//
// Errors: no captures, captures of two sheets or of another one than this, of
// two axes, twice the same, not of this site, not finite, with fewer than three
// frequencies in the operating range; a site that engine/field cannot predict.
func Find(site engine.Site, sheet engine.Sheet, captures []verify.Capture) (Diagnosis, error) {
	m, err := model.New(site, sheet, captures)
	if err != nil {
		return Diagnosis{}, err
	}
	guesses, err := search(m, faults(site, m.Healthy()))
	if err != nil {
		return Diagnosis{}, err
	}
	w := words{site: site, m: m, guesses: guesses, sheet: sheet}
	return w.diagnosis(), nil
}

// suspect is a fault with the probability of all guesses that it is in, and the
// best of them.
type suspect struct {
	fault       fault
	probability float64
	best        *guess
}

// suspects adds up the guesses, each by its share of the whole; healthy is what
// is left for no fault at all.
func suspects(guesses []guess) (all []suspect, healthy float64) {
	var whole float64
	for _, g := range guesses {
		whole += math.Exp(g.logPost - guesses[0].logPost)
	}
	for i := range guesses {
		g := &guesses[i]
		share := math.Exp(g.logPost-guesses[0].logPost) / whole
		if len(g.faults) == 0 {
			healthy = share
		}
		for _, f := range g.faults {
			k := slices.IndexFunc(all, func(s suspect) bool { return s.fault.same(f) })
			if k < 0 {
				k = len(all)
				all = append(all, suspect{fault: f, best: g})
			}
			all[k].probability += share
		}
	}
	slices.SortStableFunc(all, func(a, b suspect) int { return cmp.Compare(b.probability, a.probability) })
	return all, healthy
}

// same reports whether two faults are one to a person: the size of what is not
// explained makes no difference.
func (f fault) same(g fault) bool {
	f.logPrior, g.logPrior = 0, 0
	if f.kind == Unexplained {
		f.amount = g.amount
	}
	return f == g
}

// noisy is the probability that a microphone hears too little signal over noise
// for anybody to judge by: even at what verify.Judge
// wants.
func noisy(signalDB float64) float64 {
	const blurDB = 1
	return 1 / (1 + math.Exp((signalDB-verify.LeastSignalDB)/blurDB))
}
