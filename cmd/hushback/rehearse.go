package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/emulated"
	"hushback/cmd/internal/rehearsal"
	"hushback/configs"
	"hushback/control/processor"
	"hushback/engine"
)

// exampleSite is the job that a rehearsal without a site file plays.
const exampleSite = "ottersedge"

// usualKind is the processor that is emulated for a site whose own cannot be.
const usualKind = "plain-eight"

type rehearseFlags struct {
	fault      string
	seed       uint64
	unattended bool
	json       bool
	correct    int
	moved      bool
}

func newRehearse() *cobra.Command {
	var flags rehearseFlags
	c := &cobra.Command{
		Use:   "rehearse [SITE]",
		Short: "Run the whole loop on an emulated processor in a simulated space",
		Long: `Starts an emulated processor, a simulated space with two microphones, the daemon
and its page, all talking over real sockets on this machine. Each processor is
emulated as its profile describes it, or as a plain-eight where only you know
it. Open the page, pair with the code and walk through the job; or let
--unattended go through the same loop with nobody present. Without SITE the
invented example ottersedge is played.

Settings are those of serve.

Exit code: 0 proven and kept (or, with a page, ended by Ctrl-C); 1 refuted or
undecided and rolled back, or something on the way failed; 2 bad input.`,
		Example: `  hushback rehearse
  hushback rehearse --unattended --json
  hushback rehearse --unattended --fault polarity=3
  hushback rehearse --unattended --fault moved=3 --correct 2`,
		Args:              cli.Usage(cobra.MaximumNArgs(1), "name one site, or none for the example"),
		ValidArgsFunction: cli.CompleteSite,
		RunE: func(c *cobra.Command, args []string) error {
			if flags.correct < 0 || flags.correct > 0 && !flags.unattended {
				return cli.Bad(errors.New("--correct goes with --unattended and counts from 0: with a page you take the correction yourself"))
			}
			flags.json, _ = c.Flags().GetBool("json")
			name := exampleSite
			if len(args) == 1 {
				name = args[0]
			}
			return rehearse(c, name, flags)
		},
	}
	cli.AddSettings(c, "127.0.0.1:0", "")
	f := c.Flags()
	f.Lookup("state").Usage = "`folder` for presets and journal (default a new one, removed at the end)"
	f.StringVar(&flags.fault, "fault", "", "put the rig out of order, `KIND[=OUTPUT]`: polarity (reversed), dead (no sound), late (by 4 ms), moved (by 0.6 m), cold (by 20 °C) or deaf (drowned in noise)")
	cli.Complete(c, "fault", rehearsal.Faults()...)
	f.Uint64Var(&flags.seed, "seed", 1, "`number` from which set-up scatter and noise are drawn")
	f.BoolVar(&flags.unattended, "unattended", false, "go through the loop with nobody present, keeping only what is proven")
	f.BoolVar(&flags.moved, "one-microphone", false, "have one microphone that is carried from place to place")
	f.IntVar(&flags.correct, "correct", 0, "with --unattended: take up to this `number` of corrections when a sheet is not proven")
	cli.AddWelcome(c, "print one JSON object: with --unattended the result, else where the page is")
	return c
}

