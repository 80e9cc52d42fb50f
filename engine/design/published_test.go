package design

import (
	"encoding/json"
	"math"
	"strconv"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/array"
	"hushback/engine/field"
	"hushback/engine/solve"
	"hushback/testdata/published"
)

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// veryFar is where 1/r and the bend of the wavefront no longer count.
const veryFar = 1e5

// fine is a processor whose steps do not show.
var fine = engine.Ranges{DelaySec: engine.Grid{Max: 0.65, Step: 1e-10}, GainDB: engine.Grid{Min: -60, Max: 6, Step: 1e-7}}

// pair is one source d metres in front of another, microphones very far away.
func pair(t testing.TB, d float64) engine.Site {
	site := rig(t, []engine.Point{{}}, []engine.Point{{X: d}})
	site.Microphones[0].At.X, site.Microphones[1].At.X = veryFar, -veryFar
	return site
}

// judged is what a treatment does on a site, on a processor without steps.
func judged(t *testing.T, site engine.Site, as engine.Treatment) Treated {
	t.Helper()
	site = treat(site, as)
	sheet, err := solve.Solve(site, fine)
	if err != nil {
		t.Fatal(err)
	}
	p, err := field.Predict(site, sheet)
	if err != nil {
		t.Fatal(err)
	}
	w := &worker{site: site, ranges: fine, sheet: sheet, arrays: array.Of(site)}
	one, err := w.judge(as, sheet, p)
	if err != nil {
		t.Fatal(err)
	}
	return one
}

// pair_far_field.csv has both pairs at 0° in front and 180° behind, in dB
// against one source; two in phase are 6.02 dB.
func TestPairsAgainstTheirClosedForms(t *testing.T) {
	names := map[string]engine.Treatment{"cardioid": engine.TreatGradient, "endfire": engine.TreatEndFire}
	seen := map[string]Treated{}
	compared, notches := 0, 0
	for _, row := range published.Table(t, "pair_far_field.csv") {
		as, d, hz := names[row["pair"]], row.Number(t, "d_m"), row.Number(t, "f_hz")
		level := row.Number(t, "level_db_re_one_source")
		key := row["pair"] + row["d_m"]
		if _, ok := seen[key]; !ok {
			seen[key] = judged(t, pair(t, d), as)
		}
		one := seen[key]
		if row["angle_deg"] == "0" && level <= -119 {
			near(t, key+": first notch in front", one.FirstNotchHz, hz, 1e-3)
			if one.FirstNotchDB > -60 {
				t.Errorf("%s: the notch is %v dB deep only", key, one.FirstNotchDB)
			}
			notches++
			continue
		}
		for i, line := range one.FreqHz {
			switch {
			case line != hz || level < -60:
			case row["angle_deg"] == "0":
				near(t, key+" in front at "+row["f_hz"], one.SumDB[i]+20*math.Log10(2), level, 0.001)
				compared++
			case row["angle_deg"] == "180":
				near(t, key+" behind at "+row["f_hz"], one.SumDB[i]+20*math.Log10(2)-one.RejectionDB[i], level, 0.001)
				compared++
			}
		}
	}
	if compared < 30 || notches != 3 {
		t.Errorf("compared %d levels and %d notches, want 30 or more and 3", compared, notches)
	}
}

// gradient.json: cardioid pairs have their null behind at all frequencies,
// their on-axis maximum at c/4d and their first on-axis null at c/2d.
func TestGradientRejectsEverywhere(t *testing.T) {
	for _, d := range []float64{0.6, 1, 1.43} {
		one := judged(t, pair(t, d), engine.TreatGradient)
		for i, hz := range one.FreqHz {
			if math.Abs(hz-c/2/d) > 2 && one.RejectionDB[i] < 70 {
				t.Errorf("%g m: %v dB behind at %g Hz, want none left", d, one.RejectionDB[i], hz)
			}
		}
		near(t, "first notch", one.FirstNotchHz, c/2/d, 1e-3)
	}
}

