package forms

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"hushback/testdata/published"
)

func drawn2(rng *rand.Rand, n, m int) [][]complex128 {
	list := make([][]complex128, n)
	for i := range list {
		for range m {
			list[i] = append(list[i], random(rng))
		}
	}
	return list
}

// The form w^H B w is the weighted sum over the points, and its factor gives
// the same, with fewer rows where the points have less to say.
func TestGramAndFactorKeepTheEnergy(t *testing.T) {
	const s = 5
	rng := rand.New(rand.NewPCG(s, s))
	for _, points := range []int{2, 3, 6, 40} {
		const n = 6
		q, weight := drawn2(rng, points, n), make([]float64, points)
		for i := range weight {
			weight[i] = rng.Float64() + 0.1
		}
		b := Gram(q, weight)
		c := Factor(b, 1e-13)
		if want := min(points, n); c.Count() != want {
			t.Errorf("seed %d: %d points leave %d Rows, want %d", s, points, c.Count(), want)
		}
		for range 20 {
			w := drawn2(rng, 1, n)[0]
			var direct float64
			for p, row := range q {
				var sum complex128
				for i, v := range row {
					sum += v * w[i]
				}
				direct += weight[p] * cmplx.Abs(sum) * cmplx.Abs(sum)
			}
			y := make([]complex128, c.Count())
			c.Apply(w, y)
			var factored float64
			for _, v := range y {
				factored += Energy(v)
			}
			near(t, "form", real(Dot(conj(w), b.times(w))), direct, 1e-11*direct)
			near(t, "factor", factored, direct, 1e-11*direct)
		}
	}
}

func TestInverseIsOne(t *testing.T) {
	const s = 6
	rng := rand.New(rand.NewPCG(s, s))
	for _, n := range []int{1, 2, 7, 20} {
		q, weight := drawn2(rng, 2*n, n), make([]float64, 2*n)
		for i := range weight {
			weight[i] = 1
		}
		m := Gram(q, weight)
		inv, ok := inverse(m)
		if !ok {
			t.Fatalf("seed %d: no inverse of %d", s, n)
		}
		l, _ := cholesky(m)
		b := drawn2(rng, 1, n)[0]
		x := solved(l, b)
		for i, v := range m.times(x) {
			near(t, "solved", cmplx.Abs(v-b[i]), 0, 1e-9)
		}
		for i := range n {
			column := make([]complex128, n)
			for k := range n {
				column[k] = inv.At(k, i)
			}
			for k, v := range m.times(column) {
				want := 0.0
				if k == i {
					want = 1
				}
				near(t, "product with the inverse", cmplx.Abs(v-complex(want, 0)), 0, 1e-9)
			}
		}
	}
	if _, ok := inverse(Rows{2, []complex128{1, 2, 2, 1}}); ok {
		t.Error("inverted a matrix with a negative eigenvalue by Cholesky")
	}
	if _, _, ok := Greatest(Rows{1, []complex128{1}}, Rows{1, []complex128{-1}}); ok {
		t.Error("a form without a floor has no greatest ratio")
	}
}

// AddAdjoint is what apply is seen from the other side: <y, Mv> = <M^H y, v>.
func TestAdjointIsAdjoint(t *testing.T) {
	const s = 7
	rng := rand.New(rand.NewPCG(s, s))
	for _, count := range []int{1, 2, 5} {
		m := Rows{N: 4}
		for _, row := range drawn2(rng, count, 4) {
			m.Add(row)
		}
		v, y, by := drawn2(rng, 1, 4)[0], drawn2(rng, 1, count)[0], make([]float64, count)
		for i := range by {
			by[i] = rng.Float64()
		}
		by[0] = 0
		left, right := make([]complex128, count), make([]complex128, 4)
		m.Apply(v, left)
		m.AddAdjoint(right, y, by)
		var a complex128
		for i := range left {
			a += cmplx.Conj(y[i]) * complex(by[i], 0) * left[i]
		}
		near(t, "adjoint", cmplx.Abs(a-Dot(conj(right), v)), 0, 1e-12)
	}
	many := Rows{N: 1}
	for i := range 100 {
		many.Add([]complex128{complex(float64(i), 0)})
	}
	few := many.Some(5)
	if few.Count() != 5 || few.At(0, 0) != 0 || few.At(4, 0) != 99 || many.Some(200).Count() != 100 {
		t.Errorf("some of 100 Rows are %v", few.V)
	}
}

