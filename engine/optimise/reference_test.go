package optimise

import (
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"testing"
)

// reference is a layout and what testdata/independent/multistart.py found for
// it: settings, its own prediction of them, and its own bound.
type reference struct {
	Name           string
	Sources, Quiet [][2]float64
	Front          [2]float64
	Freq           []float64
	Headroom       float64
	Weights        []float64
	C              float64
	MeanRatioDB    float64   `json:"mean_ratio_db"`
	DelayS         []float64 `json:"delay_s"`
	Amplitude      []float64
	RatioDB        []float64 `json:"ratio_db"`
	CostDB         []float64 `json:"cost_db"`
	BoundDB        []float64 `json:"bound_db"`
}

func refer(t testing.TB, name string) reference {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/solver/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	var r reference
	if err := json.Unmarshal(raw, &r); err != nil {
		t.Fatal(err)
	}
	return r
}

// free is the response of point sources in free space, e^{-jkr}/r.
func free(sources [][2]float64, at [2]float64, freqHz, c float64) []complex128 {
	out := make([]complex128, len(sources))
	for i, s := range sources {
		r := math.Hypot(at[0]-s[0], at[1]-s[1])
		out[i] = cmplx.Rect(1/r, -2*math.Pi*freqHz/c*r)
	}
	return out
}

// problem has delays up to 100 ms and gains from -60 to 0 dB, both continuous.
func (r reference) problem() Problem {
	p := Problem{FreqHz: r.Freq, QuietWeight: r.Weights, HeadroomDB: r.Headroom}
	for range r.Sources {
		p.Outputs = append(p.Outputs, Output{DelaySec: Range{Max: 0.1}, GainDB: Range{Min: -60}})
	}
	for _, f := range r.Freq {
		p.Front = append(p.Front, free(r.Sources, r.Front, f, r.C))
		p.Quiet = append(p.Quiet, seen(r.Sources, r.Quiet, f, r.C))
	}
	return p
}

func seen(sources, at [][2]float64, f, c float64) [][]complex128 {
	var rows [][]complex128
	for _, q := range at {
		rows = append(rows, free(sources, q, f, c))
	}
	return rows
}

// settings are the reference's own.
func (r reference) settings() []Setting {
	var list []Setting
	for i, a := range r.Amplitude {
		s := Setting{DelaySec: r.DelayS[i], Polarity: 1, GainDB: 20 * math.Log10(math.Abs(a))}
		if a < 0 {
			s.Polarity = -1
		}
		list = append(list, s)
	}
	return list
}

// audience adds listeners on an arc in front.
func (r reference) audience(p Problem, evenDB float64) Problem {
	var at [][2]float64
	for k := range 15 {
		angle := float64(k-7) * 10 * math.Pi / 180
		at = append(at, [2]float64{20 * math.Cos(angle), 20 * math.Sin(angle)})
	}
	for _, f := range r.Freq {
		p.Audience = append(p.Audience, seen(r.Sources, at, f, r.C))
	}
	p.EvennessDB = evenDB
	return p
}

// stepped puts all outputs on a grid.
func stepped(p Problem, delaySec, gainDB float64) Problem {
	p.Outputs = append([]Output(nil), p.Outputs...)
	for i := range p.Outputs {
		p.Outputs[i].DelaySec.Step, p.Outputs[i].GainDB.Step = delaySec, gainDB
	}
	return p
}

// invented is a layout of n sources drawn at random.
func invented(rng *rand.Rand, n int) reference {
	r := reference{Name: "drawn", C: 343.2, Front: [2]float64{25, 2}, Headroom: 3, Freq: []float64{31, 38, 44, 52, 61}}
	for range n {
		r.Sources = append(r.Sources, [2]float64{3 * rng.Float64(), 5 * rng.NormFloat64() / 2})
	}
	for k := range 12 {
		angle := (110 + 12*float64(k)) * math.Pi / 180
		r.Quiet = append(r.Quiet, [2]float64{14 * math.Cos(angle), 14 * math.Sin(angle)})
		r.Weights = append(r.Weights, 0.5+rng.Float64())
	}
	return r
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.9g, want %.9g within %g", what, got, want, within)
	}
}

func worst(v []float64) float64 {
	most := math.Inf(-1)
	for _, x := range v {
		most = math.Max(most, x)
	}
	return most
}

func random(rng *rand.Rand) complex128 { return complex(rng.NormFloat64(), rng.NormFloat64()) }
