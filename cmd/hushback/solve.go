package main

import (
	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/planning"
	"hushback/cmd/internal/printout"
	"hushback/configs"
	"hushback/control/processor"
)

func newSolve() *cobra.Command {
	var layout, out string
	var asJSON, robust bool
	c := &cobra.Command{
		Use:   "solve SITE",
		Short: "Work out settings, places, predictions and limits of a site",
		Long: `Works out everything that can be known of a site before anything is sent: the
settings of every output, a list to stake the cabinets out by, what the
microphones and zones should hear, what the errors of a real rig do to that,
what a measurement must clear, and the limits of the array with their reasons.
It talks to nothing and sends nothing.

Of a site with an aim the settings are searched for. Ctrl-C ends the search with
the best so far, marked as such.

Loudness, stacked cabinets and mains power hurt people. Local codes and licensed
practice come before anything that this program says.

Exit code: 0 worked out; 1 interrupted, or it cannot be solved; 2 bad input.`,
		Example: `  hushback solve mysite.yaml
  hushback solve mysite.yaml --layout narrow --out pictures
  hushback solve mysite.yaml --robust
  hushback solve mysite.yaml --json`,
		Args:              cli.Usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		ValidArgsFunction: cli.CompleteSite,
		RunE: func(c *cobra.Command, args []string) error {
			site, err := configs.OpenLayout(args[0], layout)
			if err != nil {
				return cli.Bad(err)
			}
			profiles, err := cli.Fitting(args[0], site)
			if err != nil {
				return err
			}
			if robust {
				if site, err = planning.Robustly(args[0], site); err != nil {
					return err
				}
			}
			found, err := planning.WorkOut(c.Context(), c.ErrOrStderr(), site, processor.Common(profiles))
			if err != nil {
				return err
			}
			if asJSON {
				err = printout.JSON(c.OutOrStdout(), printout.TellSite(found.Report, found.Zoned, &found.Erring))
			} else {
				err = printout.Report(c.OutOrStdout(), found.Report, found.Zoned, found.Erring)
			}
			if err == nil && out != "" {
				var files []string
				files, err = printout.DrawReport(out, layout, found.Report)
				printout.ListFiles(c.ErrOrStderr(), files)
			}
			if err == nil && found.Zoned != nil && !found.Zoned.Complete {
				return planning.ErrCutShort
			}
			return err
		},
	}
	f := c.Flags()
	f.BoolVar(&robust, "robust", false, "search for what does best over the errors of the site's tolerance, not in the perfect case")
	f.StringVar(&layout, "layout", "", "`name` of one of the site's layouts, instead of the one it says is in use")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.StringVar(&out, "out", "", "`folder` to write pictures into, made if it is not there")
	cli.CompleteBy(c, "layout", cli.CompleteLayouts())
	return c
}

func newCompare() *cobra.Command {
	var names []string
	var out string
	var asJSON bool
	c := &cobra.Command{
		Use:   "compare SITE",
		Short: "Set layouts or treatments of a site side by side",
		Long: `Works out two or more ways to set up a site and prints one table of them. A way
is a layout that the site file names, or a treatment of the cabinets where the
site has them: null, end-fire, gradient or plain. Without --layouts it takes all
layouts of the file, or all treatments of a file without layouts.

Exit code: 0 compared; 1 interrupted, or one cannot be solved; 2 bad input.`,
		Example: `  hushback compare mysite.yaml
  hushback compare mysite.yaml --layouts arc,left-right
  hushback compare mysite.yaml --layouts end-fire,gradient --out pictures`,
		Args:              cli.Usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		ValidArgsFunction: cli.CompleteSite,
		RunE: func(c *cobra.Command, args []string) error {
			sites, err := planning.Ways(args[0], names)
			if err != nil {
				return err
			}
			profiles, err := cli.Fitting(args[0], sites[0].Site)
			if err != nil {
				return err
			}
			comparison, err := planning.Compare(c.Context(), c.ErrOrStderr(), sites, processor.Common(profiles))
			if err != nil {
				return err
			}
			if asJSON {
				err = printout.JSON(c.OutOrStdout(), printout.TellComparison(comparison))
			} else {
				err = printout.Comparison(c.OutOrStdout(), comparison)
			}
			if err != nil || out == "" {
				return err
			}
			files, err := printout.DrawComparison(out, comparison)
			printout.ListFiles(c.ErrOrStderr(), files)
			return err
		},
	}
	f := c.Flags()
	f.StringSliceVar(&names, "layouts", nil, "`names` of layouts or treatments, with commas between them")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.StringVar(&out, "out", "", "`folder` to write pictures into, made if it is not there")
	cli.CompleteBy(c, "layouts", cli.CompleteLayouts(planning.Treatments()...))
	return c
}
