package optimise

import (
	"encoding/csv"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

func drawn2(rng *rand.Rand, n, m int) [][]complex128 {
	rows := make([][]complex128, n)
	for i := range rows {
		for range m {
			rows[i] = append(rows[i], random(rng))
		}
	}
	return rows
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
		b := gram(q, weight)
		c := factor(b, 1e-13)
		if want := min(points, n); c.count() != want {
			t.Errorf("seed %d: %d points leave %d rows, want %d", s, points, c.count(), want)
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
			y := make([]complex128, c.count())
			c.apply(w, y)
			var factored float64
			for _, v := range y {
				factored += energy(v)
			}
			near(t, "form", real(dot(conj(w), b.times(w))), direct, 1e-11*direct)
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
		m := gram(q, weight)
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
				column[k] = inv.at(k, i)
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
	if _, ok := inverse(rows{2, []complex128{1, 2, 2, 1}}); ok {
		t.Error("inverted a matrix with a negative eigenvalue by Cholesky")
	}
	if _, _, ok := greatest(rows{1, []complex128{1}}, rows{1, []complex128{-1}}); ok {
		t.Error("a form without a floor has no greatest ratio")
	}
}

// addAdjoint is what apply is seen from the other side: <y, Mv> = <M^H y, v>.
func TestAdjointIsAdjoint(t *testing.T) {
	const s = 7
	rng := rand.New(rand.NewPCG(s, s))
	for _, count := range []int{1, 2, 5} {
		m := rows{n: 4}
		for _, row := range drawn2(rng, count, 4) {
			m.add(row)
		}
		v, y, by := drawn2(rng, 1, 4)[0], drawn2(rng, 1, count)[0], make([]float64, count)
		for i := range by {
			by[i] = rng.Float64()
		}
		by[0] = 0
		left, right := make([]complex128, count), make([]complex128, 4)
		m.apply(v, left)
		m.addAdjoint(right, y, by)
		var a complex128
		for i := range left {
			a += cmplx.Conj(y[i]) * complex(by[i], 0) * left[i]
		}
		near(t, "adjoint", cmplx.Abs(a-dot(conj(right), v)), 0, 1e-12)
	}
	many := rows{n: 1}
	for i := range 100 {
		many.add([]complex128{complex(float64(i), 0)})
	}
	few := many.some(5)
	if few.count() != 5 || few.at(0, 0) != 0 || few.at(4, 0) != 99 || many.some(200).count() != 100 {
		t.Errorf("some of 100 rows are %v", few.v)
	}
}

func published(t *testing.T, name string) [][]float64 {
	t.Helper()
	file, err := os.Open("../../testdata/published/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var table [][]float64
	for _, line := range lines[1:] {
		var row []float64
		for _, cell := range line {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatal(err)
			}
			row = append(row, v)
		}
		table = append(table, row)
	}
	return table
}

// Greatest front to rear ratios and their weights as scipy.linalg.eigh finds
// them: testdata/published/eigen_*.csv say how.
func TestGreatestAsPublished(t *testing.T) {
	four := refer(t, "four")
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
	bounds, vectors := published(t, "eigen_bound.csv"), published(t, "eigen_weights.csv")
	if len(bounds) != 7 || len(vectors) != 7 {
		t.Fatalf("read %d and %d lines", len(bounds), len(vectors))
	}
	for k, line := range bounds {
		f, eps := line[0], line[7]
		a := gram(seen(sources, ahead, f, four.C), aheadWeight)
		b := gram(seen(sources, behind, f, four.C), behindWeight)
		value, w, ok := greatest(a, loaded(b, []float64{eps, eps, eps, eps}))
		if !ok {
			t.Fatalf("%g Hz: no eigenvalue", f)
		}
		near(t, "ratio, dB", 10*math.Log10(value), line[1], 1e-6)
		var norm float64
		for _, v := range w {
			norm += energy(v)
		}
		turn := complex(math.Sqrt(norm), 0) * w[1] / complex(cmplx.Abs(w[1]), 0)
		for i, v := range w {
			near(t, "weight", cmplx.Abs(v/turn-complex(vectors[k][1+2*i], vectors[k][2+2*i])), 0, 1e-6)
		}
	}
}
