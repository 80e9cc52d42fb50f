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

// settings are the names of all settings, ascending.
func settings() (names []string) {
	for _, field := range reflect.VisibleFields(reflect.TypeFor[Settings]()) {
		if name := field.Tag.Get("mapstructure"); name != "" {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// Environment refuses variables that look like the program's and are not: a setting
// that is misspelled would quietly be another.
func Environment(environ []string) error {
	known := []string{TokenVariable}
	for _, name := range settings() {
		known = append(known, prefix+strings.ToUpper(strings.ReplaceAll(name, "-", "_")))
	}
	for _, pair := range environ {
		name, _, _ := strings.Cut(pair, "=")
		if strings.HasPrefix(name, prefix) && !slices.Contains(known, name) {
			return Bad(fmt.Errorf("the environment has %s, which is no setting: %s", name, instead(name, known)))
		}
	}
	return nil
}

// instead is what to do about a name that nobody knows.
func instead(name string, known []string) string {
	return "take it out, or call it " + cmp.Or(strings.Join(nearest(name, known), " or "), "one of "+strings.Join(known, ", "))
}

// nearest are the names that a misspelled one may mean, by the measure that verbs
// are suggested by: those with the fewest mistakes, and not more than half of it.
func nearest(name string, known []string) (near []string) {
	most := min(3, (len(strings.TrimPrefix(name, prefix))+1)/2)
	for mistakes := 1; mistakes <= most && len(near) == 0; mistakes++ {
		these := cobra.Command{SuggestionsMinimumDistance: mistakes}
		for _, k := range known {
			these.AddCommand(&cobra.Command{Use: k, Run: func(*cobra.Command, []string) {}})
		}
		near = these.SuggestionsFor(name)
	}
	return near
}
