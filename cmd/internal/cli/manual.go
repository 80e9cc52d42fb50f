package cli

import (
	"cmp"
	"fmt"
	"os"
	"runtime/debug"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// Version is what the program was built from, as the toolchain wrote it down.
func Version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	version := cmp.Or(info.Main.Version, "unknown")
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			version += " of " + s.Value
		}
	}
	return version
}

// Manual is the hidden verb that writes the manual pages, for whoever packs the
// program.
func Manual() *cobra.Command {
	return &cobra.Command{
		Use: "manual FOLDER", Short: "Write the manual pages", Hidden: true,
		Args: Usage(cobra.ExactArgs(1), "name one folder"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := os.MkdirAll(args[0], 0o755); err != nil {
				return Bad(fmt.Errorf("manual: %w", err))
			}
			c.Root().DisableAutoGenTag = true // the same source gives the same pages
			return doc.GenManTree(c.Root(), &doc.GenManHeader{Section: "1", Source: "hushback", Manual: "hushback"}, args[0])
		},
	}
}
