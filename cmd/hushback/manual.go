//go:build manual

package main

import (
	"log"
	"os"

	"github.com/spf13/cobra/doc"
)

// main, built with the tag, writes the manual pages into a folder, for whoever packs
// the program. The program itself carries no such tool about.
func main() {
	if len(os.Args) != 2 {
		log.Fatal("name one folder for the manual pages")
	}
	os.Setenv("XDG_STATE_HOME", "~/.local/state") // the reader's, not the packer's
	root := newRoot()
	root.DisableAutoGenTag = true // the same source gives the same pages
	if err := doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "hushback", Manual: "hushback"}, os.Args[1]); err != nil {
		log.Fatal(err)
	}
}
