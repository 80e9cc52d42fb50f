package picture

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/field"
)

// Every picture of the yard: written both ways, twice, with the same bytes, and
// saying what it shows.
func TestEveryPicture(t *testing.T) {
	r := report(t)
	long, err := design.Work(many(), ranges)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		draw func() (*Drawing, error)
		says []string
	}{
		{"map", func() (*Drawing, error) { return LevelMap("bent row", r, mapped(t, r, 60, 45)) },
			[]string{"Level at 45 Hz", "west gate (invented) · bent row", "towards the audience / m", "left / m", "mixing desk", "back gate", "crowd (audience)", "gardens (quiet)", "brick wall (wall)", "−36", "12"}},
		{"maps", func() (*Drawing, error) { return LevelMap("bent row", r, mapped(t, r, 40, 32, 40, 45, 50, 63)) },
			[]string{"Level at 32 Hz, 40 Hz, 45 Hz, 50 Hz, 63 Hz", "left / m"}},
		{"map-pair", func() (*Drawing, error) { return LevelMap("", r, mapped(t, r, 60, 32, 63)) }, []string{"Level at 32 Hz, 63 Hz"}},
		{"polar", func() (*Drawing, error) { return Polar("bent row", r, []float64{32, 45, 63, 80}) },
			[]string{"front 0°", "rear 180°", "left 90°", "30°", "150°", "−6", "−24", "32 Hz", "80 Hz", "dB"}},
		{"responses", func() (*Drawing, error) { return Responses("bent row", r) },
			[]string{"Front and rear", "frequency / Hz", "target 45 Hz", "front: mixing desk", "rear: back gate", "−40", "opening (−6 dB) / °", "operating range 32 to 63 Hz"}},
		{"compare-2", func() (*Drawing, error) { return Comparison(compared(t, 2)) },
			[]string{"1 timed for the null", "2 end-fire", "rear over front / dB"}},
		{"compare-6", func() (*Drawing, error) { return Comparison(compared(t, 6)) },
			[]string{"5 null, gates shut and the tents up", "6 gradient, moved", "rejection at the target / dB", "frequency / Hz"}},
		{"stakes", func() (*Drawing, error) { return StakeOut("bent row", r, datumOf(r.Site)) },
			[]string{"Stake-out", "datum", "1 front left", "4 rear", "along / m", "facing / °", "−15", "1.50", "1.90", "2.10", "−2.10"}},
		{"stakes-many", func() (*Drawing, error) { return StakeOut("long row", long, datumOf(long.Site)) },
			[]string{"front A", "13 rear A", "−7.70"}},
		{"map-many", func() (*Drawing, error) { return LevelMap("long row", long, mapped(t, long, 60, 45)) }, []string{"long row"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := c.draw()
			svg := lines(t, c.name, d, err)
			says(t, svg, c.says...)
			again, err := c.draw()
			if lines(t, c.name, again, err) != svg {
				t.Error("drawn twice, the SVG differs")
			}
		})
	}
}

// The same dots each time.
func TestSameDots(t *testing.T) {
	r := report(t)
	var drawn [2][]byte
	for i := range drawn {
		d, err := LevelMap("", r, mapped(t, r, 9, 32, 45, 63))
		if err != nil {
			t.Fatal(err)
		}
		drawn[i] = dots(t, d)
	}
	if !bytes.Equal(drawn[0], drawn[1]) {
		t.Error("drawn twice, the PNG differs")
	}
}

// Nothing is written smaller than 9 points.
func TestTypeIsLargeEnough(t *testing.T) {
	d, err := Comparison(compared(t, 6))
	svg := lines(t, "type", d, err)
	sizes := strings.Count(svg, "font-size:")
	if large := strings.Count(svg, "font-size:9px") + strings.Count(svg, "font-size:10px") + strings.Count(svg, "font-size:13px"); sizes == 0 || large != sizes {
		t.Errorf("%d of %d texts are 9, 10 or 13 points", large, sizes)
	}
}

func nan() complex128 { return complex(math.NaN(), 0) }

