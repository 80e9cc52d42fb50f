package optimise

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// bound is what no weights exceed at one frequency: the ratio in dB with any
// complex w, |w_i| ≤ 1 in parts of the greatest gain, within the same headroom.
//
// Without a limit it is the greatest eigenvalue of A v = λ B v. With one, g
// being the least front response, it is found at exactly g, since a higher one
// only narrows what is allowed relative to it. So with v = w/g and u = 1/g
//
//	minimise v^H B v  where  a^T v = 1, |v_i|² ≤ u²
//
// which is convex. Its dual, with a price λ_i ≥ 0 for each output's limit, is
//
//	maximise D(λ) = 1/(a^T (B+Λ)^-1 conj(a)) - Σ λ_i u²
//
// and whatever λ the search ends at, D(λ) is never above the least v^H B v: the
// bound is a bound however well the search went.
func (t *task) bound(f int) (ratioDB float64) {
	if t.Worst {
		return t.boundOfWorst(f)
	}
	ratioDB, _ = t.boundOf(t.at[f], t.at[f].gram)
	return ratioDB
}

// boundOf is bound for the energy w^H B w behind, and weights that come near it.
func (t *task) boundOf(at field, b rows) (float64, []complex128) {
	b = loaded(b, at.quietLoad)
	if t.HeadroomDB == 0 {
		a := gram([][]complex128{at.front}, []float64{1})
		value, w, _ := greatest(loaded(a, at.frontLoad), b) // B is positive definite by its floor
		return decibel * math.Log(value), w
	}
	least := at.full * amplitude(-t.HeadroomDB)
	d := dual{a: at.front, b: b, limit: 1 / (least * least)}
	price, v := d.climb()
	var load float64 // |w_i| ≤ 1
	for _, l := range at.frontLoad {
		load += l
	}
	return decibel * math.Log((1+load/(least*least))/price), v
}

func loaded(b rows, load []float64) rows {
	out := rows{b.n, append([]complex128(nil), b.v...)}
	for i, l := range load {
		out.v[i*b.n+i] += complex(l, 0)
	}
	return out
}

// boundOfWorst is bound for the loudest point: for any shares of the points
// that make 1 the mean is at most the loudest, so each choice gives a bound;
// shares go to the points that are loud with the best weights for the last.
func (t *task) boundOfWorst(f int) float64 {
	const tries = 25
	at := t.at[f]
	points := make([][]complex128, at.quiet.count())
	share := make([]float64, len(points))
	for i := range points {
		points[i], share[i] = at.quiet.row(i), 1/float64(len(points))
	}
	least := math.Inf(1)
	for try := range tries {
		ratio, w := t.boundOf(at, gram(points, share))
		least = math.Min(least, ratio)
		var most, sum float64
		for _, p := range points {
			most = math.Max(most, energy(dot(p, w)))
		}
		for i, p := range points {
			share[i] *= math.Exp(4 / math.Sqrt(float64(try+1)) * (energy(dot(p, w))/most - 1))
			sum += share[i]
		}
		for i := range share {
			share[i] /= sum
		}
	}
	return least
}

// dual is the problem above at one frequency.
type dual struct {
	a     []complex128
	b     rows
	limit float64 // u²
}

// climb goes up by Newton's method on D(λ) + μ·Σ ln λ_i with μ falling, which
// leaves D within n·μ of its greatest. It returns D and the v that belongs to
// the prices.
func (d dual) climb() (float64, []complex128) {
	n := len(d.a)
	const until = 1e-6 // of D: 4e-6 dB
	price := make([]float64, n)
	aligned := make([]complex128, n) // all in phase in front
	total := coherent(d.a, nil)
	for i, a := range d.a {
		aligned[i] = cmplx.Conj(a) / complex(cmplx.Abs(a)*total, 0)
		if a == 0 {
			aligned[i] = 0
		}
	}
	start := real(dot(conj(aligned), d.b.times(aligned)))
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
	l, ok := cholesky(loaded(d.b, price))
	if !ok {
		return math.Inf(-1), nil
	}
	y := solved(l, conj(d.a))
	s := real(dot(d.a, y))
	value := 1 / s
	for i, p := range price {
		value -= p * d.limit
		y[i] /= complex(s, 0)
	}
	return value, y
}

// solved is x with L L^H x = b.
func solved(l rows, b []complex128) []complex128 {
	n := l.n
	x := make([]complex128, n)
	for i := range n {
		x[i] = (b[i] - dot(l.row(i)[:i], x[:i])) / l.at(i, i)
	}
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			x[i] -= cmplx.Conj(l.at(k, i)) * x[k]
		}
		x[i] /= l.at(i, i)
	}
	return x
}

// newton does one step on the prices and reports whether it was a small one.
// With G = (B+Λ)^-1, y = G·conj(a), s = a^T y:
//
//	∂s/∂λ_i = -|y_i|², ∂²s/∂λ_i∂λ_j = 2·Re(conj(y_i) G_ij y_j)
func (d dual) newton(price []float64, barrier float64) bool {
	n := len(price)
	g, ok := inverse(loaded(d.b, price))
	if !ok {
		return true
	}
	y := g.times(conj(d.a))
	s := real(dot(d.a, y))
	rise, bend := mat.NewVecDense(n, nil), mat.NewSymDense(n, nil)
	for i := range n {
		ei := energy(y[i])
		rise.SetVec(i, ei/(s*s)-d.limit+barrier/price[i])
		for j := range i + 1 {
			h := 2*real(cmplx.Conj(y[i])*g.at(i, j)*y[j])/(s*s) - 2*ei*energy(y[j])/(s*s*s)
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
