// Package shelf is the verb presets: what a state folder holds is listed, compared,
// carried out and in, and put right while no daemon runs there.
package shelf

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/printout"
	"hushback/control/preset"
)

// Verb is the command with all of its own.
func Verb() *cobra.Command {
	var folder home.Folder
	c := &cobra.Command{
		Use:   "presets",
		Short: "List, compare, export and import stored presets",
		Long: says(`Works on the presets in the state folder while no daemon runs there; beside a
daemon its page does the same. None of it sends anything to a processor. Presets
never change; the safe and the as-found preset cannot be deleted. Without a
command it lists them.`),
		Example: `  hushback presets
  hushback presets compare "as found" safe
  hushback presets export safe safe-preset.json
  hushback presets import safe-preset.json --as "from the workshop"`,
		Args: cli.Usage(cobra.NoArgs, "name one of its commands, or nothing for a list"),
	}
	c.PersistentFlags().StringVar(&folder.Dir, "state", home.Default(), "`folder` of the presets and journal")
	asJSON := c.PersistentFlags().Bool("json", false, "print JSON")
	c.RunE = func(c *cobra.Command, _ []string) error {
		return inStore(folder, func(s *preset.Store) error {
			all, err := s.List()
			if err != nil {
				return err
			}
			return printout.Presets(c.OutOrStdout(), all, *asJSON)
		})
	}
	c.AddCommand(newShow(&folder, asJSON), newCompare(&folder, asJSON), newExport(&folder, asJSON), newImport(&folder, asJSON),
		newDelete(&folder, asJSON), newSafe(&folder, asJSON), newSetAside(&folder, asJSON))
	return c
}

// says is what a command does, and how it can end.
func says(what string) string {
	return what + `

Exit code: 0 done; 1 the store cannot be opened or written; 2 bad input.`
}

// complete offers the names of presets for the first arguments, then what after does.
func complete(folder *home.Folder, presets int, after cobra.CompletionFunc) cobra.CompletionFunc {
	return func(c *cobra.Command, args []string, typed string) (names []cobra.Completion, _ cobra.ShellCompDirective) {
		if len(args) >= presets {
			return after(c, args[presets:], typed)
		}
		_ = inStore(*folder, func(s *preset.Store) error { // beside a daemon nothing is offered
			all, err := s.List()
			for _, p := range all {
				names = append(names, p.Name)
			}
			return err
		})
		return names, cobra.ShellCompDirectiveNoFileComp
	}
}

// files leaves it to the shell.
func files(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveDefault
}

