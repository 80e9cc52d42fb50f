package optimise

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// rows is a complex matrix, row after row.
type rows struct {
	n int // columns
	v []complex128
}

func (r rows) count() int                 { return len(r.v) / r.n }
func (r rows) row(i int) []complex128     { return r.v[i*r.n : (i+1)*r.n] }
func (r rows) at(i, j int) complex128     { return r.v[i*r.n+j] }
func square(n int) rows                   { return rows{n, make([]complex128, n*n)} }
func (r *rows) add(row []complex128)      { r.v = append(r.v, row...) }
func (r rows) set(i, j int, v complex128) { r.v[i*r.n+j] = v }

// some is at most so many rows, spread over all of them.
func (r rows) some(most int) rows {
	n := r.count()
	few := rows{n: r.n}
	for k := range min(n, most) {
		few.add(r.row(k * (n - 1) / max(1, min(n, most)-1)))
	}
	return few
}

func energy(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }

// dot is Σ a_i b_i, nothing conjugated.
func dot(a, b []complex128) complex128 {
	var sum complex128
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}

// coherent is Σ |a_i| scale_i, the level if all arrived in phase.
func coherent(a []complex128, scale []float64) float64 {
	var sum float64
	for i, v := range a {
		if scale == nil {
			sum += cmplx.Abs(v)
		} else {
			sum += cmplx.Abs(v) * scale[i]
		}
	}
	return sum
}

// gram is B = Σ_p weight_p conj(q_p) q_p^T, so that w^H B w is the weighted sum
// of |q_p^T w|².
func gram(points [][]complex128, weight []float64) rows {
	b := square(len(points[0]))
	for p, q := range points {
		for i, v := range q {
			row, left := b.row(i), cmplx.Conj(v)*complex(weight[p], 0)
			for j := range i + 1 {
				row[j] += left * q[j]
			}
		}
	}
	for i := range b.n {
		for j := range i {
			b.set(j, i, cmplx.Conj(b.at(i, j)))
		}
	}
	return b
}

// factor is C with C^H C = B for a Hermitian B without negative eigenvalues:
// Cholesky with pivots, stopped where what is left of the trace is negligible.
// Sound fields of arrays that are small against the distance have few rows.
func factor(b rows, negligible float64) rows {
	n, c := b.n, rows{n: b.n}
	left := make([]float64, n) // diagonal of what C does not explain yet
	var trace float64
	for i := range n {
		left[i] = real(b.at(i, i))
		trace += left[i]
	}
	for range n {
		k := 0
		for i, v := range left {
			if v > left[k] {
				k = i
			}
		}
		if !(left[k] > negligible*trace) {
			break
		}
		row, pivot := make([]complex128, n), complex(math.Sqrt(left[k]), 0)
		for j := range row {
			v := b.at(k, j)
			for r := range c.count() {
				v -= cmplx.Conj(c.at(r, k)) * c.at(r, j)
			}
			row[j] = v / pivot
			left[j] -= energy(row[j])
		}
		left[k] = 0
		c.add(row)
	}
	return c
}

// inverse is the inverse of a positive definite Hermitian matrix by Cholesky;
// false where it is none.
func inverse(m rows) (rows, bool) {
	l, ok := cholesky(m)
	if !ok {
		return rows{}, false
	}
	n := l.n
	low := square(n) // inverse of L
	for j := range n {
		low.set(j, j, 1/l.at(j, j))
		for i := j + 1; i < n; i++ {
			var sum complex128
			row := l.row(i)
			for k := j; k < i; k++ {
				sum += row[k] * low.at(k, j)
			}
			low.set(i, j, -sum/row[i])
		}
	}
	inv := square(n) // L^-H L^-1
	for k := range n {
		row := low.row(k)
		for i := range k + 1 {
			left := cmplx.Conj(row[i])
			out := inv.row(i)
			for j := range i + 1 {
				out[j] += left * row[j]
			}
		}
	}
	for i := range n {
		for j := range i {
			inv.set(j, i, cmplx.Conj(inv.at(i, j)))
		}
	}
	return inv, true
}

// cholesky is the lower L with L L^H = M.
func cholesky(m rows) (rows, bool) {
	l := square(m.n)
	for i := range m.n {
		ri := l.row(i)
		for j := range i + 1 {
			rj, sum := l.row(j), m.at(i, j)
			for k := range j {
				sum -= ri[k] * cmplx.Conj(rj[k])
			}
			if i != j {
				ri[j] = sum / rj[j]
				continue
			}
			if !(real(sum) > 0) {
				return rows{}, false
			}
			ri[i] = complex(math.Sqrt(real(sum)), 0)
		}
	}
	return l, true
}

