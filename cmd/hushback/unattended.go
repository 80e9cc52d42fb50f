package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/printout"
	"hushback/control"
	"hushback/engine"
	"hushback/verify"
)

// alone goes through the loop with nobody present and prints what it came to.
func (s *set) alone(ctx context.Context, flags rehearseFlags, stdout, stderr io.Writer) error {
	s.seen = cli.NewProgress(stderr)
	defer s.seen.Clear()
	say := func(format string, args ...any) {
		s.seen.Clear()
		fmt.Fprintf(stderr, format+"\n", args...)
	}
	say("rehearsal: %s; seed %d, %s", s.daemon.View().Site.Job, s.seed, s.faultWords())
	found, err := s.walk(ctx, say)
	if err != nil {
		return err
	}
	corrections := 0
	for ; corrections < flags.correct && s.daemon.View().Correction != nil; corrections++ {
		say("%s", strings.Join(printout.Reasons(s.daemon.View()), "\n"))
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
	s.seen.Clear()
	if err := r.Print(stdout, flags.json, cli.Paint(stdout)); err != nil {
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

// until follows the picture, saying what is new, until it is as wanted. Where the
// series waits for the microphone it is the stage hand too, after saying so.
func (s *set) until(ctx context.Context, say func(string, ...any), wanted func(desk.View) bool) error {
	changed, stop := s.daemon.Watch()
	defer stop()
	said, placed := "", ""
	for {
		v := s.daemon.View()
		if v.Doing != "" && v.Doing != said {
			said = v.Doing
			say("%s", said)
		}
		if v.Placing != "" && v.Placing != placed {
			s.rig.Carry(v.Placing)
			_ = s.daemon.Placed(ctx, v.Placing) // refused once the series has gone on, which is as well
		}
		placed = v.Placing
		if _, measuring := v.State.(control.Measuring); measuring {
			s.seen.Show("captures", len(v.Captures), len(v.Site.Heard())*len(v.Site.Microphones))
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
func (s *set) result(ctx context.Context, found []engine.Setting) (printout.Rehearsed, error) {
	now, err := s.daemon.Read(ctx)
	if err != nil {
		return printout.Rehearsed{}, err
	}
	r := printout.TellRehearsal(s.daemon.View())
	r.Sends, r.HoldsAsFound, r.Fault, r.Seed = s.daemon.Writes(), slices.Equal(now, found), s.faultWords(), s.seed
	return r, nil
}
