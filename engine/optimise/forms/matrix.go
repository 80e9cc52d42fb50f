// Package forms reckons with what outputs do at points. A response is a row
// q, one entry an output; weights w make the energy |q^T w|² there, which is the
// Hermitian form w^H B w with B = conj(q) q^T. The package has the algebra of
// such forms (their factors, ratios and least values) and what points say about
// arrival times and levels.
package forms

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// Rows is a complex matrix, row after row.
type Rows struct {
	N int // columns
	V []complex128
}

// Count is how many rows there are.
func (r Rows) Count() int { return len(r.V) / r.N }

// Row is one of them, not a copy.
func (r Rows) Row(i int) []complex128 { return r.V[i*r.N : (i+1)*r.N] }

// At is one entry.
func (r Rows) At(i, j int) complex128 { return r.V[i*r.N+j] }

// Square is n rows of n zeros.
func Square(n int) Rows { return Rows{n, make([]complex128, n*n)} }

// Add appends a copy of a row.
func (r *Rows) Add(row []complex128)      { r.V = append(r.V, row...) }
func (r Rows) set(i, j int, v complex128) { r.V[i*r.N+j] = v }

// Some is at most so many rows, spread over all of them.
func (r Rows) Some(most int) Rows {
	n := r.Count()
	few := Rows{N: r.N}
	for k := range min(n, most) {
		few.Add(r.Row(k * (n - 1) / max(1, min(n, most)-1)))
	}
	return few
}

// Energy is |v|².
func Energy(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }

// Dot is Σ a_i b_i, nothing conjugated.
func Dot(a, b []complex128) complex128 {
	var sum complex128
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}

// Coherent is Σ |a_i|, the level if all arrived in phase.
func Coherent(a []complex128) float64 {
	var sum float64
	for _, v := range a {
		sum += cmplx.Abs(v)
	}
	return sum
}

// Gram is B = Σ_p weight_p conj(q_p) q_p^T, so that w^H B w is the weighted sum
// of |q_p^T w|².
func Gram(points [][]complex128, weight []float64) Rows {
	b := Square(len(points[0]))
	for p, q := range points {
		for i, v := range q {
			row, left := b.Row(i), cmplx.Conj(v)*complex(weight[p], 0)
			for j := range i + 1 {
				row[j] += left * q[j]
			}
		}
	}
	for i := range b.N {
		for j := range i {
			b.set(j, i, cmplx.Conj(b.At(i, j)))
		}
	}
	return b
}

// Factor is C with C^H C = B for a Hermitian B without negative eigenvalues:
// Cholesky with pivots, stopped where what is left of the trace is negligible.
// Sound fields of arrays that are small against the distance have few rows.
func Factor(b Rows, negligible float64) Rows {
	n, c := b.N, Rows{N: b.N}
	left := make([]float64, n) // diagonal of what C does not explain yet
	var trace float64
	for i := range n {
		left[i] = real(b.At(i, i))
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
			v := b.At(k, j)
			for r := range c.Count() {
				v -= cmplx.Conj(c.At(r, k)) * c.At(r, j)
			}
			row[j] = v / pivot
			left[j] -= Energy(row[j])
		}
		left[k] = 0
		c.Add(row)
	}
	return c
}

// inverse is the inverse of a positive definite Hermitian matrix by Cholesky;
// false where it is none.
func inverse(m Rows) (Rows, bool) {
	l, ok := cholesky(m)
	if !ok {
		return Rows{}, false
	}
	n := l.N
	low := Square(n) // inverse of L
	for j := range n {
		low.set(j, j, 1/l.At(j, j))
		for i := j + 1; i < n; i++ {
			var sum complex128
			row := l.Row(i)
			for k := j; k < i; k++ {
				sum += row[k] * low.At(k, j)
			}
			low.set(i, j, -sum/row[i])
		}
	}
	inv := Square(n) // L^-H L^-1
	for k := range n {
		row := low.Row(k)
		for i := range k + 1 {
			left := cmplx.Conj(row[i])
			out := inv.Row(i)
			for j := range i + 1 {
				out[j] += left * row[j]
			}
		}
	}
	for i := range n {
		for j := range i {
			inv.set(j, i, cmplx.Conj(inv.At(i, j)))
		}
	}
	return inv, true
}

