package main

import (
	"errors"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/checkup"
	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/printout"
)

// errNotWell ends a check that found troubles, which it has told of.
var errNotWell = errors.New("not all is well")

func newCheck() *cobra.Command {
	var processorAt string
	var asJSON bool
	c := &cobra.Command{
		Use:   "check SITE",
		Short: "Test the way to each processor and microphone, setting nothing",
		Long: `Reaches for each processor and asks it for every value of every output several
times: queries only. Says how long answers take, what is lost, what does not
answer or answers in another type, and whose label is another. Where a daemon
runs, says what each microphone sounds like; where none does, whether it could
start.

Settings are those of serve, so that what would be used is what is tested.

Exit code: 0 all well; 1 something is not; 2 bad input.`,
		Example: `  hushback check mysite.yaml
  hushback check mysite.yaml --state /var/lib/hushback --json`,
		Args:              cli.Usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		ValidArgsFunction: cli.CompleteSite,
		RunE: func(c *cobra.Command, args []string) error {
			s, err := cli.ReadSettings(c)
			if err != nil {
				return err
			}
			site, profiles, err := cli.OpenSite(args[0], "", processorAt)
			if err != nil {
				return err
			}
			seen := cli.NewProgress(c.ErrOrStderr())
			report := checkup.Work(c.Context(), checkup.Rig{
				Site: site, Profiles: profiles, Home: home.Folder{Dir: s.State}, Listen: s.Listen,
				Asked: func(done, of int) { seen.Show("asking", done, of) },
			})
			seen.Clear()
			if asJSON {
				err = printout.JSON(c.OutOrStdout(), report)
			} else {
				err = checkup.Print(c.OutOrStdout(), report, cli.Paint(c.OutOrStdout()))
			}
			if err == nil && !report.Well {
				err = errNotWell
			}
			return err
		},
	}
	cli.AddSettings(c, cli.Page, home.Default())
	c.Flags().StringVar(&processorAt, "processor", "", "`host:port` of the processor, instead of the site's")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
