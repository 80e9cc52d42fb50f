package cli

import (
	"context"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/home"
	"hushback/configs"
)

// What a shell offers for the words that are still to be typed. Nothing is offered
// rather than something that would be refused.

// CompleteSite offers the examples, and site files, for the first argument.
func CompleteSite(_ *cobra.Command, args []string, typed string) ([]cobra.Completion, cobra.ShellCompDirective) {
	if len(args) > 0 {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	var found []string
	for _, name := range configs.SiteNames() {
		if strings.HasPrefix(name, typed) {
			found = append(found, name)
		}
	}
	for _, ending := range []string{".yaml", ".yml"} {
		files, _ := filepath.Glob(typed + "*" + ending) // what is no pattern matches nothing
		found = append(found, files...)
	}
	if len(found) == 0 { // perhaps it lies in some folder
		return []string{"yaml", "yml"}, cobra.ShellCompDirectiveFilterFileExt
	}
	return found, cobra.ShellCompDirectiveNoFileComp
}

// CompleteLayouts offers the layouts of the site that was typed, and words beside them. Of
// several with commas between them it offers the last.
func CompleteLayouts(beside ...string) cobra.CompletionFunc {
	return func(_ *cobra.Command, args []string, typed string) ([]cobra.Completion, cobra.ShellCompDirective) {
		if len(args) == 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		before := typed[:strings.LastIndex(typed, ",")+1]
		layouts, _ := configs.OpenLayouts(args[0]) // of a site with mistakes there is nothing to offer
		var found []string
		for _, l := range layouts {
			if l.Name != "" {
				found = append(found, before+l.Name)
			}
		}
		for _, word := range beside {
			found = append(found, before+word)
		}
		return found, cobra.ShellCompDirectiveNoFileComp
	}
}

// CompleteMicrophone offers the microphones of the daemon that runs, if one does.
func CompleteMicrophone(state *string) cobra.CompletionFunc {
	return func(c *cobra.Command, _ []string, _ string) ([]cobra.Completion, cobra.ShellCompDirective) {
		names := []string{daemon.Moved}
		note, _, _ := home.Folder{Dir: *state}.Find()
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		now, _ := note.State(ctx) // without one nothing is known of them
		for _, f := range now.Feeds {
			names = append(names, f.Microphone)
		}
		return names, cobra.ShellCompDirectiveNoFileComp
	}
}

// Complete offers words for a flag of c.
func Complete[T ~string](c *cobra.Command, flag string, words ...T) {
	offered := make([]string, len(words))
	for i, w := range words {
		offered[i] = string(w)
	}
	CompleteBy(c, flag, cobra.FixedCompletions(offered, cobra.ShellCompDirectiveNoFileComp))
}

// CompleteBy offers for a flag of c what is found when it is asked for.
func CompleteBy(c *cobra.Command, flag string, find cobra.CompletionFunc) {
	_ = c.RegisterFlagCompletionFunc(flag, find) // a flag that is not there is not completed
}
