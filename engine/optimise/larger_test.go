//go:build !race

package optimise

import "testing"

// The larger layouts. Under the race detector they take minutes; the smaller
// ones in TestReaches run through the same code there.
func TestReachesMore(t *testing.T) {
	for _, name := range []string{"two-gardens", "twelve", "sixteen", "thirty-two"} {
		reaches(t, name)
	}
}
