package band

import (
	"math"
	"strings"
	"testing"

	"hushback/testdata/published"
)

// The published tables: numbers, labels, middles and edges of every band that
// they hold.
func TestBandsAsPublished(t *testing.T) {
	for name, fraction := range map[string]int{"third": 3, "twelfth": 12, "twentyfourth": 24} {
		rows := published.Table(t, "bands_"+name+"_octave.csv")
		bands, err := Within(fraction, 17.79, 177.8)
		if err != nil || len(bands) != len(rows) || len(rows) < 7 {
			t.Fatalf("%s: %d bands, the table has %d, %v", name, len(bands), len(rows), err)
		}
		for i, b := range bands {
			for column, got := range map[string]float64{"x": float64(b.Number), "nominal_hz": b.NominalHz, "fm_exact_hz": b.MidHz, "f1_lower_hz": b.LowHz, "f2_upper_hz": b.HighHz} {
				if want := rows[i].Number(t, column); math.Abs(got-want) > 1e-9*math.Abs(want) {
					t.Errorf("1/%d octave, band %s: %s is %v, the table says %v", fraction, rows[i]["x"], column, got, want)
				}
			}
		}
	}
}

// What follows from the definition alone, for every fraction: bands tile the axis,
// their middle is the geometric mean of their edges, octaves hold as many as they
// should, and 1000 Hz is a middle or an edge.
func TestBandsTile(t *testing.T) {
	for _, fraction := range []int{1, 3, 6, 12, 24} {
		bands, err := Within(fraction, 10, 20_000)
		if err != nil {
			t.Fatal(err)
		}
		middle, edge := false, false
		for i, b := range bands {
			if math.Abs(b.MidHz-math.Sqrt(b.LowHz*b.HighHz)) > 1e-9*b.MidHz || math.Abs(b.HighHz/b.LowHz-math.Pow(10, 0.3/float64(fraction))) > 1e-12 {
				t.Errorf("1/%d octave: %+v", fraction, b)
			}
			if i > 0 && (math.Abs(b.LowHz-bands[i-1].HighHz) > 1e-9*b.LowHz || b.Number != bands[i-1].Number+1) {
				t.Errorf("1/%d octave: %+v does not follow on %+v", fraction, b, bands[i-1])
			}
			middle = middle || math.Abs(b.MidHz-1000) < 1e-6
			edge = edge || math.Abs(b.LowHz-1000) < 1e-6
			if b.NominalHz < 0.95*b.MidHz || b.NominalHz > 1.05*b.MidHz {
				t.Errorf("1/%d octave: %g Hz is called %g Hz", fraction, b.MidHz, b.NominalHz)
			}
		}
		if odd := fraction%2 == 1; middle != odd || edge == odd {
			t.Errorf("1/%d octave: 1000 Hz is a middle: %v, an edge: %v", fraction, middle, edge)
		}
	}
	third, err := Within(3, 50, 51)
	if err != nil || len(third) != 1 || third[0].NominalHz != 50 {
		t.Fatalf("%+v, %v", third, err)
	}
	fine := third[0].Fine(24)
	if len(fine) != 8 || math.Abs(fine[0]/third[0].LowHz-math.Pow(10, 0.3/48)) > 1e-12 || math.Abs(third[0].HighHz/fine[7]-math.Pow(10, 0.3/48)) > 1e-12 {
		t.Errorf("the eighths of a third: %v in %+v", fine, third[0])
	}
	if four := third[0].Fine(12); len(four) != 4 {
		t.Errorf("the quarters of a third: %v", four)
	}
}

func TestEndsCount(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      int
	}{{100, 100, 1}, {100.1, 125.8, 0}, {100, 125.89254117941672, 2}, {31.6, 63.1, 4}} {
		bands, err := Within(3, c.low, c.high)
		if err != nil || len(bands) != c.want {
			t.Errorf("%g to %g Hz: %d thirds, want %d, %v", c.low, c.high, len(bands), c.want, err)
		}
	}
	for _, fraction := range []int{1, 3, 6, 12, 24} {
		all, err := Within(fraction, 20, 200)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range all {
			for _, c := range []struct {
				low, high float64
				want      int
			}{{b.MidHz, b.MidHz, 1}, {b.LowHz, b.MidHz * (1 - 1e-6), 0}, {b.MidHz * (1 + 1e-6), b.HighHz, 0}, {b.LowHz, b.HighHz, 1}} {
				if got, err := Within(fraction, c.low, c.high); err != nil || len(got) != c.want {
					t.Errorf("1/%d octave, %g to %g Hz: %v, want %d, %v", fraction, c.low, c.high, got, c.want, err)
				}
			}
		}
	}
	for _, c := range []struct {
		fraction  int
		low, high float64
		want      string
	}{
		{2, 20, 100, "1/2 octave"}, {0, 20, 100, "want 1, 1/3"}, {3, 0, 100, "rise from above 0"}, {3, 100, 20, "rise from above 0"},
		{3, math.NaN(), 100, "rise"}, {3, 20, math.NaN(), "rise"}, {3, 20, math.Inf(1), "rise"},
	} {
		if _, err := Within(c.fraction, c.low, c.high); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c, err)
		}
	}
}
