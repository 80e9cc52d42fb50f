package cli

import (
	"io"
	"os"

	"github.com/fatih/color"
	"golang.org/x/term"
)

// IsTerminal reports whether somebody reads along.
func IsTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// coloured reports whether w shows colours and nobody asked for none
// (https://no-color.org).
func coloured(w io.Writer) bool {
	return IsTerminal(w) && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
}

// Paint is what colours the words that judge, where colours are shown. The words say
// it all without.
func Paint(w io.Writer) func(word string) string {
	if !coloured(w) {
		return func(word string) string { return word }
	}
	return func(word string) string {
		ink := color.New()
		switch word {
		case "proven", "well", "kept":
			ink.Add(color.FgGreen)
		case "undecided", "note":
			ink.Add(color.FgYellow)
		case "refuted", "trouble", "adrift":
			ink.Add(color.FgRed, color.Bold)
		default:
			return word
		}
		ink.EnableColor() // it looks at the standard output only, which w need not be
		return ink.Sprint(word)
	}
}