// rehearse raises rig and daemon, runs the loop and strikes both again.
func rehearse(c *cobra.Command, name string, flags rehearseFlags) (err error) {
	options, fault, err := rehearsalInput(c, name, flags)
	if err != nil {
		return err
	}
	if options.Home.Dir == "" {
		if options.Home.Dir, err = os.MkdirTemp("", "hushback-rehearsal-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(options.Home.Dir)) }()
	}
	options.KeepProven = flags.unattended
	cli.Outlive()
	set, err := raise(options, rehearsal.Options{Seed: flags.seed, Fault: fault, Moved: map[bool]string{true: daemon.Moved}[flags.moved]})
	if err != nil {
		return err
	}
	if flags.unattended {
		err = set.alone(c.Context(), flags, c.OutOrStdout(), c.ErrOrStderr())
		return errors.Join(err, set.strike(c.ErrOrStderr(), err != nil && c.Context().Err() != nil))
	}
	w, err := set.welcome(options.Home.Dir).Say(c)
	if err != nil {
		return errors.Join(err, set.strike(io.Discard, false))
	}
	follow(c.Context(), w, set.daemon)
	return set.strike(w, true)
}

// rehearsalInput gathers everything that can be wrong with what was typed.
func rehearsalInput(c *cobra.Command, name string, flags rehearseFlags) (daemon.Options, rehearsal.Fault, error) {
	s, err := cli.ReadSettings(c)
	if err != nil {
		return daemon.Options{}, rehearsal.Fault{}, err
	}
	site, profiles, err := openRehearsal(name)
	if err != nil {
		return daemon.Options{}, rehearsal.Fault{}, err
	}
	var fault rehearsal.Fault
	if flags.fault != "" {
		if fault, err = rehearsal.ParseFault(flags.fault, site.OutputNumbers()); err != nil {
			return daemon.Options{}, rehearsal.Fault{}, cli.Bad(err)
		}
	}
	options := s.Options(site, profiles, c.ErrOrStderr())
	options.Layouts, err = cli.Layouts(name)
	return options, fault, err
}

// openRehearsal opens a site for processors that can be emulated: its own, or
// the usual one.
func openRehearsal(name string) (engine.Site, []processor.Profile, error) {
	site, err := configs.OpenSite(name)
	if err != nil {
		return engine.Site{}, nil, cli.Bad(err)
	}
	kind := site.Wiring.Profile
	if !emulated.Emulates(kind) {
		kind = usualKind
	}
	for _, w := range site.Further {
		if !emulated.Emulates(w.Profile) {
			return engine.Site{}, nil, cli.Bad(fmt.Errorf("site %s: processor %q: there is no emulated %s to rehearse on", name, w.Name, w.Profile))
		}
	}
	return cli.OpenSite(name, kind, "")
}

// set is what stands while a rehearsal runs.
type set struct {
	rig       *rehearsal.Rig
	daemon    *daemon.Daemon
	fault     rehearsal.Fault
	seed      uint64
	hush      context.CancelFunc // ends the microphones
	listening chan error         // their end

	seen *cli.Progress // of a rehearsal with nobody present
}

// raise starts the rig, then the daemon on it, then the microphones.
func raise(o daemon.Options, of rehearsal.Options) (*set, error) {
	of.Site = o.Site
	rig, err := rehearsal.Start(context.Background(), of)
	if err != nil {
		return nil, err
	}
	s := &set{rig: rig, fault: of.Fault, seed: of.Seed, listening: make(chan error, 1)}
	o.Site, o.Rehearsal = rig.Wired(o.Site), fmt.Sprintf("seed %d, %s", s.seed, s.faultWords())
	d, err := daemon.Start(o)
	if err != nil {
		rig.Close()
		return nil, err
	}
	ctx, hush := context.WithCancel(context.Background())
	s.daemon, s.hush = d, hush
	if of.Moved != "" && !o.KeepProven { // with nobody present until carries it
		go s.carry(ctx)
	}
	go func() {
		s.listening <- rig.Listen(ctx, "ws"+strings.TrimPrefix(d.Local(), "http")+daemon.FeedPath, d.AgentToken())
	}()
	return s, nil
}

// carry is the stage hand: wherever the series waits for the microphone, it is
// put there.
func (s *set) carry(ctx context.Context) {
	changed, stop := s.daemon.Watch()
	defer stop()
	for {
		if place := s.daemon.View().Placing; place != "" {
			s.rig.Carry(place)
		}
		select {
		case _, running := <-changed:
			if !running {
				return
			}
		case <-ctx.Done():
			return
		}
	}
}

// strike takes everything down, the daemon first: to roll a change back it
// still needs the processor. Where somebody waits it says how that went.
func (s *set) strike(w io.Writer, aloud bool) error {
	if !aloud {
		w = io.Discard
	}
	err := leave(w, s.daemon)
	s.hush()
	err = errors.Join(err, <-s.listening)
	s.rig.Close()
	return err
}

// welcome is what the person at the terminal is told.
func (s *set) welcome(state string) cli.Welcome {
	w := cli.WelcomeTo(s.daemon, state)
	w.Rehearsal = &cli.Staged{Seed: s.seed, Fault: s.faultWords()}
	return w
}

// faultWords says what is out of order.
func (s *set) faultWords() string {
	if s.fault.Kind == rehearsal.NoFault {
		return "no fault"
	}
	return "fault " + s.fault.String()
}
