package dashboard

import (
	"fmt"
	"slices"
	"time"

	"hushback/cmd/internal/dashboard/figures"
	"hushback/engine"
	"hushback/verify"
)

// judged is a verdict made ready for the page: the outcome, then the numbers
// that decide about keeping, then the claims.
type judged struct {
	verify.Verdict
	Mark, Said, Meaning string
	Past                bool // what was judged does not stand any more
	Rows                []promise
	Open, Proven        []claim
}

// promise is one number of the sheet beside what was measured of it.
type promise struct{ What, Predicted, Measured, Wanted string }

// claim is a verdict's claim with its numbers said.
type claim struct {
	verify.Claim
	Mark, Numbers string
}

// judgedOf says a verdict as it counts now: nil without one.
func judgedOf(v View, st standing) *judged {
	if v.Verdict == nil {
		return nil
	}
	j := judged{Verdict: *v.Verdict, Mark: mark(v.Verdict.Outcome), Past: !slices.Contains([]string{"measuring", "held", "kept"}, st.Name)}
	if j.Said, j.Meaning = outcomeWords(j.Outcome); j.Past {
		j.Said, j.Meaning = j.Said+pastWords(v.Captures, st), "This is what was measured then."
	}
	j.Rows = promises(v.Site, v.Prediction.Summary, v.Verdict.Summary)
	for _, c := range v.Verdict.Claims {
		if said := (claim{c, mark(c.Outcome), claimNumbers(c)}); c.Outcome == verify.Proven {
			j.Proven = append(j.Proven, said)
		} else {
			j.Open = append(j.Open, said)
		}
	}
	return &j
}

func mark(o verify.Outcome) string {
	switch o {
	case verify.Proven:
		return "✓"
	case verify.Refuted:
		return "✗"
	default:
		return "?"
	}
}

// outcomeWords is an outcome and what it means.
func outcomeWords(o verify.Outcome) (word, means string) {
	switch o {
	case verify.Proven:
		return "Proven", "The rig does what the sheet promised."
	case verify.Refuted:
		return "Refuted", "The rig does not do what the sheet promised."
	default:
		return "Undecided", "The measurement cannot tell whether the rig does what the sheet promised."
	}
}

// pastWords says when an outcome was true, and that its sheet has gone.
func pastWords(captures []verify.Capture, st standing) string {
	var last time.Time
	for _, c := range captures {
		if c.Taken.After(last) {
			last = c.Taken
		}
	}
	gone := ", no longer on the processor"
	if st.Name == "adrift" {
		gone = ", perhaps no longer on the processor"
	}
	if last.IsZero() {
		return gone
	}
	return " at " + clock(last) + gone
}

// promises is the table that a person decides by, what is wanted in its last
// column. A summary of nothing but zeros was not measured.
func promises(site engine.Site, predicted, measured engine.Summary) []promise {
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
		{"Rear against front at " + figures.Hz(site.Target.NullHz), "at most " + figures.DB(-site.Limits.NullDepthDB),
			func(s engine.Summary) string { return figures.DB(s.AtTargetDB) }},
		{"Null behind at", figures.Hz(site.Target.NullHz) + " ±" + figures.Space + figures.Hz(site.Limits.NullOffsetHz),
			func(s engine.Summary) string { return figures.Hz(s.NullHz) }},
		{"Rear against front there", "–", func(s engine.Summary) string { return figures.DB(s.NullDepthDB) }},
		{"Sum falls short by", "at most " + figures.DB(site.Limits.SumShortfallDB),
			func(s engine.Summary) string { return figures.DB(s.SumShortfallDB) }},
	}
	var out []promise
	for _, r := range rows {
		out = append(out, promise{r.what, r.number(predicted), say(r.number), r.wanted})
	}
	return out
}

// claimNumbers says value, interval and limit.
func claimNumbers(c verify.Claim) string {
	return fmt.Sprintf("%s%s%s; %d%s%% interval %s to %s; limit %s%s%s", figures.Number(c.Value, 2), figures.Space, c.Unit, verify.ConfidencePercent, figures.Space,
		figures.Number(c.Low, 2), figures.Number(c.High, 2), figures.Number(c.Limit, 2), figures.Space, c.Unit)
}

// missing names the microphones of the site that are not connected, "" when
// all are; one of which nothing has been heard yet is not.
func missing(hearings []hearing) string {
	var names []string
	for _, h := range hearings {
		if !h.Connected {
			names = append(names, h.Microphone)
		}
	}
	switch {
	case len(names) == 0:
		return ""
	case len(names) == 1:
		return "the " + names[0] + " microphone"
	default:
		return "the microphones " + figures.List(names)
	}
}
