package forms

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// Least is how little v^H B v can be where a^T v = 1 and |v_i|² ≤ limit, to 1e-6
// of it and never above it, and a v that is near. B is Hermitian and positive
// definite. The problem is convex; its dual, with a price λ_i ≥ 0 for each
// limit, is
//
//	maximise D(λ) = 1/(a^T (B+Λ)^-1 conj(a)) - Σ λ_i·limit
//
// and whatever λ the search ends at, D(λ) is not above the least v^H B v. Where
// no v keeps the limits it grows without end.
func Least(a []complex128, b Rows, limit float64) (float64, []complex128) {
	return dual{a, b, limit}.climb()
}

// dual is that problem.
type dual struct {
	a     []complex128
	b     Rows
	limit float64 // u²
}

// climb goes up by Newton's method on D(λ) + μ·Σ ln λ_i with μ falling, which
// leaves D within n·μ of its greatest. It returns D and the v that belongs to
// the prices.
func (d dual) climb() (float64, []complex128) {
	n := len(d.a)
	const until = 1e-6 // of D
	price := make([]float64, n)
	aligned := make([]complex128, n) // all in phase in front
	total := Coherent(d.a)
	for i, a := range d.a {
		aligned[i] = cmplx.Conj(a) / complex(cmplx.Abs(a)*total, 0)
		if a == 0 {
			aligned[i] = 0
		}
	}
	start := real(Dot(conj(aligned), d.b.times(aligned)))
	for i := range price {
		price[i] = start / (float64(n) * d.limit)
	}
	best, v := d.value(price)
	barrier := start / float64(n)
	for range 200 {
		settled := d.newton(price, barrier)
		if value, at := d.value(price); value > best {
			best, v = value, at
		}
		if barrier*float64(n) < until*math.Abs(best) {
			break
		}
		if settled {
			barrier /= 30
		}
	}
	return best, v
}

func conj(v []complex128) []complex128 {
	out := make([]complex128, len(v))
	for i, x := range v {
		out[i] = cmplx.Conj(x)
	}
	return out
}

// value is D and the minimising v; -Inf where B+Λ is not positive definite.
func (d dual) value(price []float64) (float64, []complex128) {
	l, ok := cholesky(Loaded(d.b, price))
	if !ok {
		return math.Inf(-1), nil
	}
	y := solved(l, conj(d.a))
	s := real(Dot(d.a, y))
	value := 1 / s
	for i, p := range price {
		value -= p * d.limit
		y[i] /= complex(s, 0)
	}
	return value, y
}

// solved is x with L L^H x = b.
func solved(l Rows, b []complex128) []complex128 {
	n := l.N
	x := make([]complex128, n)
	for i := range n {
		x[i] = (b[i] - Dot(l.Row(i)[:i], x[:i])) / l.At(i, i)
	}
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			x[i] -= cmplx.Conj(l.At(k, i)) * x[k]
		}
		x[i] /= l.At(i, i)
	}
	return x
}

// newton does one step on the prices and reports whether it was a small one.
// With G = (B+Λ)^-1, y = G·conj(a), s = a^T y:
//
//	∂s/∂λ_i = -|y_i|², ∂²s/∂λ_i∂λ_j = 2·Re(conj(y_i) G_ij y_j)
func (d dual) newton(price []float64, barrier float64) bool {
	n := len(price)
	g, ok := inverse(Loaded(d.b, price))
	if !ok {
		return true
	}
	y := g.times(conj(d.a))
	s := real(Dot(d.a, y))
	rise, bend := mat.NewVecDense(n, nil), mat.NewSymDense(n, nil)
	for i := range n {
		ei := Energy(y[i])
		rise.SetVec(i, ei/(s*s)-d.limit+barrier/price[i])
		for j := range i + 1 {
			h := 2*real(cmplx.Conj(y[i])*g.At(i, j)*y[j])/(s*s) - 2*ei*Energy(y[j])/(s*s*s)
			if i == j {
				h += barrier / (price[i] * price[i])
			}
			bend.SetSym(i, j, h)
		}
	}
	var chol mat.Cholesky
	var step mat.VecDense
	if !chol.Factorize(bend) || chol.SolveVecTo(&step, rise) != nil {
		return true
	}
	gain := mat.Dot(&step, rise)
	return !d.along(price, step.RawVector().Data, gain, barrier) || gain < 0.1*barrier
}

// along moves the prices as far along the step as they stay above 0 and the
// height rises as it should.
func (d dual) along(price, step []float64, gain, barrier float64) bool {
	height := func(p []float64) float64 {
		h, _ := d.value(p)
		for _, v := range p {
			h += barrier * math.Log(v)
		}
		return h
	}
	far := 1.0
	for i, s := range step {
		if s < 0 {
			far = math.Min(far, -0.95*price[i]/s)
		}
	}
	before, next := height(price), make([]float64, len(price))
	for range 10 {
		for i := range next {
			next[i] = price[i] + far*step[i]
		}
		if height(next) >= before+0.1*far*gain-1e-14*math.Abs(before) {
			copy(price, next)
			return true
		}
		far /= 4
	}
	return false
}
