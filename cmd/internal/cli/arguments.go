// Package cli is what all verbs of the command line share: settings, flags that are
// quantities, sites with the profiles of their processors, and which errors the
// person at the keyboard can mend.
package cli

import (
	"fmt"

	"hushback/configs/quantity"
)

// TimeOf reads a flag that is a time, in seconds.
func TimeOf(flag, text string) (float64, error) {
	return QuantityOf(flag, text, quantity.Period())
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
