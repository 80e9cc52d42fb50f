package verify

import (
	"math"

	"hushback/verify/transfer"
)

// doubt is the chance that an interval misses the truth, for each claim.
const doubt = 1 - ConfidencePercent/100.

// radius is how many Sigma around a measured H the true one lies within,
// save for a chance of miss: in the complex plane, so both parts together.
//
// |error|²/2 over Sigma² is distributed as Fisher's F with 2 and v degrees of
// freedom, whose tail has the closed form (1+2x/v)^(-v/2). Hence
// sqrt(v·(miss^(-2/v)-1)), which for many averages tends to sqrt(-2·ln miss).
// This is Student's t grown by one dimension; because a magnitude and any one
// direction move by no more than the radius, it is safe for those too, however
// near to nothing H is.
func radius(degrees, miss float64) float64 {
	return math.Sqrt(degrees * (math.Pow(miss, -2/degrees) - 1))
}

// reach is the radius in units of H at every frequency of a function.
func reach(f transfer.Function, miss float64) []float64 {
	q := radius(f.DegreesOfFreedom(), miss)
	r := make([]float64, len(f.Sigma))
	for i, s := range f.Sigma {
		r[i] = q * s
	}
	return r
}

// decibels is 20·log10 without engine.DB's floor: an interval that reaches
// down to nothing must say so.
func decibels(ratio float64) float64 { return 20 * math.Log10(math.Max(0, ratio)) }

// atMost decides a claim that the value is no greater than the limit. What is
// not a number decides nothing.
func atMost(low, high, limit float64) Outcome {
	switch {
	case high <= limit:
		return Proven
	case low > limit:
		return Refuted
	}
	return Undecided
}

// within decides a claim that the value is no further than limit from 0.
func within(low, high, limit float64) Outcome {
	switch {
	case low >= -limit && high <= limit:
		return Proven
	case low > limit || high < -limit:
		return Refuted
	}
	return Undecided
}
