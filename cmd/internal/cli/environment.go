package cli

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/spf13/cobra"
)

// prefix begins every variable of the environment that is the program's.
const prefix = "HUSHBACK_"

// TokenVariable holds the daemon's token where no file does. A flag would show it
// to everybody who lists processes.
const TokenVariable = prefix + "TOKEN"

// variables are all that the program knows.
func variables() []string {
	known := []string{TokenVariable}
	for _, field := range reflect.VisibleFields(reflect.TypeFor[Settings]()) {
		if setting := field.Tag.Get("mapstructure"); setting != "" {
			known = append(known, prefix+strings.ToUpper(strings.ReplaceAll(setting, "-", "_")))
		}
	}
	return slices.Sorted(slices.Values(known))
}

// Environment refuses variables that look like the program's and are not: a setting
// that is misspelled would quietly be another.
func Environment(environ []string) error {
	known := variables()
	for _, pair := range environ {
		name, _, _ := strings.Cut(pair, "=")
		if strings.HasPrefix(name, prefix) && !slices.Contains(known, name) {
			near := cmp.Or(strings.Join(nearest(name, known), " or "), "one of "+strings.Join(known, ", "))
			return Bad(fmt.Errorf("the environment has %s, which is no setting: take it out, or call it %s", name, near))
		}
	}
	return nil
}

// nearest are the names that a misspelled one may mean, by the measure that verbs
// are suggested by.
func nearest(name string, known []string) []string {
	const mistakes = 3
	these := cobra.Command{SuggestionsMinimumDistance: mistakes}
	for _, k := range known {
		these.AddCommand(&cobra.Command{Use: k, Run: func(*cobra.Command, []string) {}})
	}
	return these.SuggestionsFor(name)
}
