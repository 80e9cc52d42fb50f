package field

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/testdata/published"
)

// lineUp is n sources d wavelengths apart at hz in a far field of their own,
// each on its own output. Broadside they stand across the axis; else along it,
// each later by its distance over c and by extra radians.
func lineUp(t *testing.T, broadside bool, n int, d, hz, extra float64) func(degrees float64) float64 {
	t.Helper()
	site := engine.Site{Air: engine.Air{TemperatureC: 12, Humidity: 0.8, PressurePa: 98e3}}
	c, err := speed(site.Air)
	if err != nil {
		t.Fatal(err)
	}
	var sheet engine.Sheet
	for i := range n {
		away := float64(i) * d * c / hz
		src, set := engine.Source{Output: i + 1, At: engine.Point{X: away}}, engine.Setting{Output: i + 1, Polarity: 1}
		if broadside {
			src.At = engine.Point{Y: away}
		} else {
			set.DelaySec = away/c + float64(i)*extra/(2*math.Pi*hz)
		}
		site.Sources, sheet.Settings = append(site.Sources, src), append(sheet.Settings, set)
	}
	return func(degrees float64) float64 { // against all in phase
		p, err := FarField(site, sheet, []float64{degrees * math.Pi / 180}, []float64{hz})
		if err != nil {
			t.Fatal(err)
		}
		return cmplx.Abs(p[0][0]) / float64(n)
	}
}

func TestPublishedArrayPatterns(t *testing.T) {
	compared := 0
	for _, row := range published.Table(t, "array_patterns.csv") {
		n, hz := int(row.Number(t, "N")), row.Number(t, "f_hz")
		extra := 0.0
		if strings.HasPrefix(row["array"], "hansen-woodyard") {
			extra = math.Pi / float64(n)
		}
		level := lineUp(t, strings.HasPrefix(row["array"], "broadside"), n, row.Number(t, "d_m")*hz/publishedC, hz, extra)
		got, want := 20*math.Log10(level(row.Number(t, "angle_from_main_axis_deg"))), row.Number(t, "level_db_re_coherent_max")
		if want < -60 {
			if got > -60 {
				t.Errorf("%v: got %g dB", row, got)
			}
			continue
		}
		compared++
		near(t, row["array"]+" at "+row["angle_from_main_axis_deg"]+" degrees", got, want, 0.001)
	}
	if compared < 350 {
		t.Errorf("only %d levels compared", compared)
	}
}

// falls finds where a level falls through a limit between two angles.
func falls(level func(float64) float64, limit, from, to float64) float64 {
	for range 60 {
		if middle := (from + to) / 2; level(middle) > limit {
			from = middle
		} else {
			to = middle
		}
	}
	return (from + to) / 2
}

// mainEnds is where the main lobe has surely ended: the first sample, walking out
// from the axis, below half its amplitude there.
func mainEnds(level func(float64) float64) float64 {
	degrees := 0.0
	for level(degrees) > level(0)/2 && degrees < 180 {
		degrees += 0.05
	}
	return degrees
}

func TestPublishedArrayExamples(t *testing.T) {
	tried := map[string]int{}
	for _, row := range published.Table(t, "array_examples.csv") {
		kind := strings.Split(row["quantity"], ",")[0]
		if row["N"] == "inf" || row["d_over_lambda"] == "" || row["exact"] == "" {
			continue
		}
		n, d := int(row.Number(t, "N")), row.Number(t, "d_over_lambda")
		extra := 0.0
		if strings.HasSuffix(row["quantity"], "extra pi/N") {
			extra = math.Pi / float64(n)
		}
		level := lineUp(t, row["case"] == "broadside", n, d, 55, extra)
		want, within := row.Number(t, "exact"), row.Number(t, "tolerance")
		what := row["case"] + " " + row["N"] + " " + row["quantity"]
		switch kind {
		case "first_null_from_broadside", "first_null":
			near(t, what, level(want), 0, 1e-9)
			if level(want*0.95) < 1e-3 || level(want/2) < 1e-2 {
				t.Errorf("%s: a null before %g degrees", what, want)
			}
		case "first_grating_lobe_from_broadside":
			near(t, what, level(want), 1, 1e-9)
		case "hpbw_full":
			// half the power of the main lobe, which an end-fire array of wide spacing tops
			near(t, what, 2*falls(level, level(0)/math.Sqrt2, 0, mainEnds(level)), want, within)
		case "rear_level_180deg":
			if want < -200 {
				near(t, what, level(180), 0, 1e-12)
				break
			}
			against := 1.0
			if extra > 0 { // the axis, where the extra delay keeps the sources from being in phase
				against = level(0)
			}
			near(t, what, 20*math.Log10(level(180)/against), want, within)
		default:
			continue
		}
		tried[kind]++
	}
	if tried["hpbw_full"] < 10 || tried["first_null"] < 5 || tried["first_null_from_broadside"] < 5 || tried["rear_level_180deg"] < 5 {
		t.Errorf("tried only %v", tried)
	}
}