// What cannot be drawn is refused in words, and nothing panics.
func TestRefusals(t *testing.T) {
	r := report(t)
	changed := func(change func(*design.Report)) design.Report {
		c := r
		change(&c)
		return c
	}
	two := compared(t, 2)
	spoilt := compared(t, 2)
	spoilt.Reports[1].Own.SumDB = append([]float64{math.NaN()}, spoilt.Reports[1].Own.SumDB[1:]...)
	for _, c := range []struct {
		name string
		draw func() (*Drawing, error)
		says string
	}{
		{"no map", func() (*Drawing, error) { return LevelMap("", r, nil) }, "there is no map"},
		{"no frequency", func() (*Drawing, error) { return LevelMap("", r, &field.Map{Area: around(4)}) }, "0 frequencies"},
		{"not a number", func() (*Drawing, error) {
			m := mapped(t, r, 4, 45)
			m.P[0][7] = nan()
			return LevelMap("", r, m)
		}, "not finite at point 7"},
		{"one point", func() (*Drawing, error) {
			m := mapped(t, r, 4, 45)
			m.Area.NX, m.Area.NY, m.P = 1, 1, [][]complex128{{1}}
			return LevelMap("", r, m)
		}, "1 by 1 points"},
		{"points missing", func() (*Drawing, error) {
			m := mapped(t, r, 4, 45)
			m.P[0] = m.P[0][1:]
			return LevelMap("", r, m)
		}, "points, want"},
		{"pressures missing", func() (*Drawing, error) {
			m := mapped(t, r, 4, 45)
			m.P = nil
			return LevelMap("", r, m)
		}, "pressures for 0"},
		{"area turned over", func() (*Drawing, error) {
			m := mapped(t, r, 4, 45)
			m.Area.MinX = math.NaN()
			return LevelMap("", r, m)
		}, "area is empty"},
		{"no microphone", func() (*Drawing, error) {
			return LevelMap("", changed(func(r *design.Report) { r.Site.Microphones = nil }), mapped(t, r, 4, 45))
		}, "no front microphone"},
		{"no sheet", func() (*Drawing, error) {
			return LevelMap("", changed(func(r *design.Report) { r.Sheet = engine.Sheet{} }), mapped(t, r, 4, 45))
		}, "level map"},
		{"no polar", func() (*Drawing, error) { return Polar("", r, nil) }, "0 frequencies"},
		{"eight polars", func() (*Drawing, error) { return Polar("", r, make([]float64, 8)) }, "8 frequencies, want 1 to 7"},
		{"polar at 0 Hz", func() (*Drawing, error) { return Polar("", r, []float64{math.NaN()}) }, "polar"},
		{"silent polar", func() (*Drawing, error) {
			return Polar("", changed(func(r *design.Report) { r.Sheet = engine.Sheet{} }), []float64{45})
		}, "polar"},
		{"no responses", func() (*Drawing, error) { return Responses("", design.Report{}) }, "0 frequencies"},
		{"one frequency", func() (*Drawing, error) {
			return Responses("", changed(func(r *design.Report) {
				r.Prediction.Front = engine.Curve{FreqHz: []float64{45}, P: []complex128{1}}
			}))
		}, "1 frequencies"},
		{"falling frequencies", func() (*Drawing, error) {
			return Responses("", changed(func(r *design.Report) {
				r.Prediction.Front = engine.Curve{FreqHz: []float64{45, 44}, P: []complex128{1, 1}}
			}))
		}, "ascend"},
		{"from 0 Hz", func() (*Drawing, error) {
			return Responses("", changed(func(r *design.Report) {
				r.Prediction.Front = engine.Curve{FreqHz: []float64{0, 44}, P: []complex128{1, 1}}
			}))
		}, "frequency 1 of 2"},
		{"silent front", func() (*Drawing, error) {
			return Responses("", changed(func(r *design.Report) {
				r.Prediction.Front = engine.Curve{FreqHz: []float64{44, 45}, P: []complex128{0, 0}}
			}))
		}, "nothing arrives"},
		{"rear not a number", func() (*Drawing, error) {
			return Responses("", changed(func(r *design.Report) {
				r.Prediction.Rear.P = append([]complex128{nan()}, r.Prediction.Rear.P[1:]...)
			}))
		}, "rear: the pressure at 20 Hz"},
		{"rear too short", func() (*Drawing, error) {
			return Responses("", changed(func(r *design.Report) { r.Prediction.Rear.P = r.Prediction.Rear.P[1:] }))
		}, "rear: there are"},
		{"opening not a number", func() (*Drawing, error) {
			return Responses("", changed(func(r *design.Report) {
				r.Openings = append(r.Openings[:1:1], r.Openings[0])
				r.Openings[1].AngleRad = math.NaN()
			}))
		}, "opening 2 of 2"},
		{"nothing to compare", func() (*Drawing, error) { return Comparison(design.Comparison{}) }, "2 to 6"},
		{"one to compare", func() (*Drawing, error) {
			return Comparison(design.Comparison{Names: two.Names[:1], Reports: two.Reports[:1]})
		}, "1 reports"},
		{"seven to compare", func() (*Drawing, error) {
			return Comparison(design.Comparison{Names: make([]string, 7), Reports: make([]design.Report, 7)})
		}, "7 reports"},
		{"names missing", func() (*Drawing, error) {
			return Comparison(design.Comparison{Names: two.Names[:1], Reports: two.Reports})
		}, "1 names"},
		{"empty reports", func() (*Drawing, error) {
			return Comparison(design.Comparison{Names: two.Names, Reports: make([]design.Report, 2)})
		}, "timed for the null: "},
		{"spoilt curve", func() (*Drawing, error) { return Comparison(spoilt) }, "end-fire: the curves at 20 Hz"},
		{"no source", func() (*Drawing, error) { return StakeOut("", design.Report{}, engine.Point{}) }, "0 sources"},
		{"source nowhere", func() (*Drawing, error) {
			return StakeOut("", changed(func(r *design.Report) {
				r.Site.Sources = append(r.Site.Sources[:3:3], engine.Source{At: engine.Point{X: math.Inf(1)}})
			}), engine.Point{})
		}, "nowhere"},
		{"too many sources", func() (*Drawing, error) {
			return StakeOut("", changed(func(r *design.Report) { r.Site.Sources = make([]engine.Source, 65) }), engine.Point{})
		}, "65 sources"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := c.draw()
			if err == nil || !strings.Contains(strings.ReplaceAll(err.Error(), "\u00a0", " "), c.says) || !strings.HasPrefix(err.Error(), "drawing ") {
				t.Fatalf("got %v, want an error that says drawing ... %q", err, c.says)
			}
			if d != nil {
				t.Error("there is a drawing all the same")
			}
		})
	}
}
