package design

import (
	"math"
	"math/cmplx"
	"regexp"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/field"
	"hushback/engine/solve"
)

// sound is a rig that nothing is wrong with: a straight gradient of two rows.
func sound(t testing.TB) engine.Site {
	site := three(t, 1.3, 0, 1.7)
	site.Groups[0].Treatment = engine.TreatNull
	site.Limits = engine.Limits{NullDepthDB: 20, NullOffsetHz: 2, SumShortfallDB: 6}
	return site
}

func TestEveryWarningHasItsCauseAndOnlyThat(t *testing.T) {
	unspoilt := worked(t, sound(t)).Warnings
	for _, one := range []struct {
		key   string
		spoil func(*engine.Site)
		words string
	}{
		{"null-too-shallow", func(s *engine.Site) { s.Groups[0].Treatment = engine.TreatPlain }, "wanted 20.0 dB"},
		{"null-off-target", func(s *engine.Site) { s.Groups[0].Treatment = engine.TreatEndFire }, "not within 2 Hz of 45 Hz"},
		{"sum-too-short", func(s *engine.Site) { s.Limits.SumShortfallDB = 0.4 }, "allowed"},
		{"notch-in-range", func(s *engine.Site) {
			s.Groups[0].Treatment = engine.TreatGradient
			s.Target.Range.HighHz = 118
			s.Sources[0].At.X = -1.9
		}, "inside the range"},
		{"side-spacing", func(s *engine.Site) { s.Sources[1].At.Y = 4.2 }, "two thirds of a wavelength at 60 Hz"},
		{"wall-behind", func(s *engine.Site) {
			s.Walls = []engine.Wall{{Name: "barn", From: engine.Point{X: -25, Y: -5}, To: engine.Point{X: -25, Y: 5}}}
			s.Zones[1].Corners = []engine.Point{{X: -20, Y: -9}, {X: -16, Y: -9}, {X: -16, Y: 9}}
		}, "Barn stands 23.7 m behind"},
		{"microphone-near", func(s *engine.Site) { s.Microphones[1].At.X = -3.5 }, "2.20 m from the nearest source and the array is 3.40 m wide"},
		{"air", func(s *engine.Site) { s.Air.TemperatureC = 34 }, "is an estimate"},
		{"no-rear-row", func(s *engine.Site) {
			s.Groups[0].Treatment = engine.TreatPlain
			s.Sources, s.Outputs = s.Sources[1:], s.Outputs[1:]
		}, "nothing cancels behind"},
	} {
		if has(unspoilt, one.key) {
			t.Errorf("%s: warned of a sound rig", one.key)
		}
		site := sound(t)
		one.spoil(&site)
		r := worked(t, site)
		if !has(r.Warnings, one.key) {
			t.Errorf("%s: no warning among %v", one.key, r.Warnings)
			continue
		}
		if text := found(t, r.Warnings, one.key).Text; !strings.Contains(text, one.words) {
			t.Errorf("%s: said %q, want %q in it", one.key, text, one.words)
		}
	}
}

// A limit that is open comes from what was predicted, so nothing misses it, however
// loud it is behind.
func TestNothingMissesAnOpenLimit(t *testing.T) {
	site := sound(t)
	site.Groups[0].Treatment, site.Limits = engine.TreatPlain, engine.Limits{}
	r := worked(t, site)
	if r.Prediction.Summary.AtTargetDB <= 0 {
		t.Fatalf("it is %g dB quieter behind: it tests nothing", -r.Prediction.Summary.AtTargetDB)
	}
	for _, key := range []string{"null-too-shallow", "null-off-target", "sum-too-short"} {
		if has(r.Warnings, key) {
			t.Errorf("%s: %s", key, found(t, r.Warnings, key).Text)
		}
	}
}

