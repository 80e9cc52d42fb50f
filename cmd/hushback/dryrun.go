package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/daemon"
)

func newDryRun() *cobra.Command {
	var processorAt string
	c := &cobra.Command{
		Use:   "dry-run SITE",
		Short: "Show what would be sent to the processor, sending none of it",
		Long: `Solves the site, asks the processor what it holds now (queries only) and prints,
for each output, before and after in plain words and every datagram in hex.
Confirming is done on the daemon's page, for a dry run of its own.`,
		Example: "  hushback dry-run mysite.yaml",
		Args:    usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		RunE: func(c *cobra.Command, args []string) error {
			site, profiles, err := openSite(args[0], "", processorAt)
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(c.Context(), 30*time.Second)
			defer cancel()
			text, err := daemon.DryRun(ctx, site, profiles)
			if err != nil {
				return err
			}
			fmt.Fprint(c.OutOrStdout(), text)
			return nil
		},
	}
	c.Flags().StringVar(&processorAt, "processor", "", "`host:port` of the processor, instead of the site's")
	return c
}
