package field

import (
	"math"
	"math/cmplx"
	"testing"

	"hushback/engine"
	"hushback/testdata/published"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.9g, want %.9g within %g", what, got, want, within)
	}
}

// pair is a source at the origin on output 1 and one d ahead on output 2.
func pair(d float64) engine.Site {
	return engine.Site{
		Outputs: []engine.Output{{Number: 1}, {Number: 2}},
		Sources: []engine.Source{
			{Name: "rear", Row: engine.RowRear, Output: 1},
			{Name: "front", Row: engine.RowFront, At: engine.Point{X: d}, Output: 2},
		},
	}
}

// turned is a gradient pair: the rear source reversed and late by d/c.
func turned(d, c float64) engine.Sheet {
	return engine.Sheet{Settings: []engine.Setting{
		{Output: 1, Polarity: -1, DelaySec: d / c}, {Output: 2, Polarity: 1},
	}}
}

// endfire is the front source late by d/c.
func endfire(d, c float64) engine.Sheet {
	return engine.Sheet{Settings: []engine.Setting{
		{Output: 1, Polarity: 1}, {Output: 2, Polarity: 1, DelaySec: d / c},
	}}
}

// levelAt is the level in dB relative to one source at the distance re.
func levelAt(t *testing.T, site engine.Site, sheet engine.Sheet, at engine.Point, c, hz, re float64) float64 {
	t.Helper()
	site.Air = engine.Air{TemperatureC: 20, Humidity: 0.5, PressurePa: 101325}
	r, err := openAt(site, sheet, []float64{hz})
	if err != nil {
		t.Fatal(err)
	}
	r.c = c
	return 20 * math.Log10(cmplx.Abs(r.curve(at).P[0])*re)
}

const publishedC = 343.2 // m/s, of the pair tables

func TestPairInTheFarField(t *testing.T) {
	const away = 1e8 // so far that 1/r is the same for both
	deep := 0
	for _, row := range published.Table(t, "pair_far_field.csv") {
		d, hz, angle := row.Number(t, "d_m"), row.Number(t, "f_hz"), row.Number(t, "angle_deg")*math.Pi/180
		sheet := turned(d, publishedC)
		if row["pair"] != "cardioid" {
			sheet = endfire(d, publishedC)
		}
		at := engine.Point{X: away * math.Cos(angle), Y: away * math.Sin(angle)}
		got, want := levelAt(t, pair(d), sheet, at, publishedC, hz, away), row.Number(t, "level_db_re_one_source")
		if want < -60 { // the table's exact nulls
			deep++
			if got > -60 {
				t.Errorf("%v: got %.3f dB", row, got)
			}
			continue
		}
		near(t, row["pair"]+" at "+row["angle_deg"]+" degrees, "+row["f_hz"]+" Hz", got, want, 0.001)
	}
	if deep == 0 {
		t.Error("no null was tried")
	}
}

func TestGradientPairNearby(t *testing.T) {
	for _, row := range published.Table(t, "cardioid_pair_finite_distance.csv") {
		d, r, hz := row.Number(t, "d_m"), row.Number(t, "distance_m_to_nearer_source"), row.Number(t, "f_hz")
		ahead := levelAt(t, pair(d), turned(d, publishedC), engine.Point{X: d + r}, publishedC, hz, r)
		behind := levelAt(t, pair(d), turned(d, publishedC), engine.Point{X: -r}, publishedC, hz, r)
		near(t, "ahead", ahead, row.Number(t, "front_db_re_one_source_at_R"), 0.001)
		near(t, "behind", behind, row.Number(t, "rear_residual_db_re_one_source_at_R"), 0.001)
	}
}

// round puts sources around a microphone, all at 2 m, each on its own output,
// so that only settings make a difference. It returns the level there relative
// to a source at 0 dB.
func round(t *testing.T, hz float64, settings ...engine.Setting) float64 {
	t.Helper()
	site := engine.Site{Air: engine.Air{TemperatureC: 20, Humidity: 0.5, PressurePa: 101325}}
	for i := range settings {
		settings[i].Output = i + 1
		sin, cos := math.Sincos(float64(i))
		site.Sources = append(site.Sources, engine.Source{At: engine.Point{X: 2 * cos, Y: 2 * sin}, Output: i + 1})
	}
	p, err := Pressure(site, engine.Sheet{Settings: settings}, engine.Point{}, hz)
	if err != nil {
		t.Fatal(err)
	}
	return 20 * math.Log10(2*cmplx.Abs(p))
}

// level holds got to a table's cell, where "-inf" means that nothing is left
// but rounding.
func level(t *testing.T, what string, got float64, row published.Row, column string, within float64) {
	t.Helper()
	if row[column] == "-inf" {
		if got > -280 {
			t.Errorf("%s: got %g dB, want nothing", what, got)
		}
		return
	}
	near(t, what, got, row.Number(t, column), within)
}

func TestSumsOfTwo(t *testing.T) {
	const hz = 50
	plain := engine.Setting{Polarity: 1}
	late := func(degrees float64) float64 { return degrees / 360 / hz }
	for _, row := range published.Table(t, "sum_equal_signals_vs_phase.csv") {
		got := round(t, hz, plain, engine.Setting{Polarity: 1, DelaySec: late(row.Number(t, "phase_difference_deg"))})
		level(t, "by phase", got, row, "sum_db_re_one", 1e-6)
	}
	for _, row := range published.Table(t, "sum_level_and_phase.csv") {
		got := round(t, hz, plain, engine.Setting{
			Polarity: 1, GainDB: -row.Number(t, "level_difference_db"), DelaySec: late(row.Number(t, "phase_difference_deg")),
		})
		level(t, "by level and phase", got, row, "sum_db_re_louder", 1e-6)
	}
	for _, row := range published.Table(t, "sum_level_difference.csv") {
		down := -row.Number(t, "level_difference_db")
		level(t, "in phase", round(t, hz, plain, engine.Setting{Polarity: 1, GainDB: down}), row, "in_phase_sum_db_re_louder", 1e-6)
		level(t, "reversed", round(t, hz, plain, engine.Setting{Polarity: -1, GainDB: down}), row, "opposed_180deg_db_re_louder", 1e-6)
	}
}

func TestCancellationDepth(t *testing.T) {
	for _, row := range published.Table(t, "sum_cancellation_depth.csv") {
		got := round(t, 40, engine.Setting{Polarity: 1}, engine.Setting{
			Polarity: -1, GainDB: row.Number(t, "gain_error_db"), DelaySec: row.Number(t, "phase_error_deg") / 360 / 40,
		})
		near(t, "residual", got, row.Number(t, "residual_db_re_one"), 1e-6)
	}
}

func TestTimeOffset(t *testing.T) {
	for _, row := range published.Table(t, "sum_time_offset_phase.csv") {
		got := round(t, row.Number(t, "f_hz"), engine.Setting{Polarity: 1},
			engine.Setting{Polarity: 1, DelaySec: row.Number(t, "time_offset_ms") / 1e3})
		level(t, "by time", got, row, "equal_sum_db", 1e-6)
	}
}

func TestSumOfMany(t *testing.T) {
	for _, row := range published.Table(t, "sum_n_sources.csv") {
		settings := make([]engine.Setting, int(row.Number(t, "n")))
		for i := range settings {
			settings[i] = engine.Setting{Polarity: 1, DelaySec: 0.003}
		}
		near(t, row["n"]+" sources", round(t, 63, settings...), row.Number(t, "coherent_20logN_db"), 1e-6)
	}
}
