// Package planning works a site out before anything is sent, for the verbs of the
// command line: one way to set it up with all there is to say about it, or several to
// compare.
package planning

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync/atomic"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/printout"
	"hushback/configs"
	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/optimise"
	"hushback/engine/solve"
	"hushback/engine/tolerance"
)

// ErrCutShort ends a search that was interrupted.
var ErrCutShort = errors.New("the search was interrupted: this is the best so far, not the best that there is")

// Robustly is a site whose aim is judged over its tolerance.
func Robustly(name string, site engine.Site) (engine.Site, error) {
	if site.Aim == nil {
		return site, cli.Bad(fmt.Errorf("--robust: site %s has no aim to search for; write one, or leave --robust out", name))
	}
	aim := *site.Aim
	aim.Robust = true
	site.Aim = &aim
	return site, nil
}

// WorkedOut is all there is to say about a site; Zoned is nil without an aim.
type WorkedOut struct {
	Report design.Report
	Zoned  *solve.Zoned
	Erring printout.Erring
}

// WorkOut works a site out and shows on w how far it is. When the search for an aim
// is interrupted the best so far is taken.
func WorkOut(ctx context.Context, w io.Writer, site engine.Site, r engine.Ranges) (found WorkedOut, err error) {
	seen := cli.NewProgress(w)
	defer seen.Clear()
	if found.Report, found.Zoned, err = designed(ctx, seen, site, r); err != nil {
		return found, err
	}
	var built atomic.Int64
	rigs, err := tolerance.Work(site, found.Report.Sheet, r, func() {
		seen.Show("trying rigs that are not as drawn", int(built.Add(1)), tolerance.Rigs)
	})
	found.Erring = printout.Err(site, rigs)
	return found, err
}

// designed is a site's report, and its zoned sheet where it has an aim.
func designed(ctx context.Context, seen *cli.Progress, site engine.Site, r engine.Ranges) (design.Report, *solve.Zoned, error) {
	if site.Aim == nil {
		report, err := design.Work(site, r)
		return report, nil, err
	}
	zoned, err := solve.SolveZone(ctx, site, r, func(p optimise.Progress) { seen.Show("searching for the aim", p.Done, p.Total) })
	if err != nil {
		return design.Report{}, nil, err
	}
	report, err := design.WorkWith(site, zoned.Sheet, r)
	return report, &zoned, err
}

// Compare works out every way to set up a site and sets them side by side, showing
// on w how far it is. An interrupt ends it with nothing: half a comparison would be
// read as a whole one.
func Compare(ctx context.Context, w io.Writer, ways []design.Named, r engine.Ranges) (design.Comparison, error) {
	seen, done := cli.NewProgress(w), 0
	defer seen.Clear()
	return design.Compare(ways, func(site engine.Site) (design.Report, error) {
		seen.Show("working out "+ways[done].Name, done, len(ways))
		done++
		report, zoned, err := designed(ctx, seen, site, r)
		if err == nil && (ctx.Err() != nil || zoned != nil && !zoned.Complete) {
			err = errors.New("interrupted: compare again, and let it come to its end")
		}
		return report, err
	})
}

// asAimed names, beside the treatments, what a site's own aim makes of it.
const asAimed = "aim"

// Ways finds the sites to compare: layouts of the file by their names, or
// treatments of the site as the file has it. Without names it is all there are.
func Ways(file string, names []string) ([]design.Named, error) {
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
	for n, name := range names {
		if slices.Contains(names[:n], name) {
			return nil, cli.Bad(fmt.Errorf("--layouts: %q stands there twice: name each way once", name))
		}
		i := slices.IndexFunc(all, func(n design.Named) bool { return n.Name == name })
		if i < 0 {
			return nil, cli.Bad(fmt.Errorf("--layouts: %s has no layout or treatment %q (there are: %s)", file, name, known(all)))
		}
		found = append(found, all[i])
	}
	return found, nil
}

func treats() []engine.Treatment {
	return []engine.Treatment{engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain}
}

// Treatments are the names of all treatments that sites may be compared under.
func Treatments() (names []string) {
	for _, t := range treats() {
		names = append(names, string(t))
	}
	return names
}

// treatments are a site under each treatment that it can have, and under its
// aim if it has one.
func treatments(site engine.Site) []design.Named {
	var all []design.Named
	for _, t := range treats() {
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