// Greatest front to rear ratios and their weights as scipy.linalg.eigh finds
// them: testdata/published/eigen_*.csv say how.
func TestGreatestAsPublished(t *testing.T) {
	const c = 343.2
	sources := [][2]float64{{-1.9, 0}, {0, 0}, {-0.73, 1.76}, {-0.73, -1.76}}
	arc := func(radius, from, to float64, n int) (at [][2]float64, weight []float64) {
		for k := range n {
			a := (from + (to-from)*float64(k)/float64(n-1)) * math.Pi / 180
			at, weight = append(at, [2]float64{radius * math.Cos(a), radius * math.Sin(a)}), append(weight, 1/float64(n))
		}
		return at, weight
	}
	ahead, aheadWeight := arc(30, -30, 30, 13)
	behind, behindWeight := arc(15, 120, 240, 25)
	bounds, vectors := published.Table(t, "eigen_bound.csv"), published.Table(t, "eigen_weights.csv")
	if len(bounds) != 7 || len(vectors) != 7 {
		t.Fatalf("read %d and %d lines", len(bounds), len(vectors))
	}
	for k, line := range bounds {
		f, eps := line.Number(t, "f_hz"), line.Number(t, "eps")
		a := Gram(seen(sources, ahead, f, c), aheadWeight)
		b := Gram(seen(sources, behind, f, c), behindWeight)
		value, w, ok := Greatest(a, Loaded(b, []float64{eps, eps, eps, eps}))
		if !ok {
			t.Fatalf("%g Hz: no eigenvalue", f)
		}
		near(t, "ratio, dB", 10*math.Log10(value), line.Number(t, "max_ratio_db"), 1e-6)
		var norm float64
		for _, v := range w {
			norm += Energy(v)
		}
		turn := complex(math.Sqrt(norm), 0) * w[1] / complex(cmplx.Abs(w[1]), 0)
		for i, v := range w {
			want := complex(vectors[k].Number(t, fmt.Sprintf("w%d_re", i)), vectors[k].Number(t, fmt.Sprintf("w%d_im", i)))
			near(t, "weight", cmplx.Abs(v/turn-want), 0, 1e-6)
		}
	}
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.9g, want %.9g within %g", what, got, want, within)
	}
}

func random(rng *rand.Rand) complex128 { return complex(rng.NormFloat64(), rng.NormFloat64()) }

// seen is the response of point sources in free space, e^{-jkr}/r, at points.
func seen(sources, at [][2]float64, freqHz, c float64) [][]complex128 {
	list := make([][]complex128, len(at))
	for k, p := range at {
		for _, s := range sources {
			r := math.Hypot(p[0]-s[0], p[1]-s[1])
			list[k] = append(list[k], cmplx.Rect(1/r, -2*math.Pi*freqHz/c*r))
		}
	}
	return list
}

// Two alike responses share the front: v = 1/2 each, as far as it may, and a
// price once it may not. In one dimension everything is fixed.
func TestLeastInClosedForm(t *testing.T) {
	got, v := Least([]complex128{2i}, Rows{1, []complex128{3}}, 1)
	near(t, "one", got, 0.75, 1e-6)
	near(t, "its weight", cmplx.Abs(v[0]*2i-1), 0, 1e-6)
	b := Rows{2, []complex128{1, 0, 0, 4}}
	got, _ = Least([]complex128{1, 1}, b, 100) // 1/(1 + 1/4), with v = 4/5 and 1/5
	near(t, "two without a limit that binds", got, 0.8, 1e-6)
	got, _ = Least([]complex128{1, 1}, b, 0.36) // v = 3/5 and 2/5
	near(t, "two with one", got, 0.36+4*0.16, 1e-5)
	if got > 1 {
		t.Errorf("%.9g is above the least", got)
	}
}
