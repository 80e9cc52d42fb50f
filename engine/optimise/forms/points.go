package forms

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
)

// Arrivals is how much later than the first one each output's sound arrives at
// one point, in seconds, from the responses there at [frequency][output]: the
// time that best explains their phase, by least squares on the steps from
// frequency to frequency, each less than half a turn between any two outputs.
// One frequency alone gives the phase's own time.
func Arrivals(at [][]complex128, freqHz []float64) []float64 {
	late := make([]float64, len(at[0]))
	for i := range late {
		after := func(f int) complex128 { return at[f][i] * cmplx.Conj(at[f][0]) }
		if len(at) == 1 {
			late[i] = -cmplx.Phase(after(0)) / (2 * math.Pi * freqHz[0])
			continue
		}
		var turned, squares float64
		for f := 1; f < len(at); f++ {
			step := 2 * math.Pi * (freqHz[f] - freqHz[f-1])
			turned -= cmplx.Phase(after(f)*cmplx.Conj(after(f-1))) * step
			squares += step * step
		}
		late[i] = turned / squares
	}
	return late
}

// Share is a part of a spread that belongs to one point.
type Share struct {
	Point int
	Part  float64
}

// Spread is the difference in dB between the 95th and the 5th percentile of
// the levels, each read off between the two nearest points, and what the
// points' levels have in it.
func Spread(p []complex128) (float64, [4]Share) {
	order := make([]int, len(p))
	level := make([]float64, len(p))
	for i, v := range p {
		order[i], level[i] = i, 10*math.Log10(math.Max(Energy(v), math.SmallestNonzeroFloat64))
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Or(cmp.Compare(level[a], level[b]), a-b) })
	var shares [4]Share
	var sum float64
	for k, q := range []float64{0.05, 0.95} {
		at := q * float64(len(p)-1)
		i := min(int(at), len(p)-1)
		next, sign := min(i+1, len(p)-1), float64(2*k-1)
		shares[2*k] = Share{order[i], sign * (1 - at + float64(i))}
		shares[2*k+1] = Share{order[next], sign * (at - float64(i))}
	}
	for _, s := range shares {
		sum += s.Part * level[s.Point]
	}
	return sum, shares
}
