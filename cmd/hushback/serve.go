package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/mending"
	"hushback/configs"
	"hushback/engine"
	"hushback/verify/source"
)

func newServe() *cobra.Command {
	var processorAt string
	var sources []string
	c := &cobra.Command{
		Use:   "serve SITE",
		Short: "Run the daemon beside the processor",
		Long: `Runs the daemon for one site until it is stopped. Its page is for this machine
only, unless --listen opens it. A change in flight is rolled back before it
ends; one that an earlier daemon left unfinished is put back when it starts. A
site file that needs mending is shown on the page with its mistakes, beside the
way back to the safe preset.

What is confirmed on the page is sent and then measured, output by output. That
is loud, behind the array too: keep people away from the cabinets, begin with
the amplifiers low. Local codes come before anything that this program says.

A setting whose flag is not given is taken from the environment
(HUSHBACK_KEEP_FOR for --keep-for), else from the file that --config names
(keep-for: 5 min), else it is as below. Names that no setting has are refused.

Exit code: 0 stopped, the processor left as it says; 1 it could not start, or
nobody can tell what the processor holds; 2 bad input.`,
		Example: `  hushback serve mysite.yaml
  hushback serve mysite.yaml --listen :8470 --keep-for "10 min"
  hushback serve mysite.yaml --config hushback.yaml --tls --qr`,
		Args:              cli.Usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		ValidArgsFunction: cli.CompleteSite,
		RunE: func(c *cobra.Command, args []string) error {
			s, err := cli.ReadSettings(c)
			if err != nil {
				return err
			}
			site, profiles, err := cli.OpenSite(args[0], "", processorAt)
			if broken := (configs.Problems)(nil); errors.As(err, &broken) {
				return errors.Join(err, serveBroken(c, s, args[0], broken))
			}
			if err != nil {
				return err
			}
			options := s.Options(site, profiles, c.ErrOrStderr())
			if options.Layouts, err = cli.Layouts(args[0]); err != nil {
				return err
			}
			if options.Sources, err = openSources(sources, site); err != nil {
				return err
			}
			slog.SetDefault(options.Log)
			cli.Outlive()
			d, err := daemon.Start(options)
			if err != nil {
				return err
			}
			if err := options.Home.Remember(site); err != nil {
				return errors.Join(err, d.Stop())
			}
			w, err := cli.WelcomeTo(d, s.State).Say(c)
			if err != nil {
				return errors.Join(err, d.Stop())
			}
			follow(c.Context(), w, d)
			return leave(w, d)
		},
	}
	cli.AddSettings(c, cli.Page, home.Default())
	c.Flags().StringVar(&processorAt, "processor", "", "`host:port` of the processor, instead of the site's")
	cli.AddWelcome(c, "print one JSON object once the page is there, and nothing after it")
	c.Flags().StringArrayVar(&sources, "source", nil, "mapping `file` of a program that measures for one microphone; may be given once for each")
	return c
}

// openSources reads mapping files and holds them against the site.
func openSources(files []string, site engine.Site) ([]source.Mapping, error) {
	var all []source.Mapping
	for _, file := range files {
		m, err := configs.OpenMapping(file)
		if err != nil {
			return nil, cli.Bad(err)
		}
		if !slices.ContainsFunc(site.Microphones, func(s engine.Microphone) bool { return s.Name == m.Microphone }) {
			return nil, cli.Bad(fmt.Errorf("--source %s: the site has no microphone %q", file, m.Microphone))
		}
		if slices.ContainsFunc(all, func(other source.Mapping) bool { return other.Microphone == m.Microphone }) {
			return nil, cli.Bad(fmt.Errorf("--source %s: microphone %q has a source already", file, m.Microphone))
		}
		all = append(all, m)
	}
	return all, nil
}

// serveBroken shows on the page what is wrong with a site file, until it is stopped.
func serveBroken(c *cobra.Command, s cli.Settings, name string, broken configs.Problems) error {
	d, err := mending.Start(s.Options(engine.Site{}, nil, c.ErrOrStderr()), name, broken)
	if err != nil {
		return err
	}
	w := cli.Welcome{Job: name, State: s.State, Broken: strings.Split(broken.Error(), "\n"), Door: d.Invitation()}
	if _, err := w.Say(c); err != nil {
		return errors.Join(err, d.Stop())
	}
	<-c.Context().Done()
	return d.Stop()
}

// follow says in the terminal what a person there has to hold against the page,
// until ctx ends: the words of each dry run, and where a change has come to.
func follow(ctx context.Context, w io.Writer, d desk.Desk) {
	changed, stop := d.Watch()
	defer stop()
	said, paint := "", cli.Paint(w)
	for running := true; running; {
		now := desk.Flatten(d.View().State)
		line := now.Name
		if now.DryRun != nil {
			line = fmt.Sprintf("dry run of %d datagrams waits for a confirm: %s", len(now.DryRun.Steps), desk.Words(now.DryRun.Digest))
		} else if now.Change != "" {
			line = fmt.Sprintf("change %s: %s", now.Change, paint(now.Name))
		}
		if line != said && (said != "" || now.Name != "idle") {
			fmt.Fprintln(w, line)
		}
		said = line
		select {
		case _, running = <-changed:
		case <-ctx.Done():
			return
		}
	}
	<-ctx.Done()
}

// leave stops a daemon and says how it left the processor.
func leave(w io.Writer, d *daemon.Daemon) error {
	fmt.Fprintln(w, "\nstopping")
	err := d.Stop()
	fmt.Fprintln(w, d.View().Notice)
	return err
}
