//go:build race

package diagnose

// ordinaryRigs: the race detector makes this arithmetic many times slower.
const ordinaryRigs = 8
