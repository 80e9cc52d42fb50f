package desk

import "fmt"

// InDoubt is the error of outputs that nobody can vouch for.
type InDoubt struct {
	Outputs []int
	Reason  string
}

func (e InDoubt) Error() string {
	return fmt.Sprintf("outputs %v may hold anything: turn their amplifiers down by hand, then roll back again: %s", e.Outputs, e.Reason)
}