// times is M v.
func (r rows) times(v []complex128) []complex128 {
	out := make([]complex128, r.count())
	for i := range out {
		out[i] = dot(r.row(i), v)
	}
	return out
}

// greatest is the greatest w^H A w / w^H B w, the greatest eigenvalue of
// A v = λ B v, and its vector; both Hermitian, B positive definite. It whitens
// by B's Cholesky factor and hands the rest, as a real matrix of twice the
// size, to gonum.
func greatest(a, b rows) (float64, []complex128, bool) {
	l, ok := cholesky(b)
	if !ok {
		return 0, nil, false
	}
	n := a.n
	half := forward(l, a)              // L^-1 A
	white := forward(l, adjoint(half)) // L^-1 (L^-1 A)^H
	m := mat.NewSymDense(2*n, nil)
	for i := range n {
		for j := range n {
			v := (white.at(i, j) + cmplx.Conj(white.at(j, i))) / 2
			m.SetSym(i, j, real(v))
			m.SetSym(n+i, n+j, real(v))
			m.SetSym(i, n+j, -imag(v))
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(m, true) {
		return 0, nil, false
	}
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	w := make([]complex128, n)
	for i := n - 1; i >= 0; i-- { // L^H w = v
		sum := complex(vectors.At(i, 2*n-1), vectors.At(n+i, 2*n-1))
		for k := i + 1; k < n; k++ {
			sum -= cmplx.Conj(l.at(k, i)) * w[k]
		}
		w[i] = sum / l.at(i, i)
	}
	return eig.Values(nil)[2*n-1], w, true
}

// forward solves L X = M.
func forward(l, m rows) rows {
	x := rows{m.n, make([]complex128, len(m.v))}
	for i := range l.n {
		out := x.row(i)
		copy(out, m.row(i))
		for k := range i {
			factor, from := l.at(i, k), x.row(k)
			for j := range out {
				out[j] -= factor * from[j]
			}
		}
		for j := range out {
			out[j] /= l.at(i, i)
		}
	}
	return x
}

func adjoint(m rows) rows {
	t := square(m.n)
	for i := range m.n {
		for j := range m.n {
			t.set(j, i, cmplx.Conj(m.at(i, j)))
		}
	}
	return t
}

// apply is M v into out, two rows at a time: the same sums, with half the
// waiting for memory and for the last addition.
func (r rows) apply(v, out []complex128) {
	k := 0
	for ; k+1 < len(out); k += 2 {
		a, b := r.row(k)[:len(v)], r.row(k + 1)[:len(v)]
		var ar, ai, br, bi float64
		for i, x := range v {
			xr, xi := real(x), imag(x)
			ar += real(a[i])*xr - imag(a[i])*xi
			ai += real(a[i])*xi + imag(a[i])*xr
			br += real(b[i])*xr - imag(b[i])*xi
			bi += real(b[i])*xi + imag(b[i])*xr
		}
		out[k], out[k+1] = complex(ar, ai), complex(br, bi)
	}
	if k < len(out) {
		out[k] = dot(r.row(k), v)
	}
}

// addAdjoint adds M^H diag(by) y to sum, two rows at a time like apply.
func (r rows) addAdjoint(sum, y []complex128, by []float64) {
	k := 0
	for ; k+1 < len(y); k += 2 {
		if by[k] == 0 && by[k+1] == 0 {
			continue
		}
		a, b := r.row(k)[:len(sum)], r.row(k + 1)[:len(sum)]
		ar, ai := real(y[k])*by[k], imag(y[k])*by[k]
		br, bi := real(y[k+1])*by[k+1], imag(y[k+1])*by[k+1]
		for i, s := range sum {
			cr, ci, dr, di := real(a[i]), imag(a[i]), real(b[i]), imag(b[i])
			sum[i] = complex(real(s)+(cr*ar+ci*ai)+(dr*br+di*bi), imag(s)+(cr*ai-ci*ar)+(dr*bi-di*br))
		}
	}
	if k < len(y) {
		last := y[k] * complex(by[k], 0)
		for i, c := range r.row(k) {
			sum[i] += cmplx.Conj(c) * last
		}
	}
}
