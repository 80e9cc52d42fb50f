package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/daemon"
)

func newRollback() *cobra.Command {
	var state, processorAt string
	c := &cobra.Command{
		Use:   "rollback [SITE]",
		Short: "Return to the safe preset",
		Long: `Returns the processor to the stored safe preset and reads it back. A running
daemon is asked to do it, whatever else it is doing. Where none runs, name the
site so that the processor can be reached without one.`,
		Example: "  hushback rollback\n  hushback rollback mysite.yaml",
		Args:    usage(cobra.MaximumNArgs(1), "name one site at most"),
		RunE: func(c *cobra.Command, args []string) error {
			ctx, cancel := context.WithTimeout(c.Context(), time.Minute)
			defer cancel()
			said, err := rollBack(ctx, daemon.Home{Dir: state}, args, processorAt)
			if err != nil {
				return err
			}
			fmt.Fprintln(c.OutOrStdout(), said)
			return nil
		},
	}
	c.Flags().StringVar(&state, "state", stateFolder(), "`folder` of the presets and journal")
	c.Flags().StringVar(&processorAt, "processor", "", "`host:port` of the processor, instead of the site's")
	return c
}

// rollBack asks the running daemon, or does it itself where none runs.
func rollBack(ctx context.Context, home daemon.Home, args []string, processorAt string) (string, error) {
	note, running, err := home.Find()
	if err != nil {
		return "", err
	}
	if running {
		if said, err := note.Safe(ctx); !errors.Is(err, daemon.ErrGone) {
			return said, err
		}
	}
	if len(args) == 0 {
		return "", badInput{fmt.Errorf("no daemon runs on %s: name the site, so that its processor can be reached: hushback rollback SITE", home.Dir)}
	}
	site, profiles, err := openSite(args[0], "", processorAt)
	if err != nil {
		return "", err
	}
	return daemon.Safe(ctx, home, site, profiles)
}
