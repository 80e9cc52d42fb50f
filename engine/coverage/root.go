package coverage

import (
	"math"
	"slices"
)

// falls is the first x at which f is 0 or less. The y are f at the ascending x;
// between two of them the crossing is found as a root, and a dip that only
// reaches down between them is gone after. It is false where f stays above 0.
func falls(x, y []float64, f func(float64) float64) (float64, bool) {
	if y[0] <= 0 {
		return x[0], true
	}
	for i := range x {
		if y[i] <= 0 {
			return root(f, x[i-1], x[i], y[i-1], y[i]), true
		}
		if low, ok := dips(x, y, i, f); ok {
			from := i
			if low < x[i] {
				from--
			}
			return root(f, x[from], low, y[from], f(low)), true
		}
	}
	return 0, false
}

// dips finds a place beside x[i] at which f is 0 or less.
func dips(x, y []float64, i int, f func(float64) float64) (float64, bool) {
	if reach, ok := reaches(y, i); !ok || reach > 0 {
		return 0, false
	}
	low := lowest(f, x[max(0, i-1)], x[min(len(x)-1, i+1)], 0, 1e-10)
	return low, f(low) <= 0
}

// reaches is how low f could come beside the i-th of its equally spaced values
// y, if that is not above its neighbours. A parabola through three values lies
// an eighth of their second difference below the middle one at most, a corner
// of straight lines half of it; this is the whole of it.
func reaches(y []float64, i int) (float64, bool) {
	last := len(y) - 1
	middle := max(1, min(last-1, i))
	bend := y[middle-1] + y[middle+1] - 2*y[middle]
	return y[i] - math.Abs(bend), y[i] <= y[max(0, i-1)] && y[i] <= y[min(last, i+1)]
}

// bottom is where f is lowest, and how low. The y are f at the ascending x.
func bottom(x, y []float64, f func(float64) float64) (at, low float64) {
	best := slices.Index(y, slices.Min(y))
	at, low = x[best], y[best]
	for i := range x {
		if reach, ok := reaches(y, i); ok && reach < low {
			dip := lowest(f, x[max(0, i-1)], x[min(len(x)-1, i+1)], math.Inf(-1), 1e-7)
			if v := f(dip); v < low {
				at, low = dip, v
			}
		}
	}
	return at, low
}

// lowest closes in on the minimum of f between a and b by golden section; once
// f is at or below enough, that is low enough.
func lowest(f func(float64) float64, a, b, enough, within float64) float64 {
	const section = math.Phi - 1
	p, q := b-section*(b-a), a+section*(b-a)
	fp, fq := f(p), f(q)
	for b-a > within && math.Min(fp, fq) > enough {
		if fp < fq {
			b, q, fq = q, p, fp
			p = b - section*(b-a)
			fp = f(p)
		} else {
			a, p, fp = p, q, fq
			q = a + section*(b-a)
			fq = f(q)
		}
	}
	if fp < fq {
		return p
	}
	return q
}

// root is a zero of f between a and b, where it is fa and fb, one above 0 and
// the other not, by Ridders' method: as quick as a secant, and the bracket is
// at least halved every time (C. Ridders, IEEE Trans. Circuits Syst. 26 (1979)
// 979-980, from memory).
func root(f func(float64) float64, a, b, fa, fb float64) float64 {
	x := b
	for range 80 { // twice what halving alone takes
		if fa == 0 {
			return a
		}
		if fb == 0 {
			return b
		}
		last, m := x, (a+b)/2
		fm := f(m)
		x = m + (m-a)*math.Copysign(fm, fm*fa)/math.Sqrt(fm*fm-fa*fb)
		if math.Abs(x-last) < 1e-12 || math.Abs(b-a) < 1e-12 {
			break
		}
		for _, at := range [2]struct{ x, f float64 }{{m, fm}, {x, f(x)}} {
			if (at.f > 0) == (fa > 0) {
				a, fa = at.x, at.f
			} else {
				b, fb = at.x, at.f
			}
		}
	}
	return x
}

// steps divides 0 to end into at least least equal parts, each at most one
// eighth of a ripple, of which there are ripples in one radian.
func steps(end, ripples float64, least int) []float64 {
	n := max(least, int(math.Ceil(8*end*ripples)))
	x := make([]float64, n+1)
	for i := range x {
		x[i] = end * float64(i) / float64(n)
	}
	return x
}

// each is f at every x.
func each(x []float64, f func(float64) float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = f(v)
	}
	return y
}
