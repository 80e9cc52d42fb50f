package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/printout"
	"hushback/control"
)

func newDryRun() *cobra.Command {
	var processorAt string
	var asJSON bool
	c := &cobra.Command{
		Use:   "dry-run SITE",
		Short: "Show what would be sent to the processor, sending none of it",
		Long: `Solves the site, asks the processor what it holds now (queries only) and prints,
for each output, before and after in plain words, then every datagram: what it
means, its message, its bytes in hex. Confirming is done on the daemon's page,
for a dry run of its own.

Exit code: 0 shown; 1 the processor does not answer, or it cannot be solved; 2
bad input.`,
		Example: `  hushback dry-run mysite.yaml
  hushback dry-run mysite.yaml --processor 192.0.2.10:8700 --json`,
		Args:              cli.Usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		ValidArgsFunction: cli.CompleteSite,
		RunE: func(c *cobra.Command, args []string) error {
			site, profiles, err := cli.OpenSite(args[0], "", processorAt)
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(c.Context(), 30*time.Second)
			defer cancel()
			run, err := daemon.DryRun(ctx, site, profiles)
			if err != nil {
				return err
			}
			if asJSON {
				return printout.JSON(c.OutOrStdout(), printout.TellDryRun(site, run))
			}
			_, err = fmt.Fprint(c.OutOrStdout(), control.Describe(run, site.Outputs))
			return err
		},
	}
	c.Flags().StringVar(&processorAt, "processor", "", "`host:port` of the processor, instead of the site's")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
