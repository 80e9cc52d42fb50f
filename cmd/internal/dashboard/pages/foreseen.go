package pages

import (
	"math"
	"strconv"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/engine/tolerance"
)

// costliest is how many errors the page lists.
const costliest = 3

// foreseen is what errors do to the sheet and how near it is to its bound, in words.
type foreseen struct {
	Rows    []spread
	Costs   []string // which errors cost most, a sentence each
	Advice  string
	Bound   string // how near the sheet is to what nothing could exceed, a sentence
	Trouble string
}

// spread is one number of a rig: what it should be, and what 90 of 100 rigs do.
type spread struct{ What, Predicted, Low, High, Wanted string }

// foreseenOf says what was foreseen; nil while it is being worked out.
func foreseenOf(v desk.View) *foreseen {
	if v.Foreseen == nil {
		return nil
	}
	f := &foreseen{Trouble: figures.Sentence(v.Foreseen.Trouble), Bound: boundWords(*v.Foreseen)}
	if f.Trouble != "" {
		return f
	}
	r, l := v.Foreseen.Errors, v.Site.Limits
	row := func(what string, said func(float64) string, predicted float64, i tolerance.Interval, wanted string) {
		f.Rows = append(f.Rows, spread{what, said(predicted), said(i.Low), said(i.High), wanted})
	}
	row("Null behind", figures.Hz, r.Predicted.NullHz, r.NullHz, figures.Hz(v.Site.Target.NullHz)+" ± "+figures.Hz(l.NullOffsetHz))
	row("Rear against front at "+figures.Hz(r.TargetHz), figures.DB, r.Predicted.AtTargetDB, r.AtTargetDB, "at most "+figures.DB(-l.NullDepthDB))
	row("Sum falls short by", figures.DB, r.Predicted.SumShortfallDB, r.SumShortfallDB, "at most "+figures.DB(l.SumShortfallDB))
	for _, e := range r.Costliest(costliest) {
		f.Costs = append(f.Costs, costWords(e))
	}
	f.Advice = figures.Sentence(r.Advice())
	return f
}

// costWords says what one error does.
func costWords(e tolerance.Effect) string {
	what := e.Of
	switch e.Kind {
	case tolerance.DelayStep:
		what = "output " + e.Of + ", its delay"
	case tolerance.Temperature:
		what = "the air, its temperature"
	case tolerance.SourceLevel:
		what += ", its level"
	case tolerance.SourceAside, tolerance.MicrophoneAside:
		what += ", aside"
	default:
		what += ", forward or back"
	}
	return figures.Sentence(what + ": " + e.Kind.Amount(e.Round) + " leave " + figures.DB(e.AtRoundDB) + " rear against front")
}

// boundWords says how near an aim was reached.
func boundWords(f desk.Foreseen) string {
	if f.Bound == 0 || math.IsNaN(f.Reached) {
		return "The site has no aim, so no bound is reckoned: the settings are those of its treatments."
	}
	return "The search reached " + figures.DB(f.Reached) + " in front over the quiet zones. No processing of these sources could exceed " +
		figures.DB(f.Bound) + ": " + strconv.FormatFloat(f.Bound-f.Reached, 'f', 1, 64) + figures.Space + "dB are out of reach or left."
}
