//go:build !race

package diagnose

// ordinaryRigs is how many rigs an ordinary run of the suite has; of other lists
// of cases it takes one in every.
const (
	ordinaryRigs = 20
	every        = 1
)
