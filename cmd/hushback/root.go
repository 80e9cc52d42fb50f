package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/shelf"
	"hushback/control/preset"
)

// What the program's exit code means, to scripts that run it.
const (
	exitDone      = 0 // did what was asked; for a rehearsal: proven and kept
	exitNotProven = 1 // refuted, undecided, or something on the way failed
	exitBadInput  = 2 // the command, a setting or a file needs mending
)

// errNotProven ends a rehearsal that kept nothing; what there is to say has
// been said by then.
var errNotProven = errors.New("not proven")

// run is the whole program; it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	if errors.Is(err, errNotProven) || errors.Is(err, errNotWell) {
		return exitNotProven
	}
	fmt.Fprintf(stderr, "hushback: %v\n", err)
	switch advice := cli.Advice(err); {
	case errors.Is(err, preset.ErrDamaged):
		fmt.Fprintln(stderr, "to keep the damaged file and go on with a new store: hushback presets set-aside --state FOLDER")
	case advice != "":
		fmt.Fprintln(stderr, advice)
	}
	if mend := (cli.BadInput{}); errors.As(err, &mend) {
		return exitBadInput
	}
	return exitNotProven
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "hushback",
		Short: "Set up subwoofers that sum in front and cancel behind, and prove that they do",
		Long: `hushback solves delay, polarity and gain for every output of a loudspeaker
processor so that the subwoofers on a site sum in front and cancel behind at the
wanted frequency. It shows exactly what it would send, sends it after a confirm,
reads it back, measures, and keeps what is proven or rolls back. SITE is a site
file (YAML) or the name of an example, such as ottersedge.

Loudness, stacked cabinets and mains power hurt people. Local codes and licensed
practice come before anything that this program says.

Exit code: 0 done (of a rehearsal with nobody present: proven and kept); 1 not
proven, not well, or something on the way failed; 2 the command, a setting or a
file needs mending.`,
		Example: `  hushback rehearse                      the whole loop on an emulated rig
  hushback rehearse --unattended --json  the same with nobody present
  hushback solve ottersedge              what can be worked out of a site
  hushback report tarnholt --out d.pdf   a design, or a change, on paper
  hushback check mysite.yaml             whether everything can be reached
  hushback dry-run mysite.yaml           what would be sent, sending nothing
  hushback serve mysite.yaml             the daemon beside the processor
  hushback rollback                      back to the safe preset`,
		Version:           strings.TrimPrefix(dossier.Software(), "hushback "),
		SilenceUsage:      true,
		SilenceErrors:     true,
		CompletionOptions: cobra.CompletionOptions{HiddenDefaultCmd: true},
		Args:              cli.Usage(cobra.NoArgs, "name one of the commands"),
		PersistentPreRunE: func(*cobra.Command, []string) error { return cli.Environment(os.Environ()) },
		RunE:              func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetFlagErrorFunc(cli.BadFlag)
	group(root, "On paper, without a processor:", newSolve(), newCompare(), newReport(), newRehearse())
	group(root, "At the rig:", newCheck(), newDryRun(), newServe(), newRollback(), shelf.Verb())
	group(root, "Sound:", newExcite(), newListen())
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages ", ".FlagUsagesWrapped 80 "))
	return root
}

// group adds verbs under a title.
func group(root *cobra.Command, title string, verbs ...*cobra.Command) {
	root.AddGroup(&cobra.Group{ID: title, Title: title})
	for _, v := range verbs {
		v.GroupID = title
	}
	root.AddCommand(verbs...)
}