// The pair tables again, by way of the far field itself.
func TestPairInFarField(t *testing.T) {
	site := pair(0)
	site.Air = engine.Air{TemperatureC: 20, Humidity: 0.5, PressurePa: 101325}
	c, _ := speed(site.Air)
	for _, row := range published.Table(t, "pair_far_field.csv") {
		d := row.Number(t, "d_m") * c / publishedC // the same in wavelengths
		site.Sources[1].At.X = d
		sheet := turned(d, c)
		if row["pair"] != "cardioid" {
			sheet = endfire(d, c)
		}
		p, err := FarField(site, sheet, []float64{row.Number(t, "angle_deg") * math.Pi / 180}, []float64{row.Number(t, "f_hz")})
		if err != nil {
			t.Fatal(err)
		}
		if want := row.Number(t, "level_db_re_one_source"); want > -60 {
			near(t, row["pair"], 20*math.Log10(cmplx.Abs(p[0][0])), want, 0.001)
		}
	}
}

// Far away in the plane of the array, r·e^{jkr} times the pressure is the far
// field; ground and walls do not count in it.
func TestFarFieldIsTheLimit(t *testing.T) {
	const seed, away = 12, 1e6
	rng := rand.New(rand.NewPCG(seed, seed))
	s := strewn(rng, "", 9, 0, 0, true, []float64{31, 47.5, 90})
	for i := range s.site.Sources {
		s.site.Sources[i].At.Z = 0
	}
	c, _ := speed(s.site.Air)
	at := make([]engine.Point, len(s.angle))
	for i, angle := range s.angle {
		sin, cos := math.Sincos(angle)
		at[i] = engine.Point{X: away * cos, Y: away * sin}
	}
	nearby, err := Along(s.site, s.sheet, at, s.freq)
	if err != nil {
		t.Fatal(err)
	}
	s.site.Ground = 1
	s.site.Walls = []engine.Wall{{Name: "w", From: engine.Point{X: -50}, To: engine.Point{X: -50, Y: 1}}}
	for i := range s.site.Sources {
		s.site.Sources[i].At.Z = 0.1 * float64(i)
	}
	far, err := FarField(s.site, s.sheet, s.angle, s.freq)
	if err != nil {
		t.Fatal(err)
	}
	for f, hz := range s.freq {
		back := cmplx.Rect(away, 2*math.Pi*hz*away/c)
		for i := range at {
			near(t, "far field", cmplx.Abs(nearby[f][i]*back-far[f][i]), 0, 1e-4)
		}
	}
}

// What outputs do alone, weighted by hand, is what the sheet does.
func TestOutputsAloneAddUp(t *testing.T) {
	const seed = 3
	rng := rand.New(rand.NewPCG(seed, seed))
	s := strewn(rng, "", 10, 0.5, 2, true, geometric(20, 1.2, 9))
	s.site.Outputs = append(s.site.Outputs, engine.Output{Number: 9}) // feeds nothing
	by, err := ByOutput(s.site, s.at, s.freq)
	if err != nil {
		t.Fatal(err)
	}
	want, err := Along(s.site, s.sheet, s.at, s.freq)
	if err != nil {
		t.Fatal(err)
	}
	for f, hz := range s.freq {
		for i := range s.at {
			if len(by[f][i]) != 5 || by[f][i][4] != 0 {
				t.Fatalf("outputs alone: got %v", by[f][i])
			}
			var sum complex128
			for k, set := range s.sheet.Settings {
				if !set.Muted {
					sum += by[f][i][k] * cmplx.Rect(math.Pow(10, set.GainDB/20)*float64(set.Polarity), -2*math.Pi*hz*set.DelaySec)
				}
			}
			near(t, "weighted sum", cmplx.Abs(sum-want[f][i]), 0, 1e-12*(1+cmplx.Abs(sum)))
		}
	}
	solo := s.site
	solo.Sources = s.site.Fed(2)
	for i, at := range s.at {
		got := heardAt(t, solo, as(s.site, func(engine.Output) float64 { return 0 }), at, s.freq[4])
		near(t, "output 2", cmplx.Abs(got-by[4][i][1]), 0, 1e-12)
	}
}
