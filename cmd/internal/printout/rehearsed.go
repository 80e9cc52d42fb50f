package printout

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/verify"
)

// Rehearsed is what a rehearsal with nobody present comes to; with --json it is
// printed as it stands. Measured numbers are null when nothing was judged.
type Rehearsed struct {
	Verdict      verify.Outcome `json:"verdict"`
	Reasons      []string       `json:"reasons"`
	NullHz       *float64       `json:"null_hz"`
	NullDepthDB  *float64       `json:"null_depth_db"`
	AtTargetDB   *float64       `json:"at_target_db"`
	ShortfallDB  *float64       `json:"sum_shortfall_db"`
	TargetHz     float64        `json:"target_hz"`
	Predicted    Predicted      `json:"predicted"`
	Causes       []cause        `json:"causes"`      // what may be wrong, the most probable first
	Corrections  int            `json:"corrections"` // taken up on the way
	Sends        int            `json:"sends"`
	Kept         bool           `json:"kept"`
	Ended        string         `json:"ended"`
	HoldsAsFound bool           `json:"holds_as_found"` // read from the processor at the very end
	Sheet        []Row          `json:"sheet"`
	Fault        string         `json:"fault"`
	Seed         uint64         `json:"seed"`
}

// cause is one thing that may be wrong with the rig.
type cause struct {
	Probability float64 `json:"probability"`
	Kind        string  `json:"kind"`
	Output      int     `json:"output"`
	Sentence    string  `json:"sentence"`
}

// TellRehearsal gathers what a picture tells of it. Sends, HoldsAsFound, Fault, Seed
// and Corrections are left to whoever knows.
func TellRehearsal(v desk.View) Rehearsed {
	r := Rehearsed{
		Verdict: verify.Undecided, Reasons: Reasons(v), TargetHz: v.Site.Target.NullHz, Ended: desk.StateName(v.State),
		Predicted: Predicted{
			NullHz:      Round(v.Prediction.Summary.NullHz, 2),
			NullDepthDB: Round(v.Prediction.Summary.NullDepthDB, 1),
			ShortfallDB: Round(v.Prediction.Summary.SumShortfallDB, 2),
		},
	}
	_, r.Kept = v.State.(control.Kept)
	if v.Verdict != nil {
		r.Verdict = v.Verdict.Outcome
	}
	if v.Verdict != nil && judgedNull(*v.Verdict) {
		m := v.Verdict.Summary
		r.NullHz, r.NullDepthDB = number(m.NullHz, 2), number(m.NullDepthDB, 1)
		r.AtTargetDB, r.ShortfallDB = number(m.AtTargetDB, 1), number(m.SumShortfallDB, 2)
	}
	if v.Diagnosis != nil {
		for _, c := range v.Diagnosis.Causes {
			r.Causes = append(r.Causes, cause{Round(c.Probability, 4), string(c.Kind), c.Output, c.Sentence})
		}
	}
	r.Sheet, r.Causes = Rows(v.Site, v.Sheet), list(r.Causes)
	return r
}

// judgedNull reports whether the measurement was good enough to say anything of
// the null: of noise there are numbers too, but none to be told.
func judgedNull(v verify.Verdict) bool {
	return slices.ContainsFunc(v.Claims, func(c verify.Claim) bool { return c.Name == verify.NullDepth })
}

// Reasons are the verdict's, or what kept the loop from reaching one.
func Reasons(v desk.View) []string {
	if v.Verdict != nil {
		return v.Verdict.Reasons
	}
	switch s := v.State.(type) {
	case control.RolledBack:
		return []string{s.Reason}
	case control.Adrift:
		return []string{s.Reason}
	}
	return []string{cmp.Or(v.Notice, "nothing was measured")}
}

// Print writes it as text, in which paint may colour the verdict, or as one JSON
// object.
func (r Rehearsed) Print(w io.Writer, asJSON bool, paint func(word string) string) error {
	if asJSON {
		return JSON(w, r)
	}
	line := func(name, format string, args ...any) {
		fmt.Fprintf(w, "%-9s "+format+"\n", append([]any{name}, args...)...)
	}
	for _, s := range r.Sheet {
		line(fmt.Sprintf("output %d", s.Output), "%s", s)
	}
	p := r.Predicted
	line("predicted", "null at %.1f Hz, %.0f dB deep; sum in front %.1f dB short of coherent", p.NullHz, -p.NullDepthDB, p.ShortfallDB)
	if r.NullHz != nil {
		line("measured", "null at %.1f Hz, %.0f dB deep; sum in front %.1f dB short of coherent", *r.NullHz, -*r.NullDepthDB, *r.ShortfallDB)
	}
	if r.NullHz == nil {
		line("measured", "nothing that tells of the null")
	}
	line("verdict", "%s", paint(string(r.Verdict)))
	for _, reason := range r.Reasons {
		line("", "%s", reason)
	}
	for _, c := range r.Causes {
		if c.Probability >= desk.WorthSaying {
			line("perhaps", "%s (%s)", c.Sentence, strings.ReplaceAll(figures.Percent(c.Probability), figures.Space, " "))
		}
	}
	holds := "the sheet"
	if r.HoldsAsFound {
		holds = "what it held before"
	}
	line("ended", "%s after %d datagrams; the processor holds %s", r.Ended, r.Sends, holds)
	return nil
}

// number is a rounded number for JSON, nil for what JSON cannot say.
func number(v float64, digits int) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	v = Round(v, digits)
	return &v
}
