package cli

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
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

// Usage makes wrong arguments an error that says what to do instead.
func Usage(check cobra.PositionalArgs, do string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if check(c, args) == nil {
			return nil
		}
		got, meant := "nothing", ""
		if len(args) > 0 {
			got = strings.Trim(fmt.Sprintf("%q", args), "[]")
			c.SuggestionsMinimumDistance = max(2, c.SuggestionsMinimumDistance)
			if near := c.SuggestionsFor(args[0]); len(near) > 0 {
				meant = "did you mean " + strings.Join(near, " or ") + "? "
			}
		}
		verb := strings.TrimPrefix(strings.TrimPrefix(c.CommandPath(), c.Root().Name())+" ", " ")
		return Bad(fmt.Errorf("%sgot %s: %s%s\nsee: %s --help", verb, got, meant, do, c.CommandPath()))
	}
}

// BadFlag makes a flag that cannot be an error that says what to do instead.
func BadFlag(c *cobra.Command, err error) error {
	var value *pflag.InvalidValueError
	var unknown *pflag.NotExistError
	switch {
	case errors.As(err, &value):
		want := map[string]string{"bool": "true or false", "int": "a whole number", "uint64": "a whole number from 0"}[value.GetFlag().Value.Type()]
		err = fmt.Errorf("--%s: got %q, want %s", value.GetFlag().Name, value.GetValue(), cmp.Or(want, "a "+value.GetFlag().Value.Type()))
	case errors.As(err, &unknown):
		var known []string
		c.Flags().VisitAll(func(f *pflag.Flag) { known = append(known, f.Name) })
		if near := nearest(unknown.GetSpecifiedName(), known); len(near) > 0 {
			err = fmt.Errorf("%w: did you mean --%s?", err, strings.Join(near, " or --"))
		}
	}
	return Bad(fmt.Errorf("%w\nsee: %s --help", err, c.CommandPath()))
}

// Advice is what to do next where the system said no: an error of its own says only
// what it would not do. "" where the error itself has it.
func Advice(err error) string {
	var unresolved *net.DNSError
	var network *net.OpError
	switch {
	case errors.As(err, &unresolved):
		return "put the name right, or write the address in numbers"
	case errors.As(err, &network):
		return ""
	case errors.Is(err, fs.ErrNotExist):
		return "look to the path"
	case errors.Is(err, fs.ErrExist):
		return "name a file that is not there yet: none is written over"
	case errors.Is(err, fs.ErrPermission):
		return "do it as whoever owns that, or name another place"
	case errors.Is(err, syscall.ENOSPC):
		return "make room or name another place, then do it again"
	case errors.Is(err, syscall.EISDIR), errors.Is(err, syscall.ENOTDIR):
		return "name another path"
	}
	return ""
}
