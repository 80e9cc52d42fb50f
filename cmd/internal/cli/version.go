package cli

import (
	"cmp"
	"runtime/debug"
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
