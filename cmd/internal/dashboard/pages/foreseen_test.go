package pages

import (
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
	"hushback/engine"
	"hushback/engine/tolerance"
)

// What errors do stands beside what is predicted and what is wanted.
func TestForeseenInWords(t *testing.T) {
	v := desktest.View(control.Idle{})
	if said := saidOn(checkPage(t, "not yet", pageOf(t, v))); !strings.Contains(said, "How sure that is Being worked out.") {
		t.Error("the page does not say that it is being worked out")
	}
	v.Foreseen = &desk.Foreseen{Reached: 20.9, Bound: 21.6, Errors: tolerance.Report{
		Predicted: engine.Summary{NullHz: 47.1, AtTargetDB: -39.9, SumShortfallDB: 0.6}, TargetHz: 47,
		NullHz: tolerance.Interval{Low: 46.2, Median: 47, High: 47.9}, AtTargetDB: tolerance.Interval{Low: -41, Median: -30, High: -25.5}, SumShortfallDB: tolerance.Interval{Low: 0.5, Median: 0.6, High: 0.8},
		Effects: []tolerance.Effect{{Kind: tolerance.SourceAlong, Of: "rear stack", Round: 0.1, AtRoundDB: -18.6, AtToleranceDB: -24}},
	}}
	said := saidOn(checkPage(t, "foreseen", pageOf(t, v)))
	for _, want := range []string{
		"Null behind 47.1 Hz 46.2 Hz to 47.9 Hz 47.0 Hz ± 0.5 Hz", "Rear against front at 47.0 Hz −39.9 dB −41.0 dB to −25.5 dB at most −24.0 dB",
		"Rear stack, forward or back: 10 cm leave −18.6 dB rear against front.", "reached 20.9 dB", "could exceed 21.6 dB: 0.7 dB",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	v.Foreseen = &desk.Foreseen{Trouble: "the null lies outside the band"}
	if said := saidOn(checkPage(t, "trouble", pageOf(t, v))); !strings.Contains(said, "The null lies outside the band. The site has no aim") {
		t.Error("the page does not say why nothing can be told")
	}
}
