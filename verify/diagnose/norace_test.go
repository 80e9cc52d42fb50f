//go:build !race

package diagnose

// ordinaryRigs is how many rigs an ordinary run of the suite has.
const ordinaryRigs = 60
