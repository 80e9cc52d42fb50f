package pages

import (
	"slices"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/verify"
)

// judged is a verdict made ready for the page: the outcome, then the numbers
// that decide about keeping, then the claims.
type judged struct {
	verify.Verdict
	Mark, Said, Meaning string
	Past                bool // what was judged does not stand any more
	Rows                []figures.Promise
	Open, Proven        []figures.Claim
}

// judgedOf says a verdict as it counts now: nil without one.
func judgedOf(v desk.View, st desk.Standing) *judged {
	if v.Verdict == nil {
		return nil
	}
	j := judged{Verdict: *v.Verdict, Mark: figures.OutcomeMark(v.Verdict.Outcome), Past: !slices.Contains([]string{"measuring", "held", "kept"}, st.Name)}
	if j.Said, j.Meaning = figures.OutcomeWords(j.Outcome); j.Past {
		j.Said, j.Meaning = j.Said+pastWords(v.Captures, st), "This is what was measured then."
	}
	j.Rows = figures.Promises(v.Site, v.Prediction.Summary, v.Verdict.Summary)
	for _, c := range v.Verdict.Claims {
		if said := figures.NewClaim(c); c.Outcome == verify.Proven {
			j.Proven = append(j.Proven, said)
		} else {
			j.Open = append(j.Open, said)
		}
	}
	return &j
}

// pastWords says when an outcome was true, and that its sheet has gone.
func pastWords(captures []verify.Capture, st desk.Standing) string {
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
