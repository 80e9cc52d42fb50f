// Package cli is what all verbs of the command line share: settings, flags that are
// quantities, sites with the profiles of their processors, and which errors the
// person at the keyboard can mend.
package cli

import (
	"fmt"
	"strings"

	"hushback/configs/quantity"
)

// TimeOf reads a flag that is a time, in seconds. It may be in minutes, which no
// period of a site is.
func TimeOf(flag, text string) (float64, error) {
	kind := quantity.Period()
	kind.Want = "a time such as 200 ms, 90 s or 5 min"
	if number, minutes := strings.CutSuffix(text, "min"); minutes {
		if exact, ok := kind.Parse(number + "s"); ok {
			v, _ := exact.Float64()
			return 60 * v, nil
		}
	}
	return QuantityOf(flag, text, kind)
}

// QuantityOf reads a flag that is a quantity, in SI.
func QuantityOf(flag, text string, kind quantity.Kind) (float64, error) {
	exact, ok := kind.Parse(text)
	if !ok {
		return 0, Bad(fmt.Errorf("%s: got %q, want %s", flag, text, kind.Want))
	}
	v, _ := exact.Float64()
	return v, nil
}
