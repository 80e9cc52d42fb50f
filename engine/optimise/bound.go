package optimise

import (
	"math"

	"hushback/engine/optimise/forms"
)

// bound is what no weights exceed at one frequency: the ratio in dB with any
// complex w, |w_i| ≤ 1 in parts of the greatest gain, within the same headroom.
//
// Without a limit it is the greatest eigenvalue of A v = λ B v. With one, g
// being the least front response, it is found at exactly g, since a higher one
// only narrows what is allowed relative to it: the least energy behind for a
// front of 1 with v = w/g, |v_i| ≤ 1/g. That problem is convex, and
// forms.Least is never above its solution: a bound is a bound however well
// the search for it went.
func (t *task) bound(f int) (ratioDB float64) {
	if t.Worst {
		return t.boundOfWorst(f)
	}
	ratioDB, _ = t.boundOf(t.at[f], t.at[f].gram)
	return ratioDB
}

// boundOf is bound for the energy w^H B w behind, and weights that come near it.
func (t *task) boundOf(at field, b forms.Rows) (float64, []complex128) {
	b = forms.Loaded(b, at.quietLoad)
	if t.HeadroomDB == 0 {
		a := forms.Gram([][]complex128{at.front}, []float64{1})
		value, w, _ := forms.Greatest(forms.Loaded(a, at.frontLoad), b) // B is positive definite by its floor
		return decibel * math.Log(value), w
	}
	least := at.full * amplitude(-t.HeadroomDB)
	behind, v := forms.Least(at.front, b, 1/(least*least))
	var load float64 // |w_i| ≤ 1
	for _, l := range at.frontLoad {
		load += l
	}
	return decibel * math.Log((1+load/(least*least))/behind), v
}

// boundOfWorst is bound for the loudest point: for any shares of the points
// that make 1 the mean is at most the loudest, so each choice gives a bound;
// shares go to the points that are loud with the best weights for the last.
func (t *task) boundOfWorst(f int) float64 {
	const tries = 25
	at := t.at[f]
	points := make([][]complex128, at.quiet.Count())
	share := make([]float64, len(points))
	for i := range points {
		points[i], share[i] = at.quiet.Row(i), 1/float64(len(points))
	}
	least := math.Inf(1)
	for try := range tries {
		ratio, w := t.boundOf(at, forms.Gram(points, share))
		least = math.Min(least, ratio)
		var most, sum float64
		for _, p := range points {
			most = math.Max(most, forms.Energy(forms.Dot(p, w)))
		}
		for i, p := range points {
			share[i] *= math.Exp(4 / math.Sqrt(float64(try+1)) * (forms.Energy(forms.Dot(p, w))/most - 1))
			sum += share[i]
		}
		for i := range share {
			share[i] /= sum
		}
	}
	return least
}