// The wall's warning says what the settings leave with it and without.
func TestAWallFillsTheNull(t *testing.T) {
	barn := func(x float64) engine.Wall {
		return engine.Wall{Name: "barn", From: engine.Point{X: x, Y: -5}, To: engine.Point{X: x, Y: 5}}
	}
	beside := engine.Wall{Name: "side", From: engine.Point{X: -5, Y: 300}, To: engine.Point{X: 5, Y: 300}}
	site := sound(t) // its rear source at -1.3 m, its microphone 12.7 m behind that
	site.Walls = []engine.Wall{beside, barn(-27)}
	if has(worked(t, site).Warnings, "wall-behind") {
		t.Error("warned of a wall beside, or of one more than twice as far as the rear microphone")
	}
	site.Zones[1].Corners = []engine.Point{{X: -12, Y: -9}, {X: -9, Y: -9}, {X: -9, Y: 9}}
	site.Walls[1] = barn(-20)
	r := worked(t, site)
	text := found(t, r.Warnings, "wall-behind").Text
	open := site
	open.Walls = site.Walls[:1]
	sheet, err := solve.Solve(open, usual)
	if err != nil {
		t.Fatal(err)
	}
	rejected := func(sheet engine.Sheet) float64 {
		front, err := field.Pressure(site, sheet, site.Microphones[0].At, 45)
		if err != nil {
			t.Fatal(err)
		}
		back, err := field.Pressure(site, sheet, site.Microphones[1].At, 45)
		if err != nil {
			t.Fatal(err)
		}
		return 20 * math.Log10(cmplx.Abs(front)/cmplx.Abs(back))
	}
	known, unknown := rejected(r.Sheet), rejected(sheet)
	for _, want := range []string{"it is " + decibels(known) + " quieter", "not there " + decibels(unknown) + " quieter"} {
		if !strings.Contains(text, want) {
			t.Errorf("said %q, want %q in it", text, want)
		}
	}
	if known < unknown+10 {
		t.Errorf("a wall that close costs nothing: %v dB set without it, %v with", unknown, known)
	}
}

// A treatment that does not fit the processor is said, and the report goes on.
func TestATreatmentThatDoesNotFitIsAWarning(t *testing.T) {
	site := sound(t)
	site.Groups[0].Treatment = engine.TreatPlain
	narrow := engine.Ranges{DelaySec: engine.Grid{Max: 0.001, Step: 1e-5}, GainDB: usual.GainDB}
	r, err := Work(site, narrow)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Treated) != 1 || r.Treated[0].Treatment != engine.TreatPlain {
		t.Errorf("judged %d treatments on a processor with 1 ms of delay, want plain alone", len(r.Treated))
	}
	if text := found(t, r.Warnings, "treatment-impossible").Text; !strings.Contains(text, "ms") {
		t.Errorf("said %q, want the reason", text)
	}
	site.Groups[0].Treatment = engine.TreatEndFire
	if _, err := Work(site, narrow); err == nil || !strings.HasPrefix(err.Error(), "working out the design: ") {
		t.Errorf("the site's own treatment does not fit: got %v", err)
	}
}

// Every text is a sentence that can be read aloud: it starts large, ends with a
// full stop, names no number that the float printer made, and no NaN.
func TestTextsAreSentences(t *testing.T) {
	long := regexp.MustCompile(`\d\.\d{3}|\de[-+]\d|NaN|Inf|%!`)
	bent := three(t, 1.9, 0.7, 1.8)
	bent.Target.OpeningRad = 80 * math.Pi / 180
	for name, site := range map[string]engine.Site{"sound": sound(t), "bent": bent, "left and right": twins(t)} {
		r := worked(t, site)
		if len(r.Findings) < 10 {
			t.Errorf("%s: %d findings only", name, len(r.Findings))
		}
		for _, f := range append(r.Findings, r.Warnings...) {
			switch {
			case f.Key == "" || !strings.HasSuffix(f.Text, ".") || strings.ToUpper(f.Text[:1]) != f.Text[:1]:
				t.Errorf("%s: %q is no sentence", name, f.Text)
			case long.MatchString(f.Text):
				t.Errorf("%s: %q has digits that nobody can measure", name, f.Text)
			case math.IsNaN(f.Value) || math.IsInf(f.Value, 0):
				t.Errorf("%s: %s is %v", name, f.Key, f.Value)
			}
		}
	}
}
