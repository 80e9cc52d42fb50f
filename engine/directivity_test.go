package engine

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/interp"
)

var horn = Directivity{
	FreqHz:   []float64{25, 40, 100},
	AngleRad: []float64{0, 1, 2.2, math.Pi},
	LevelDB:  [][]float64{{0, -1, -2, -3}, {0.5, -3, -8, -6}, {1, -10, -30, -18}},
}

func TestTableEntriesAreKept(t *testing.T) {
	for i, f := range horn.FreqHz {
		for j, angle := range horn.AngleRad {
			near(t, "level", DB(horn.Ratio(angle, f)), horn.LevelDB[i][j], 1e-12)
		}
	}
}

// On paper: the middle of an interval is the mean of its ends, and the middle
// of 25 and 100 Hz on a logarithmic scale is 50 Hz, the root of their product.
func TestBetweenEntriesByHand(t *testing.T) {
	pair := Directivity{FreqHz: []float64{25, 100}, AngleRad: []float64{0, math.Pi}, LevelDB: [][]float64{{0, -4}, {2, -20}}}
	for _, test := range []struct{ angle, hz, want float64 }{
		{math.Pi / 2, 25, -2},
		{math.Pi / 2, 100, -9},
		{0, 50, 1},
		{math.Pi, 50, -12},
		{math.Pi / 2, 50, -5.5},
		{math.Pi / 4, 50, -2.25},
		{math.Pi / 2, 10, -2}, // held below the table
		{math.Pi / 2, 900, -9},
	} {
		near(t, "level", DB(pair.Ratio(test.angle, test.hz)), test.want, 1e-12)
	}
	one := Directivity{FreqHz: []float64{50}, AngleRad: []float64{0, math.Pi}, LevelDB: [][]float64{{0, -6}}}
	near(t, "a single frequency", DB(one.Ratio(math.Pi/2, 31)), -3, 1e-12)
}

// Second implementation: gonum's piecewise linear interpolation, angle first.
func TestBetweenEntriesByGonum(t *testing.T) {
	const seed = 96
	rng := rand.New(rand.NewPCG(seed, seed))
	logs := []float64{math.Log(25), math.Log(40), math.Log(100)}
	for range 300 {
		angle, hz := math.Pi*rng.Float64(), math.Exp(3+2*rng.Float64())
		var column [3]float64
		for i, row := range horn.LevelDB {
			column[i] = linear(t, horn.AngleRad, row, angle)
		}
		want := linear(t, logs, column[:], math.Max(logs[0], math.Min(logs[2], math.Log(hz))))
		near(t, "level", DB(horn.Ratio(angle, hz)), want, 1e-9)
	}
}

func linear(t *testing.T, x, y []float64, at float64) float64 {
	t.Helper()
	var p interp.PiecewiseLinear
	if err := p.Fit(x, y); err != nil {
		t.Fatal(err)
	}
	return p.Predict(at)
}

func TestNoTableIsRound(t *testing.T) {
	if r := (Directivity{}).Ratio(2, 50); r != 1 {
		t.Errorf("got %g, want 1", r)
	}
	if !(Directivity{}).Flat() || horn.Flat() {
		t.Error("Flat is wrong")
	}
}
