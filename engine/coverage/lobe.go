package coverage

import "math"

// LobeSpacing is the spacing in metres at which, as the sources of a straight
// row are moved apart, a lobe beside the main one first gets louder than
// limitDB against the main one at topHz. It is +Inf where none ever does: of a
// single source, or for a limit of 0 dB or more. SpacingM, ArcRad and Delayed
// are not looked at.
//
// Only directions in front count, out to the row's own line. Behind it a row
// of sources that play the same in all directions repeats its front, main lobe
// and all, at any spacing.
//
// The level in a direction θ depends on the phase from neighbour to neighbour
// alone, ψ = 2π·d/λ·sin θ. So widening d shows new levels at the ends of the row,
// θ = ±90°, before anywhere else. Past the first null, ψ = 2π/N, the first ψ at
// which the level is over the limit gives d = λψ/2π. For -6 dB that is two
// thirds of a wavelength with two sources and more with more of them, for no
// lobe but the repeated main one is ever that loud.
func (r Row) LobeSpacing(topHz, limitDB, c float64) float64 {
	r.SpacingM, r.ArcRad = c/topHz, 0 // so that Check has something to see
	if r.Check(topHz, c) != nil || math.IsNaN(limitDB) {
		return math.NaN()
	}
	if r.Count == 1 || limitDB >= 0 {
		return math.Inf(1)
	}
	limit := math.Pow(10, limitDB/10)
	below := func(wavelengths float64) float64 { // of the limit, at the row's ends
		r.SpacingM = wavelengths
		return limit - r.beam(1, 1).power(math.Pi/2)
	}
	n := float64(r.Count)
	apart := steps(1-1/n, n, 32)
	for i := range apart {
		apart[i] += 1 / n
	}
	if d, ok := falls(apart, each(apart, below), below); ok {
		return d * c / topHz
	}
	return math.Inf(1)
}
