package home

import (
	"strings"

	"hushback/control/processor"
	"hushback/engine"
)

// Identity names the processors that a state folder belongs to: profiles are of
// the processors in the order of site.Wirings.
func Identity(site engine.Site, profiles []processor.Profile) string {
	var names []string
	for i, w := range site.Wirings() {
		names = append(names, profiles[i].Name+" at "+w.Address)
	}
	return strings.Join(names, ", ")
}
