package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/planning"
	"hushback/cmd/internal/printout"
	"hushback/cmd/internal/report"
	"hushback/cmd/internal/report/folio"
	"hushback/configs"
	"hushback/control/processor"
)

// asked is what a report is wanted as.
type asked struct {
	out, paper, tables, state, layout string
	asJSON                            bool
}

func newReport() *cobra.Command {
	var a asked
	c := &cobra.Command{
		Use:   "report SITE|CHANGE",
		Short: "Put a design or a change on paper: HTML, PDF, tables",
		Long: `Writes a report for the next engineer, the venue and the insurer: what was set,
what was predicted and measured, how it was decided and who confirmed it, with
plans, cautions and lines to sign. Of a site it is the design, and says that
nothing was measured. A change is named as in the log and looked for in the
state folder, or is a file that the log handed out; a state folder means its
last change. It works beside a running daemon, and sends nothing.

--out writes one file, by its ending: .html is a page that needs nothing else
and prints well, .pdf is the same for --paper. --tables writes sheet.csv,
captures.csv and captures.json, units in the names of columns; what has no
finite value is an empty cell. Files are replaced, and written whole or not at
all.

Exit code: 0 written; 1 interrupted, or it cannot be solved; 2 bad input.`,
		Example: `  hushback report mysite.yaml --out design.pdf
  hushback report 20260704-210000.000-c0ffee01 --out change.html --tables numbers
  hushback report change.json --out change.pdf --paper letter
  hushback report ~/.local/state/hushback --json`,
		Args:              cli.Usage(cobra.ExactArgs(1), "name one site, change, dossier or state folder"),
		ValidArgsFunction: completeSubject(&a.state),
		RunE:              func(c *cobra.Command, args []string) error { return a.report(c, args[0]) },
	}
	f := c.Flags()
	f.StringVar(&a.out, "out", "", "`file` to write, ending in .html or .pdf")
	f.StringVar(&a.paper, "paper", string(folio.A4), "`paper` that a PDF is printed on, a4 or letter")
	f.StringVar(&a.tables, "tables", "", "`folder` to write tables into, made if it is not there")
	f.StringVar(&a.state, "state", home.Default(), "`folder` that a change is looked for in")
	f.StringVar(&a.layout, "layout", "", "`name` of one of a site's layouts, instead of the one it says is in use")
	f.BoolVar(&a.asJSON, "json", false, "print what the report says as one JSON object")
	cli.Complete(c, "paper", folio.A4, folio.Letter)
	cli.CompleteBy(c, "layout", cli.CompleteLayouts())
	return c
}

// completeSubject offers sites, and changes of the state folder.
func completeSubject(state *string) cobra.CompletionFunc {
	return func(c *cobra.Command, args []string, typed string) ([]cobra.Completion, cobra.ShellCompDirective) {
		changes, _ := dossier.Names(home.Folder{Dir: *state}.Changes()) // there may be none
		changes = slices.DeleteFunc(changes, func(name string) bool { return !strings.HasPrefix(name, typed) })
		if len(args) == 0 && len(changes) > 0 && typed != "" {
			return changes, cobra.ShellCompDirectiveNoFileComp
		}
		return cli.CompleteSite(c, args, typed)
	}
}

func (a asked) report(c *cobra.Command, name string) error {
	if a.out == "" && a.tables == "" && !a.asJSON {
		return cli.Bad(errors.New("nothing to write: give --out FILE (.html or .pdf), --tables FOLDER or --json"))
	}
	if a.out != "" {
		if err := report.Writable(a.out, folio.Paper(a.paper)); err != nil {
			return cli.Bad(err)
		}
	}
	subject, err := report.Find(name, home.Folder{Dir: a.state})
	if err != nil {
		return cli.Bad(err)
	}
	by := report.Signed{Software: dossier.Software(), At: time.Now()}
	if subject.Site == "" {
		if a.layout != "" {
			return cli.Bad(fmt.Errorf("--layout: %s is a change, whose layout is what it was", name))
		}
		d := subject.Change
		return a.write(c, report.Change(d, subject.Known(), by), report.Tables{Site: d.Site, Before: d.Before, Sheet: d.Sheet, Captures: d.Captures})
	}
	found, err := a.design(c, subject.Site)
	if err != nil {
		return err
	}
	err = a.write(c, report.Site(found, a.layout, by), report.Tables{Site: found.Report.Site, Sheet: found.Report.Sheet})
	if err == nil && found.Zoned != nil && !found.Zoned.Complete {
		return planning.ErrCutShort
	}
	return err
}

// design works a site out.
func (a asked) design(c *cobra.Command, name string) (planning.WorkedOut, error) {
	site, err := configs.OpenLayout(name, a.layout)
	if err != nil {
		return planning.WorkedOut{}, cli.Bad(err)
	}
	profiles, err := cli.Fitting(name, site)
	if err != nil {
		return planning.WorkedOut{}, err
	}
	return planning.WorkOut(c.Context(), c.ErrOrStderr(), site, processor.Common(profiles))
}

// write puts a report wherever it is wanted.
func (a asked) write(c *cobra.Command, d folio.Document, t report.Tables) error {
	if a.out != "" {
		text, err := report.As(a.out, d, folio.Paper(a.paper))
		if err != nil {
			return err
		}
		if err := report.Write(a.out, text); err != nil {
			return cli.Bad(err)
		}
		fmt.Fprintf(c.ErrOrStderr(), "wrote %s\n", a.out)
	}
	if a.tables != "" {
		files, err := t.Write(a.tables)
		for _, f := range files {
			fmt.Fprintf(c.ErrOrStderr(), "wrote %s\n", f)
		}
		if err != nil {
			return cli.Bad(err)
		}
	}
	if a.asJSON {
		return printout.JSON(c.OutOrStdout(), d)
	}
	return nil
}