// cholesky is the lower L with L L^H = M.
func cholesky(m Rows) (Rows, bool) {
	l := Square(m.N)
	for i := range m.N {
		ri := l.Row(i)
		for j := range i + 1 {
			rj, sum := l.Row(j), m.At(i, j)
			for k := range j {
				sum -= ri[k] * cmplx.Conj(rj[k])
			}
			if i != j {
				ri[j] = sum / rj[j]
				continue
			}
			if !(real(sum) > 0) {
				return Rows{}, false
			}
			ri[i] = complex(math.Sqrt(real(sum)), 0)
		}
	}
	return l, true
}

// times is M v.
func (r Rows) times(v []complex128) []complex128 {
	out := make([]complex128, r.Count())
	for i := range out {
		out[i] = Dot(r.Row(i), v)
	}
	return out
}

// Greatest is the greatest w^H A w / w^H B w, the greatest eigenvalue of
// A v = λ B v, and its vector; both Hermitian, B positive definite. It whitens
// by B's Cholesky factor and hands the rest, as a real matrix of twice the
// size, to gonum.
func Greatest(a, b Rows) (float64, []complex128, bool) {
	l, ok := cholesky(b)
	if !ok {
		return 0, nil, false
	}
	n := a.N
	half := forward(l, a)              // L^-1 A
	white := forward(l, adjoint(half)) // L^-1 (L^-1 A)^H
	m := mat.NewSymDense(2*n, nil)
	for i := range n {
		for j := range n {
			v := (white.At(i, j) + cmplx.Conj(white.At(j, i))) / 2
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
			sum -= cmplx.Conj(l.At(k, i)) * w[k]
		}
		w[i] = sum / l.At(i, i)
	}
	return eig.Values(nil)[2*n-1], w, true
}

// forward solves L X = M.
func forward(l, m Rows) Rows {
	x := Rows{m.N, make([]complex128, len(m.V))}
	for i := range l.N {
		out := x.Row(i)
		copy(out, m.Row(i))
		for k := range i {
			factor, from := l.At(i, k), x.Row(k)
			for j := range out {
				out[j] -= factor * from[j]
			}
		}
		for j := range out {
			out[j] /= l.At(i, i)
		}
	}
	return x
}

func adjoint(m Rows) Rows {
	t := Square(m.N)
	for i := range m.N {
		for j := range m.N {
			t.set(j, i, cmplx.Conj(m.At(i, j)))
		}
	}
	return t
}

// Apply is M v into out, two rows at a time: the same sums, with half the
// waiting for memory and for the last addition.
func (r Rows) Apply(v, out []complex128) {
	k := 0
	for ; k+1 < len(out); k += 2 {
		a, b := r.Row(k)[:len(v)], r.Row(k + 1)[:len(v)]
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
		out[k] = Dot(r.Row(k), v)
	}
}

// AddAdjoint adds M^H diag(by) y to sum, two rows at a time like apply.
func (r Rows) AddAdjoint(sum, y []complex128, by []float64) {
	k := 0
	for ; k+1 < len(y); k += 2 {
		if by[k] == 0 && by[k+1] == 0 {
			continue
		}
		a, b := r.Row(k)[:len(sum)], r.Row(k + 1)[:len(sum)]
		ar, ai := real(y[k])*by[k], imag(y[k])*by[k]
		br, bi := real(y[k+1])*by[k+1], imag(y[k+1])*by[k+1]
		for i, s := range sum {
			cr, ci, dr, di := real(a[i]), imag(a[i]), real(b[i]), imag(b[i])
			sum[i] = complex(real(s)+(cr*ar+ci*ai)+(dr*br+di*bi), imag(s)+(cr*ai-ci*ar)+(dr*bi-di*br))
		}
	}
	if k < len(y) {
		last := y[k] * complex(by[k], 0)
		for i, c := range r.Row(k) {
			sum[i] += cmplx.Conj(c) * last
		}
	}
}

// Loaded is B with a load on its diagonal.
func Loaded(b Rows, load []float64) Rows {
	out := Rows{b.N, append([]complex128(nil), b.V...)}
	for i, l := range load {
		out.V[i*b.N+i] += complex(l, 0)
	}
	return out
}
