//go:build race

package diagnose

// The race detector makes this arithmetic many times slower, and there is one
// goroutine in it only: fewer rigs, and one in so many of other cases.
const (
	ordinaryRigs = 1
	every        = 7
)
