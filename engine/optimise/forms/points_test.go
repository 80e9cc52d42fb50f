package forms

import (
	"math"
	"math/cmplx"
	"testing"
)

// The percentiles against sorting by hand, and which points they stand on.
func TestSpread(t *testing.T) {
	var p []complex128
	for k := range 21 { // 0 to 20 dB, shuffled by a step prime to 21
		p = append(p, cmplx.Rect(math.Pow(10, float64(k*8%21)/20), float64(k)))
	}
	got, shares := Spread(p)
	near(t, "spread of 0 to 20 dB", got, 18, 1e-9) // from 1 to 19
	var sum float64
	for _, s := range shares {
		sum += s.Part
	}
	near(t, "shares together", sum, 0, 1e-12)
	got, _ = Spread(p[:1])
	near(t, "one point", got, 0, 0)
	two, _ := Spread([]complex128{1, 10})
	near(t, "two points 20 dB apart", two, 18, 1e-9)
}

// Free sources arrive after r/c, whatever the frequencies, and a delay adds to
// it. One frequency alone knows its time but for whole periods.
func TestArrivals(t *testing.T) {
	const c = 343.2
	sources := [][2]float64{{0, 0}, {-3, 1}, {2, -4}}
	var at [][]complex128
	freq := []float64{31, 36.5, 40, 49}
	for _, f := range freq {
		row := seen(sources, [][2]float64{{25, 0}}, f, c)[0]
		row[1] *= cmplx.Rect(1, -2*math.Pi*f*0.004)
		at = append(at, row)
	}
	got := Arrivals(at, freq)
	for i, s := range sources {
		want := (math.Hypot(25-s[0], s[1]) - 25) / c
		if i == 1 {
			want += 0.004
		}
		near(t, "arrival, s", got[i], want, 1e-9)
	}
	for i, sec := range Arrivals(at[:1], freq[:1]) {
		periods := (got[i] - sec) * freq[0]
		near(t, "periods between", periods, math.Round(periods), 1e-9)
	}
}
