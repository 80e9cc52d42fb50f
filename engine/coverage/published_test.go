package coverage

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/layout"
	"hushback/testdata/published"
)

// depthArray is n sources one behind the other, d apart, each delayed to arrive
// in front with the one before it, and late by a further extra radians.
func depthArray(n int, d, extra, hz float64) (engine.Site, engine.Sheet) {
	at, delays := make([]engine.Point, n), make([]float64, n)
	for i := range at {
		at[i].X = float64(i) * d
		delays[i] = float64(i) * (d/yardC() + extra/(2*math.Pi*hz))
	}
	return yard(at, delays...)
}

// listed is the array of a line of the published tables at a frequency.
func listed(kind string, n int, d, hz float64) (engine.Site, engine.Sheet) {
	switch {
	case strings.HasPrefix(kind, "broadside"):
		return yard(layout.Row(n, d, 0))
	case strings.HasPrefix(kind, "hansen-woodyard"):
		return depthArray(n, d, math.Pi/float64(n), hz)
	}
	return depthArray(n, d, 0, hz)
}

// Widths, first nulls, repeated lobes and side lobes of uniform arrays, from
// the exact column. Directivities are no business of this package, and arrays
// of 100 are larger than a site.
func TestPublishedArrays(t *testing.T) {
	const hz = 50
	wave := yardC() / hz
	half := 10 * math.Log10(0.5)
	tried := map[string]int{}
	for _, line := range published.Table(t, "array_examples.csv") {
		what := line["quantity"]
		if line["N"] == "inf" || line["N"] == "100" {
			continue
		}
		n := int(line.Number(t, "N"))
		d := wave / 2
		if line["d_over_lambda"] != "" {
			d = line.Number(t, "d_over_lambda") * wave
		}
		site, sheet := listed(line["case"], n, d, hz)
		label := fmt.Sprintf("%s %d × %.3g m, %s", line["case"], n, d, what)
		width := func(level float64) float64 {
			o, err := openingsTo(level, site, sheet, 0, []float64{hz})
			if err != nil {
				t.Fatal(err)
			}
			return degrees(o[0].AngleRad)
		}
		var got float64
		what, _, _ = strings.Cut(what, ",")
		switch what {
		case "hpbw_full":
			got = width(half)
		case "first_null", "first_null_from_broadside", "null_to_null_width":
			if line.Number(t, "exact") == 180 {
				continue // straight behind, where it is no crossing: see the rear levels
			}
			got = width(-180) / 2
			if what == "null_to_null_width" {
				got *= 2
			}
		case "rear_level_180deg":
			p, err := Pattern(site, sheet, []float64{hz}, 4)
			if err != nil {
				t.Fatal(err)
			}
			got = math.Max(p.LevelDB[0][2]-p.LevelDB[0][0], -320)
			if line.Number(t, "exact") <= engine.FloorDB {
				near(t, label, got, engine.FloorDB, 0)
				tried[what]++
				continue
			}
		case "first_grating_lobe_from_broadside", "first_side_lobe_level":
			lobe, ok, err := sideLobe(site, sheet, 0, hz)
			if err != nil || !ok {
				t.Fatal(label, ok, err)
			}
			got = math.Abs(degrees(lobe.offAxisRad))
			if what == "first_side_lobe_level" {
				got = lobe.levelDB
			} else {
				near(t, label+": level", lobe.levelDB, 0, 1e-9)
			}
		default:
			continue
		}
		tried[what]++
		near(t, label, got, line.Number(t, "exact"), line.Number(t, "tolerance"))
	}
	t.Log(tried)
	for what, want := range map[string]int{"first_null": 5, "first_null_from_broadside": 6, "rear_level_180deg": 8, "first_side_lobe_level": 3, "hpbw_full": 12} {
		if tried[what] < want {
			t.Errorf("%s: only %d lines tried", what, tried[what])
		}
	}
}

// All patterns of the table, scaled to the yard's speed of sound.
func TestPublishedPatterns(t *testing.T) {
	lines := published.Table(t, "array_patterns.csv")
	scale := yardC() / practiceC
	for from := 0; from < len(lines); from += 13 {
		group := lines[from : from+13]
		n, d, hz := int(group[0].Number(t, "N")), group[0].Number(t, "d_m")*scale, group[0].Number(t, "f_hz")
		site, sheet := listed(group[0]["array"], n, d, hz)
		p, err := Pattern(site, sheet, []float64{hz}, 24)
		if err != nil {
			t.Fatal(err)
		}
		axis := group[0].Number(t, "level_db_re_coherent_max")
		for i, line := range group {
			near(t, "angle", degrees(p.AngleRad[i]), line.Number(t, "angle_from_main_axis_deg"), 1e-9)
			got, want := p.LevelDB[0][i]-p.LevelDB[0][0], line.Number(t, "level_db_re_coherent_max")-axis
			if want < -60 {
				if got > -60 {
					t.Errorf("%s at %g Hz, line %d: got %g dB, want %g", line["array"], hz, i, got, want)
				}
				continue
			}
			near(t, fmt.Sprintf("%s at %g Hz, %s°", line["array"], hz, line["angle_from_main_axis_deg"]), got, want, 0.001)
		}
	}
}
