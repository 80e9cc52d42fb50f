package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/printout"
	"hushback/configs"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/optimise"
	"hushback/engine/solve"
	"hushback/engine/tolerance"
)

func newSolve() *cobra.Command {
	var layout, out string
	var asJSON, robust bool
	c := &cobra.Command{
		Use:   "solve SITE",
		Short: "Work out a site: settings, places, predictions, limits and their reasons",
		Long: `Works out everything that can be known of a site before anything is sent: the
settings of every output, a list to stake the cabinets out by, what the
microphones and zones should hear, what the errors of a real rig do to that,
what a measurement must clear, and the limits of the array with their reasons.
It talks to nothing and sends nothing.

Of a site with an aim the settings are searched for. Interrupt the search to see
the best so far, marked as such; the exit code is then 1, as for a failure.

Loudness, stacked cabinets and mains power hurt people. Local codes and licensed
practice come before anything that this program says.`,
		Example: `  hushback solve mysite.yaml
  hushback solve mysite.yaml --layout narrow --out pictures
  hushback solve mysite.yaml --robust
  hushback solve mysite.yaml --json`,
		Args: cli.Usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
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
				if site, err = robustly(args[0], site); err != nil {
					return err
				}
			}
			found, err := worked(c.Context(), c.ErrOrStderr(), site, processor.Common(profiles))
			if err != nil {
				return err
			}
			if asJSON {
				err = printout.JSON(c.OutOrStdout(), printout.TellSite(found.report, found.zoned, &found.erring))
			} else {
				err = printout.Report(c.OutOrStdout(), found.report, found.zoned, found.erring)
			}
			if err == nil && out != "" {
				var files []string
				files, err = printout.DrawReport(out, layout, found.report)
				printout.ListFiles(c.ErrOrStderr(), files)
			}
			if err == nil && found.zoned != nil && !found.zoned.Complete {
				return errCutShort
			}
			return err
		},
	}
	f := c.Flags()
	f.BoolVar(&robust, "robust", false, "search for what does best over the errors of the site's tolerance, not in the perfect case")
	f.StringVar(&layout, "layout", "", "`name` of one of the site's layouts, instead of the one it says is in use")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.StringVar(&out, "out", "", "`folder` to write pictures into, made if it is not there")
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
layouts of the file, or all treatments of a file without layouts.`,
		Example: `  hushback compare mysite.yaml
  hushback compare mysite.yaml --layouts arc,left-right
  hushback compare mysite.yaml --layouts end-fire,gradient --out pictures`,
		Args: cli.Usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		RunE: func(c *cobra.Command, args []string) error {
			sites, err := ways(args[0], names)
			if err != nil {
				return err
			}
			profiles, err := cli.Fitting(args[0], sites[0].Site)
			if err != nil {
				return err
			}
			comparison, err := design.Compare(sites, processor.Common(profiles))
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
	return c
}

// errCutShort ends a search that was interrupted.
var errCutShort = errors.New("the search was interrupted: this is the best so far, not the best that there is")

// robustly is a site whose aim is judged over its tolerance.
func robustly(name string, site engine.Site) (engine.Site, error) {
	if site.Aim == nil {
		return site, cli.Bad(fmt.Errorf("--robust: site %s has no aim to search for; write one, or leave --robust out", name))
	}
	aim := *site.Aim
	aim.Robust = true
	site.Aim = &aim
	return site, nil
}

// workedOut is all there is to say about a site; zoned is nil without an aim.
type workedOut struct {
	report design.Report
	zoned  *solve.Zoned
	erring printout.Erring
}

// worked works a site out. The search for an aim shows how far it is on w, and
// when it is interrupted the best so far is taken.
func worked(ctx context.Context, w io.Writer, site engine.Site, r engine.Ranges) (found workedOut, err error) {
	if site.Aim == nil {
		found.report, err = design.Work(site, r)
	} else if found.zoned, err = searched(ctx, w, site, r); err == nil {
		found.report, err = design.WorkWith(site, found.zoned.Sheet, r)
	}
	if err != nil {
		return found, err
	}
	rigs, err := tolerance.Work(site, found.report.Sheet, r)
	found.erring = printout.Err(site, rigs)
	return found, err
}

func searched(ctx context.Context, w io.Writer, site engine.Site, r engine.Ranges) (*solve.Zoned, error) {
	last := -1
	z, err := solve.SolveZone(ctx, site, r, func(p optimise.Progress) {
		if tenth := 10 * p.Done / max(1, p.Total); tenth != last {
			last = tenth
			fmt.Fprintf(w, "searching: %d of %d starts\n", p.Done, p.Total)
		}
	})
	return &z, err
}

// asAimed names, beside the treatments, what a site's own aim makes of it.
const asAimed = "aim"

// ways finds the sites to compare: layouts of the file by their names, or
// treatments of the site as the file has it. Without names it is all there are.
func ways(file string, names []string) ([]design.Named, error) {
	layouts, err := configs.OpenLayouts(file)
	if err != nil {
		return nil, cli.Bad(err)
	}
	own, err := configs.OpenSite(file)
	if err != nil {
		return nil, cli.Bad(err)
	}
	var all []design.Named
	for _, l := range layouts {
		if l.Name != "" {
			all = append(all, design.Named(l))
		}
	}
	treated := treatments(own)
	if len(all) == 0 || len(names) > 0 {
		all = append(all, treated...)
	}
	if len(names) == 0 {
		return all, nil
	}
	var found []design.Named
	for _, name := range names {
		i := slices.IndexFunc(all, func(n design.Named) bool { return n.Name == name })
		if i < 0 {
			return nil, cli.Bad(fmt.Errorf("--layouts: %s has no layout or treatment %q (there are: %s)", file, name, known(all)))
		}
		found = append(found, all[i])
	}
	return found, nil
}

// treatments are a site under each treatment that it can have, and under its
// aim if it has one.
func treatments(site engine.Site) []design.Named {
	var all []design.Named
	for _, t := range []engine.Treatment{engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain} {
		s := site
		s.Aim = nil
		s.Groups = slices.Clone(site.Groups)
		if len(s.Groups) == 0 {
			s.Groups = []engine.Group{{Name: "array"}}
			s.Outputs = slices.Clone(site.Outputs)
			for i := range s.Outputs {
				s.Outputs[i].Group = "array"
			}
		}
		for i := range s.Groups {
			s.Groups[i].Treatment = t
		}
		if len(s.Problems()) == 0 {
			all = append(all, design.Named{Name: string(t), Site: s})
		}
	}
	if site.Aim != nil {
		all = append(all, design.Named{Name: asAimed, Site: site})
	}
	return all
}

func known(sites []design.Named) string {
	names := make([]string, len(sites))
	for i, s := range sites {
		names[i] = s.Name
	}
	return strings.Join(names, ", ")
}
