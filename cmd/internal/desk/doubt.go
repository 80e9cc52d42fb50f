package desk

import (
	"fmt"
	"slices"

	"hushback/cmd/internal/figures"
	"hushback/control"
)

// InDoubt is the error of outputs that nobody can vouch for.
type InDoubt struct {
	Outputs []int
	Reason  string
}

func (e InDoubt) Error() string {
	return fmt.Sprintf("outputs %v may hold anything: turn their amplifiers down by hand, then roll back again: %s", e.Outputs, e.Reason)
}

// BackTo says where a change went back to, and how surely.
func BackTo(s control.RolledBack) string { return Flatten(s).BackTo() }

// BackTo says it of a change that was rolled back.
func (st Standing) BackTo() string {
	read := slices.ContainsFunc(st.Readings, func(r control.Reading) bool { return !r.Blind })
	switch {
	case len(st.Blind) == 0:
		return st.To + ", read back to make sure"
	case read:
		return st.To + ", read back to make sure but for " + figures.Outputs(st.Blind) + ", which cannot be read back"
	default:
		return st.To + " as far as sending goes: " + figures.Outputs(st.Blind) + " cannot be read back"
	}
}