// inStore opens the presets of a state folder for one piece of work.
func inStore(folder home.Folder, work func(*preset.Store) error) (err error) {
	if _, err := os.Stat(folder.Store()); errors.Is(err, fs.ErrNotExist) {
		return cli.Bad(fmt.Errorf("nothing was ever stored in %s: name the right state folder with --state", folder.Dir))
	}
	store, err := preset.Open(folder.Store())
	if errors.Is(err, preset.ErrInUse) {
		return fmt.Errorf("%s: a daemon runs here: use the presets on its page, or stop it first", folder.Dir)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	return work(store)
}

// find is a stored preset.
func find(s *preset.Store, name string) (preset.Preset, error) {
	p, err := s.Find(name)
	if err != nil {
		return p, cli.Bad(fmt.Errorf("%w: hushback presets lists what there is", err))
	}
	return p, nil
}

// did says what was done, in words or for programs.
func did(c *cobra.Command, asJSON bool, told any, words string, args ...any) error {
	if asJSON {
		return printout.JSON(c.OutOrStdout(), told)
	}
	_, err := fmt.Fprintf(c.OutOrStdout(), words+"\n", args...)
	return err
}

func newShow(folder *home.Folder, asJSON *bool) *cobra.Command {
	return &cobra.Command{
		Use: "show NAME", Short: "Print a preset's settings",
		Long:              says("Prints a preset's settings, output by output."),
		Example:           `  hushback presets show safe`,
		Args:              cli.Usage(cobra.ExactArgs(1), "name a preset, or the beginning of its ID"),
		ValidArgsFunction: complete(folder, 1, cobra.NoFileCompletions),
		RunE: func(c *cobra.Command, args []string) error {
			return inStore(*folder, func(s *preset.Store) error {
				p, err := find(s, args[0])
				if err != nil {
					return err
				}
				if *asJSON {
					return printout.JSON(c.OutOrStdout(), printout.TellPreset(p))
				}
				for _, set := range p.Settings {
					fmt.Fprintf(c.OutOrStdout(), "output %-3d %s\n", set.Output, printout.SettingWords(&set))
				}
				return nil
			})
		},
	}
}

func newCompare(folder *home.Folder, asJSON *bool) *cobra.Command {
	return &cobra.Command{
		Use: "compare A B", Short: "Print where two presets differ",
		Long:              says("Prints the outputs that two presets set to different values, both of each."),
		Example:           `  hushback presets compare "as found" safe`,
		Args:              cli.Usage(cobra.ExactArgs(2), "name two presets"),
		ValidArgsFunction: complete(folder, 2, cobra.NoFileCompletions),
		RunE: func(c *cobra.Command, args []string) error {
			return inStore(*folder, func(s *preset.Store) error {
				a, errA := find(s, args[0])
				b, errB := find(s, args[1])
				if err := errors.Join(errA, errB); err != nil {
					return err
				}
				differ := preset.Compare(a, b)
				if *asJSON {
					return printout.JSON(c.OutOrStdout(), append([]preset.Difference{}, differ...))
				}
				if len(differ) == 0 {
					fmt.Fprintln(c.OutOrStdout(), "they set the same outputs to the same values")
				}
				for _, d := range differ {
					fmt.Fprintf(c.OutOrStdout(), "output %-3d %s: %s\n           %s: %s\n", d.Output, args[0], printout.SettingWords(d.A), args[1], printout.SettingWords(d.B))
				}
				return nil
			})
		},
	}
}

func newExport(folder *home.Folder, asJSON *bool) *cobra.Command {
	return &cobra.Command{
		Use: "export NAME FILE", Short: "Write a preset to a file",
		Long:              says("Writes a preset to a new file, which import reads; no file is written over."),
		Example:           `  hushback presets export safe safe-preset.json`,
		Args:              cli.Usage(cobra.ExactArgs(2), "name a preset and a file to write"),
		ValidArgsFunction: complete(folder, 1, files),
		RunE: func(c *cobra.Command, args []string) error {
			return inStore(*folder, func(s *preset.Store) error {
				p, err := find(s, args[0])
				if err != nil {
					return err
				}
				text, err := preset.Export(p)
				if err != nil {
					return err
				}
				f, err := os.OpenFile(args[1], os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
				if err != nil {
					return cli.Bad(fmt.Errorf("export: %w", err)) // also one that is there: nothing is written over
				}
				_, err = f.Write(text)
				if err := errors.Join(err, f.Close()); err != nil || !*asJSON {
					return err
				}
				return printout.JSON(c.OutOrStdout(), printout.TellPreset(p))
			})
		},
	}
}

func newImport(folder *home.Folder, asJSON *bool) *cobra.Command {
	var name string
	c := &cobra.Command{
		Use: "import FILE", Short: "Store a preset from a file", Args: cli.Usage(cobra.ExactArgs(1), "name one file that export wrote"),
		Long: says(`Stores a preset that export wrote, under its own name or another. The safe and
the as-found preset come in under another name; presets safe makes it the safe
one.`),
		Example: `  hushback presets import safe-preset.json --as "from the workshop"`,
		RunE: func(c *cobra.Command, args []string) error {
			text, err := os.ReadFile(args[0])
			if err != nil {
				return cli.Bad(fmt.Errorf("import: %w", err))
			}
			p, err := preset.Import(text)
			if err != nil {
				return cli.Bad(fmt.Errorf("%s: %w: name a file that export wrote", args[0], err))
			}
			if name != "" {
				p.Name = name
			}
			if p.Name == preset.Safe || p.Name == preset.AsFound {
				return cli.Bad(fmt.Errorf("%q is hushback's own: give the preset another name with --as", p.Name))
			}
			if err := folder.Prepare(); err != nil {
				return err
			}
			s, err := preset.Open(folder.Store())
			if err != nil {
				return err
			}
			err = s.Put(p)
			if err == nil {
				err = s.Note(preset.Entry{At: time.Now(), Event: "preset imported", Detail: fmt.Sprintf("%q, %.12s", p.Name, p.ID())})
			}
			if err := errors.Join(err, s.Close()); err != nil {
				return cli.Bad(err)
			}
			return did(c, *asJSON, printout.TellPreset(p), "stored as %q, %.12s", p.Name, p.ID())
		},
	}
	c.Flags().StringVar(&name, "as", "", "`name` to store it under, instead of its own")
	return c
}

func newDelete(folder *home.Folder, asJSON *bool) *cobra.Command {
	return &cobra.Command{
		Use: "delete NAME", Short: "Take a preset's name away", Args: cli.Usage(cobra.ExactArgs(1), "name one preset"),
		Long: says(`Takes a preset's name away. Its settings stay in the store and are found by
their ID.`),
		Example:           `  hushback presets delete "from the workshop"`,
		ValidArgsFunction: complete(folder, 1, cobra.NoFileCompletions),
		RunE: func(c *cobra.Command, args []string) error {
			return inStore(*folder, func(s *preset.Store) error {
				if err := s.Delete(args[0]); err != nil {
					return cli.Bad(err)
				}
				err := s.Note(preset.Entry{At: time.Now(), Event: "preset deleted", Detail: fmt.Sprintf("%q", args[0])})
				if err != nil || !*asJSON {
					return err
				}
				return printout.JSON(c.OutOrStdout(), map[string]string{"deleted": args[0]})
			})
		},
	}
}

func newSafe(folder *home.Folder, asJSON *bool) *cobra.Command {
	return &cobra.Command{
		Use: "safe NAME SITE", Short: "Make a stored preset the safe one", Args: cli.Usage(cobra.ExactArgs(2), "name a preset and a site"),
		Long: says(`Makes a stored preset the safe one, for processors that cannot be read. Its
settings must be such as the site's processors can hold, none above its limit.
Nothing is sent.`),
		Example:           `  hushback presets safe "from the workshop" mysite.yaml`,
		ValidArgsFunction: complete(folder, 1, cli.CompleteSite),
		RunE: func(c *cobra.Command, args []string) error {
			site, profiles, err := cli.OpenSite(args[1], "", "")
			if err != nil {
				return err
			}
			return inStore(*folder, func(s *preset.Store) error {
				p, err := daemon.UseAsSafe(s, site, profiles, args[0])
				if err != nil {
					return cli.Bad(err)
				}
				return did(c, *asJSON, printout.TellPreset(p), "the safe preset is now %.12s", p.ID())
			})
		},
	}
}

func newSetAside(folder *home.Folder, asJSON *bool) *cobra.Command {
	return &cobra.Command{
		Use: "set-aside", Short: "Move a damaged store out of the way", Args: cli.Usage(cobra.NoArgs, "leave that out"),
		Long: says(`Moves a damaged store out of the way; the file is kept under a name that says
when. The next start makes a new one, which knows nothing: look at what the
processor holds before you store a safe preset.`),
		Example: `  hushback presets set-aside --state /var/lib/hushback`,
		RunE: func(c *cobra.Command, _ []string) error {
			err := inStore(*folder, func(*preset.Store) error {
				return cli.Bad(errors.New("the store is whole: there is nothing to set aside"))
			})
			if !errors.Is(err, preset.ErrDamaged) {
				return err
			}
			kept, err := preset.SetAside(folder.Store(), time.Now())
			if err != nil {
				return err
			}
			return did(c, *asJSON, map[string]string{"kept_as": kept}, "kept as %s; the next start makes a new store", kept)
		},
	}
}
