package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"hushback/cmd/internal/dashboard/figures"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/printout"
	"hushback/control"
	"hushback/engine"
	"hushback/verify"
)

// result is what a rehearsal with nobody present comes to; with --json it is
// printed as it stands. Measured numbers are null when nothing was judged.
type result struct {
	Verdict      verify.Outcome     `json:"verdict"`
	Reasons      []string           `json:"reasons"`
	NullHz       *float64           `json:"null_hz"`
	NullDepthDB  *float64           `json:"null_depth_db"`
	AtTargetDB   *float64           `json:"at_target_db"`
	ShortfallDB  *float64           `json:"sum_shortfall_db"`
	TargetHz     float64            `json:"target_hz"`
	Predicted    printout.Predicted `json:"predicted"`
	Causes       []cause            `json:"causes"`      // what may be wrong, the most probable first
	Corrections  int                `json:"corrections"` // taken up on the way
	Sends        int                `json:"sends"`
	Kept         bool               `json:"kept"`
	Ended        string             `json:"ended"`
	HoldsAsFound bool               `json:"holds_as_found"` // read from the processor at the very end
	Sheet        []printout.Row     `json:"sheet"`
	Fault        string             `json:"fault"`
	Seed         uint64             `json:"seed"`
}

// cause is one thing that may be wrong with the rig.
type cause struct {
	Probability float64 `json:"probability"`
	Kind        string  `json:"kind"`
	Output      int     `json:"output"`
	Sentence    string  `json:"sentence"`
}

// alone goes through the loop with nobody present and prints what it came to.
func (s *set) alone(ctx context.Context, flags rehearseFlags, stdout, stderr io.Writer) error {
	say := func(format string, args ...any) { fmt.Fprintf(stderr, format+"\n", args...) }
	say("rehearsal: %s; seed %d, %s", s.daemon.View().Site.Job, s.seed, s.faultWords())
	found, err := s.walk(ctx, say)
	if err != nil {
		return err
	}
	corrections := 0
	for ; corrections < flags.correct && s.daemon.View().Correction != nil; corrections++ {
		say("%s", strings.Join(reasons(s.daemon.View()), "\n"))
		say("taking the correction")
		if err := s.daemon.Correct(ctx); err != nil {
			return err
		}
		if err := s.confirm(ctx, say); err != nil {
			return err
		}
	}
	r, err := s.result(ctx, found)
	if err != nil {
		return err
	}
	r.Corrections = corrections
	if err := r.print(stdout, flags.json); err != nil {
		return err
	}
	if r.Verdict != verify.Proven || !r.Kept {
		return errNotProven
	}
	return nil
}

// walk takes the steps a person would take on the page, and returns what the
// processor held before the first of them.
func (s *set) walk(ctx context.Context, say func(string, ...any)) ([]engine.Setting, error) {
	if err := s.daemon.StoreSafe(ctx); err != nil {
		return nil, err
	}
	say("stored what the processor holds now as the safe preset")
	if err := s.until(ctx, say, connected); err != nil {
		return nil, err
	}
	say("both microphones are connected")
	if err := s.daemon.DryRun(ctx); err != nil {
		return nil, err
	}
	before := []engine.Setting(nil)
	if drafted, ok := s.daemon.View().State.(control.Drafted); ok {
		before = drafted.DryRun.Before
	}
	return before, s.confirm(ctx, say)
}

// confirm sends the dry run that was taken and follows it to its end.
func (s *set) confirm(ctx context.Context, say func(string, ...any)) error {
	drafted, ok := s.daemon.View().State.(control.Drafted)
	if !ok {
		return fmt.Errorf("the dry run is gone: %s", desk.StateName(s.daemon.View().State))
	}
	say("dry run: %d datagrams, none of them sent", len(drafted.DryRun.Steps))
	if err := s.daemon.Confirm(ctx, drafted.DryRun.Digest, len(drafted.DryRun.Blind) > 0); err != nil {
		return err
	}
	return s.until(ctx, say, func(v desk.View) bool { return v.Doing == "" })
}

func connected(v desk.View) bool {
	return len(v.Feeds) > 0 && !slices.ContainsFunc(v.Feeds, func(f desk.Feed) bool { return !f.Connected })
}

// until follows the picture, saying what is new, until it is as wanted.
func (s *set) until(ctx context.Context, say func(string, ...any), wanted func(desk.View) bool) error {
	changed, stop := s.daemon.Watch()
	defer stop()
	said := ""
	for {
		v := s.daemon.View()
		if v.Doing != "" && v.Doing != said {
			said = v.Doing
			say("%s", said)
		}
		if wanted(v) {
			return nil
		}
		select {
		case _, running := <-changed:
			if !running {
				return errors.New("the daemon ended")
			}
		case <-ctx.Done():
			return errors.New("interrupted")
		}
	}
}

// result gathers what the loop came to, and asks the processor once more what
// it holds.
func (s *set) result(ctx context.Context, found []engine.Setting) (result, error) {
	v := s.daemon.View()
	now, err := s.daemon.Read(ctx)
	if err != nil {
		return result{}, err
	}
	r := result{
		Verdict: verify.Undecided, Reasons: reasons(v), TargetHz: v.Site.Target.NullHz,
		Predicted: printout.Predicted{
			NullHz:      printout.Round(v.Prediction.Summary.NullHz, 2),
			NullDepthDB: printout.Round(v.Prediction.Summary.NullDepthDB, 1),
			ShortfallDB: printout.Round(v.Prediction.Summary.SumShortfallDB, 2),
		},
		Sends: s.daemon.Writes(), Ended: desk.StateName(v.State), HoldsAsFound: slices.Equal(now, found),
		Fault: s.faultWords(), Seed: s.seed,
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
			r.Causes = append(r.Causes, cause{printout.Round(c.Probability, 4), string(c.Kind), c.Output, c.Sentence})
		}
	}
	r.Sheet = printout.Rows(v.Site, v.Sheet)
	return r, nil
}

// judgedNull reports whether the measurement was good enough to say anything of
// the null: of noise there are numbers too, but none to be told.
func judgedNull(v verify.Verdict) bool {
	return slices.ContainsFunc(v.Claims, func(c verify.Claim) bool { return c.Name == verify.NullDepth })
}

// reasons are the verdict's, or what kept the loop from reaching one.
func reasons(v desk.View) []string {
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

func (r result) print(w io.Writer, asJSON bool) error {
	if asJSON {
		return printout.JSON(w, r)
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
	line("verdict", "%s", r.Verdict)
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
	v = printout.Round(v, digits)
	return &v
}
