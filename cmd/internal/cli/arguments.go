// Package cli is what all verbs of the command line share: settings, flags that are
// quantities, sites with the profiles of their processors, and which errors the
// person at the keyboard can mend.
package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"hushback/configs/quantity"
)

// BadInput marks an error that the person at the keyboard can mend.
type BadInput struct{ err error }

// Bad makes an error one that can be mended; nil stays nil.
func Bad(err error) error {
	if err == nil {
		return nil
	}
	return BadInput{err}
}

func (e BadInput) Error() string { return e.err.Error() }
func (e BadInput) Unwrap() error { return e.err }

// Usage makes wrong arguments an error that says what is wanted.
func Usage(check cobra.PositionalArgs, want string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if check(c, args) != nil {
			return Bad(fmt.Errorf("%s: got %q, want: %s\nsee: %s --help", c.Name(), args, want, c.CommandPath()))
		}
		return nil
	}
}

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
