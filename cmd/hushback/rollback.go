package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/printout"
	"hushback/control"
)

func newRollback() *cobra.Command {
	var state, processorAt string
	var asJSON bool
	c := &cobra.Command{
		Use:   "rollback [SITE]",
		Short: "Return to the safe preset",
		Long: `Returns the processor to the stored safe preset and reads it back. A running
daemon is asked to do it, whatever else it is doing. Where none runs, name the
site so that the processor can be reached without one. What plays meanwhile goes
on, with other settings: mind who stands near the cabinets.

Exit code: 0 back at the safe preset; 1 not, or nobody can tell; 2 bad input.`,
		Example: `  hushback rollback
  hushback rollback mysite.yaml
  hushback rollback --json`,
		Args:              cli.Usage(cobra.MaximumNArgs(1), "name one site at most"),
		ValidArgsFunction: cli.CompleteSite,
		RunE: func(c *cobra.Command, args []string) error {
			ctx, cancel := context.WithTimeout(c.Context(), time.Minute)
			defer cancel()
			back, by, err := rollBack(ctx, home.Folder{Dir: state}, args, processorAt)
			if asJSON {
				return tellRollback(c.OutOrStdout(), back, by, err)
			}
			if err != nil {
				return err
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), by.did()+desk.BackTo(back))
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&state, "state", home.Default(), "`folder` of the presets and journal")
	f.StringVar(&processorAt, "processor", "", "`host:port` of the processor, instead of the site's")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// whose is who rolled back.
type whose string

const (
	byDaemon  whose = "daemon"
	byCommand whose = "command"
)

func (w whose) did() string {
	if w == byDaemon {
		return "the daemon returned the processor to "
	}
	return "the processor is back to "
}

// rollBack asks the running daemon, or does it itself where none runs.
func rollBack(ctx context.Context, folder home.Folder, args []string, processorAt string) (control.RolledBack, whose, error) {
	note, running, err := folder.Find()
	if err != nil {
		return control.RolledBack{}, byDaemon, err
	}
	if running {
		if back, err := note.Safe(ctx); !errors.Is(err, home.ErrGone) {
			return back, byDaemon, err
		}
	}
	if len(args) == 0 {
		return control.RolledBack{}, byCommand, cli.Bad(fmt.Errorf("no daemon runs on %s: name the site, so that its processor can be reached: hushback rollback SITE", folder.Dir))
	}
	site, profiles, err := cli.OpenSite(args[0], "", processorAt)
	if err != nil {
		return control.RolledBack{}, byCommand, err
	}
	back, err := daemon.Safe(ctx, folder, site, profiles)
	return back, byCommand, err
}

// toldRollback is how rolling back ended, as it is printed with --json.
type toldRollback struct {
	Ended   string `json:"ended"` // "rolled back", "adrift" or "failed"
	By      whose  `json:"by"`
	To      string `json:"to"`               // "" unless rolled back
	Blind   []int  `json:"blind_outputs"`    // cannot be read back: sent to, not looked at
	InDoubt []int  `json:"outputs_in_doubt"` // may hold anything: turn their amplifiers down by hand
	Reason  string `json:"reason,omitempty"` // why it is not rolled back
}

// tellRollback prints how it ended, well or not, and leaves the error for the
// exit code. Of bad input there is nothing to tell: nothing was tried.
func tellRollback(w io.Writer, back control.RolledBack, by whose, err error) error {
	if mend := (cli.BadInput{}); errors.As(err, &mend) {
		return err
	}
	told := toldRollback{Ended: desk.StateName(back), By: by, To: back.To, Blind: append([]int{}, back.Blind...), InDoubt: []int{}}
	if err != nil {
		told.Ended, told.Reason = "failed", err.Error()
	}
	if doubt := (desk.InDoubt{}); errors.As(err, &doubt) {
		told.Ended, told.InDoubt, told.Reason = desk.StateName(control.Adrift{}), doubt.Outputs, doubt.Reason
	}
	return errors.Join(printout.JSON(w, told), err)
}
