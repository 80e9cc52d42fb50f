package document

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"hushback/engine"
)

// Problem is one thing wrong in a file. Line and Column count from 1.
type Problem struct {
	File         string
	Line, Column int
	engine.Problem
}

// String reads `file:line:column: path: got X, want Y`.
func (p Problem) String() string {
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Column, p.Problem)
}

// Problems is everything wrong with a file, in the order of its lines.
type Problems []Problem

// maxShown is how many problems a person gets to read at once; the rest are
// mostly consequences of these.
const maxShown = 20

// Error shows one problem a line, at most maxShown of them.
func (ps Problems) Error() string {
	lines := make([]string, 0, maxShown+1)
	for i, p := range ps {
		if i == maxShown {
			lines = append(lines, fmt.Sprintf("and %d more", len(ps)-maxShown))
			break
		}
		lines = append(lines, p.String())
	}
	return strings.Join(lines, "\n")
}

// sorted orders by place, so that the first line to repair comes first.
func (ps Problems) sorted() Problems {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return ps
}