// gradient_first_order.csv and gradient.json: a cardioid is 180° wide between
// the points of half the amplitude, -6.02 dB; coverage ends at -6 dB. A gradient
// pair far shorter than the wavelength is one.
func TestAShortGradientIsACardioid(t *testing.T) {
	site := treat(pair(t, 0.1), engine.TreatGradient)
	r, err := Work(site, fine)
	if err != nil {
		t.Fatal(err)
	}
	bottom, ok := r.opening(30)
	if !ok {
		t.Fatal("no opening at 30 Hz")
	}
	got := bottom.AngleRad * 180 / math.Pi
	for _, row := range published.Table(t, "gradient_first_order.csv") {
		if row["pattern"] == "cardioid" {
			near(t, "opening", got, row.Number(t, "arc_6db_deg"), 0.3)
		}
	}
	var table struct {
		Printed struct {
			Arc map[string]float64 `json:"arc_6db_deg"`
		} `json:"hyperphysics_table_confirmed"`
	}
	if err := json.Unmarshal(published.File(t, "gradient.json"), &table); err != nil {
		t.Fatal(err)
	}
	near(t, "opening against the printed table", got, table.Printed.Arc["cardioid"], 2)
}

// residual is the level of two signals that cancel but for a phase error,
// against one of them, from sum_cancellation_depth.csv.
func residual(t *testing.T, phaseDeg string) float64 {
	t.Helper()
	for _, row := range published.Table(t, "sum_cancellation_depth.csv") {
		if row["gain_error_db"] == "0" && row["phase_error_deg"] == phaseDeg {
			return row.Number(t, "residual_db_re_one")
		}
	}
	t.Fatalf("no row of %s degrees", phaseDeg)
	return 0
}

// Very far behind a quarter-wavelength end-fire 10 cm are a phase error of
// 360°·f·0.1 m/c between its rows; in front the rows then are apart by as much.
// The frequencies are those at which that is a whole number in the table.
func TestTenCentimetresAgainstTheTableOfPhaseErrors(t *testing.T) {
	for _, phase := range []string{"2", "5", "10"} {
		hz := number(t, phase) / 360 * c / slipM
		site := pair(t, c/4/hz)
		site.Target.NullHz, site.Target.Range = hz, engine.Band{LowHz: hz * 0.7, HighHz: hz * 1.3}
		site.TestSignal.Band = engine.Band{LowHz: 10, HighHz: 200}
		one := judged(t, site, engine.TreatEndFire)
		ahead := 20 * math.Log10(2*math.Cos(number(t, phase)/2*math.Pi/180))
		near(t, phase+"° of error", one.LeftAt10CmDB, ahead-residual(t, phase), 0.001)
	}
}

// Off the quarter wavelength the error of one sign helps and the other hurts:
// said is the worse of the two, by the phases between the rows at both ends.
func TestTheWorseOfBothErrorsIsSaid(t *testing.T) {
	left := func(hz, depth, speed, slip float64) float64 {
		wait := depth / c
		behind := 2 * math.Pi * hz * (wait + (depth+slip)/speed)
		ahead := 2 * math.Pi * hz * (wait - (depth+slip)/speed)
		return 20 * math.Log10(math.Abs(math.Cos(ahead/2)/math.Cos(behind/2)))
	}
	for _, part := range []float64{0.85, 1, 1.15} {
		depth := part * c / 4 / 45
		site := pair(t, depth)
		one := judged(t, site, engine.TreatEndFire)
		warm, cold := site.Air, site.Air
		warm.TemperatureC, cold.TemperatureC = warm.TemperatureC+10, cold.TemperatureC-10
		fast, _ := air.SoundSpeed(warm)
		slow, _ := air.SoundSpeed(cold)
		near(t, "10 °C", one.LeftAt10CDB, math.Min(left(45, depth, fast, 0), left(45, depth, slow, 0)), 0.001)
		near(t, "10 cm", one.LeftAt10CmDB, math.Min(left(45, depth, c, 0.1), left(45, depth, c, -0.1)), 0.001)
		if bare := treat(site, engine.TreatPlain); part == 1 {
			bare.Sources, bare.Outputs = bare.Sources[1:], bare.Outputs[1:]
			near(t, "10 cm without a rear row", judged(t, bare, engine.TreatPlain).LeftAt10CmDB, 0, 0.001)
		}
	}
}
