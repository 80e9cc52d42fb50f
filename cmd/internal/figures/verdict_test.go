package figures

import (
	"math"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/verify"
)

func plain(words string) string { return strings.ReplaceAll(words, Space, " ") }

func TestPromisesStandBesideWhatWasMeasured(t *testing.T) {
	site := engine.Site{
		Target: engine.Target{NullHz: 47},
		Limits: engine.Limits{NullDepthDB: 24, NullOffsetHz: 0.5, SumShortfallDB: 1.5},
	}
	predicted := engine.Summary{NullHz: 47.1, NullDepthDB: -40.6, AtTargetDB: -39.9, SumShortfallDB: 0.6}
	measured := engine.Summary{NullHz: 47.2, NullDepthDB: -37.4, AtTargetDB: -36.8, SumShortfallDB: 0.8}
	want := []Promise{
		{"Rear against front at 47.0 Hz", "−39.9 dB", "−36.8 dB", "at most −24.0 dB"},
		{"Null behind at", "47.1 Hz", "47.2 Hz", "47.0 Hz ± 0.5 Hz"},
		{"Rear against front there", "−40.6 dB", "−37.4 dB", "–"},
		{"Sum falls short by", "0.6 dB", "0.8 dB", "at most 1.5 dB"},
	}
	for i, got := range Promises(site, predicted, measured) {
		if got := (Promise{plain(got.What), plain(got.Predicted), plain(got.Measured), plain(got.Wanted)}); got != want[i] {
			t.Errorf("got %+v, want %+v", got, want[i])
		}
	}
	for i, got := range Promises(site, predicted, engine.Summary{}) {
		if got.Measured != "unknown" || plain(got.Predicted) != want[i].Predicted {
			t.Errorf("not measured: %+v", got)
		}
	}
}

func TestOutcomesHaveASignAndAWord(t *testing.T) {
	for outcome, want := range map[verify.Outcome][2]string{
		verify.Proven: {"✓", "Proven"}, verify.Refuted: {"✗", "Refuted"}, verify.Undecided: {"?", "Undecided"}, "": {"?", "Undecided"},
	} {
		word, means := OutcomeWords(outcome)
		if OutcomeMark(outcome) != want[0] || word != want[1] || !strings.Contains(means, "the sheet promised.") {
			t.Errorf("%q: %s %s, %q", outcome, OutcomeMark(outcome), word, means)
		}
	}
}

func TestClaimSaysItsNumbers(t *testing.T) {
	c := NewClaim(verify.Claim{Name: "sum", Outcome: verify.Proven, Unit: "dB", Value: 0.8, Low: 0.6, High: math.Inf(1), Likely: [2]float64{0.7, 2}, Limit: 1.5, Margin: 0.7})
	if got := plain(c.Numbers); c.Mark != "✓" || c.Name != "sum" || got != "0.80 dB; 90 % interval 0.70 to 2.00 dB; 99 % interval 0.60 to ∞ dB, which decides; limit 1.50 dB, margin 0.70 dB" {
		t.Errorf("%s %s: %q", c.Mark, c.Name, got)
	}
}
