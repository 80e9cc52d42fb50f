package figures

import (
	"fmt"

	"hushback/engine"
	"hushback/verify"
)

// Promise is one number of the sheet beside what was measured of it.
type Promise struct{ What, Predicted, Measured, Wanted string }

// Claim is a verdict's claim with its numbers said.
type Claim struct {
	verify.Claim
	Mark, Numbers string
}

// NewClaim says a claim.
func NewClaim(c verify.Claim) Claim { return Claim{c, OutcomeMark(c.Outcome), claimNumbers(c)} }

// OutcomeMark is an outcome as a sign beside its word.
func OutcomeMark(o verify.Outcome) string {
	switch o {
	case verify.Proven:
		return "✓"
	case verify.Refuted:
		return "✗"
	default:
		return "?"
	}
}

// OutcomeWords is an outcome and what it means.
func OutcomeWords(o verify.Outcome) (word, means string) {
	switch o {
	case verify.Proven:
		return "Proven", "The rig does what the sheet promised."
	case verify.Refuted:
		return "Refuted", "The rig does not do what the sheet promised."
	default:
		return "Undecided", "The measurement cannot tell whether the rig does what the sheet promised."
	}
}

// Promises is the table that a person decides by, what is wanted in its last
// column. A summary of nothing but zeros was not measured.
func Promises(site engine.Site, predicted, measured engine.Summary) []Promise {
	say := func(of func(engine.Summary) string) string {
		if measured == (engine.Summary{}) {
			return "unknown"
		}
		return of(measured)
	}
	rows := []struct {
		what, wanted string
		number       func(engine.Summary) string
	}{
		{"Rear against front at " + Hz(site.Target.NullHz), "at most " + DB(-site.Limits.NullDepthDB),
			func(s engine.Summary) string { return DB(s.AtTargetDB) }},
		{"Null behind at", Hz(site.Target.NullHz) + " ±" + Space + Hz(site.Limits.NullOffsetHz),
			func(s engine.Summary) string { return Hz(s.NullHz) }},
		{"Rear against front there", "–", func(s engine.Summary) string { return DB(s.NullDepthDB) }},
		{"Sum falls short by", "at most " + DB(site.Limits.SumShortfallDB),
			func(s engine.Summary) string { return DB(s.SumShortfallDB) }},
	}
	var out []Promise
	for _, r := range rows {
		out = append(out, Promise{r.what, r.number(predicted), say(r.number), r.wanted})
	}
	return out
}

// claimNumbers says value, both intervals, limit and margin.
func claimNumbers(c verify.Claim) string {
	unit := Space + c.Unit
	if c.Unit == "°" {
		unit = c.Unit
	}
	interval := func(percent int, low, high float64) string {
		return fmt.Sprintf("%d%s%% interval %s to %s%s", percent, Space, Number(low, 2), Number(high, 2), unit)
	}
	return fmt.Sprintf("%s%s; %s; %s, which decides; limit %s%s, margin %s%s", Number(c.Value, 2), unit,
		interval(verify.LikelyPercent, c.Likely[0], c.Likely[1]), interval(verify.ConfidencePercent, c.Low, c.High),
		Number(c.Limit, 2), unit, Number(c.Margin, 2), unit)
}
