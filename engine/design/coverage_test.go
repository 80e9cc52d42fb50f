package design

import (
	"math"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/coverage"
	"hushback/engine/layout"
)

// row is a front row alone, n sources 1.91 m apart on an arc.
func row(t testing.TB, n int, arcRad float64) engine.Site {
	site := rig(t, nil, layout.Row(n, 1.91, arcRad))
	site.Groups[0].Treatment = engine.TreatPlain
	return site
}

// What the report advises is set up and looked at again, on the ground and by
// delay.
func TestTheWantedOpeningIsHadBothWays(t *testing.T) {
	for _, n := range []int{3, 4, 5} {
		site := row(t, n, 0)
		site.Target.NullHz = 50
		straight, ok := worked(t, site).opening(50)
		if !ok || lost(straight) {
			t.Fatalf("%d in a straight row: opening %+v at 50 Hz", n, straight)
		}
		wanted := straight.AngleRad * 1.15
		site.Target.OpeningRad = wanted
		r := worked(t, site)

		bent := row(t, n, found(t, r.Findings, "arc-for-opening").Value*math.Pi/180)
		bent.Target.NullHz = 50
		got, _ := worked(t, bent).opening(50)
		near(t, "opening on the arc", got.AngleRad*180/math.Pi, wanted*180/math.Pi, 0.01)

		if n == 3 {
			// |1+2xe^{-jφ}|² is a quarter of |1+2e^{-jφ}|² at x = 1/4 whatever φ: delays do not move a
			// row of three's half-amplitude edge, and cannot widen it.
			if !has(r.Warnings, "opening-undelayable") {
				t.Error("three in a straight line cannot be widened by delay, and nothing says so")
			}
			continue
		}
		advice := found(t, r.Findings, "delay-for-opening")
		delayed := site
		delayed.Outputs = append([]engine.Output{}, site.Outputs...)
		for i, words := range strings.Split(advice.Text[strings.LastIndex(advice.Text, "by ")+3:], ", ") {
			var ms float64
			ms = number(t, strings.Fields(words)[0])
			if i == 0 {
				near(t, "delay said against its value", ms, advice.Value*1e3, 0.05)
				ms = advice.Value * 1e3
			}
			delayed.Outputs[i].BendSec, delayed.Outputs[n-1-i].BendSec = ms/1e3, ms/1e3
		}
		got, _ = worked(t, delayed).opening(50)
		near(t, "opening by delay", got.AngleRad*180/math.Pi, wanted*180/math.Pi, 2) // inner delays are said to 0.1 ms
	}
}

func TestAnOpeningThatCannotBeHadIsAWarning(t *testing.T) {
	site := row(t, 3, 0)
	site.Target.OpeningRad = 20 * math.Pi / 180
	r := worked(t, site)
	for key, words := range map[string]string{"opening-unreachable": "No arc up to 180° makes the 3 in front cover 20° at 45 Hz", "opening-undelayable": "No delays make the 3 in front"} {
		if text := found(t, r.Warnings, key).Text; !strings.Contains(text, words) || !strings.Contains(text, "they cover 11") {
			t.Errorf("said %q", text)
		}
	}
	if has(r.Findings, "arc-for-opening") || has(r.Findings, "delay-for-opening") {
		t.Error("advised an opening that cannot be had")
	}
}

// Common practice, no published source: three sources 1.91 m apart lose control
// at 45 Hz at 125° ± 10° of arc, and at 29 Hz have none at any arc.
func TestWhereControlIsLost(t *testing.T) {
	site := row(t, 3, 0)
	site.Target.Range.LowHz = 29
	r := worked(t, site)
	near(t, "widest arc at 45 Hz", found(t, r.Findings, "widest-arc-target").Value, 125, 10)
	bottom := found(t, r.Findings, "widest-arc-bottom")
	if bottom.Value != 0 || !strings.Contains(bottom.Text, "no control on any arc") {
		t.Errorf("at 29 Hz: %+v, want none", bottom)
	}
	if lost := found(t, r.Warnings, "opening-lost").Text; !strings.Contains(lost, "29") {
		t.Errorf("said %q, want 29 Hz in it", lost)
	}
	if held := found(t, r.Findings, "opening-target"); held.Value >= 360 || held.Value < 90 {
		t.Errorf("straight at 45 Hz: %+v, want some opening", held)
	}
}

// Side lobes of a straight row grow beyond the limit at the spacing that is
// said: beside the front the loudest lobe is then just as loud.
func TestTheSpacingAtWhichLobesExceedTheLimit(t *testing.T) {
	site := row(t, 4, 0)
	site.Target.SideLobeDB = -8
	said := found(t, worked(t, site).Findings, "side-spacing-lobes")
	loudest := func(spacing float64) float64 {
		level := func(deg float64) float64 {
			var re, im float64
			for i := range 4 {
				phase := 2 * math.Pi * 60 / c * spacing * (float64(i) - 1.5) * math.Sin(deg*math.Pi/180)
				re, im = re+math.Cos(phase)/4, im+math.Sin(phase)/4
			}
			return 20 * math.Log10(math.Hypot(re, im))
		}
		deg := 0.0
		for level(deg+0.01) < level(deg) && deg < 90 { // down the main lobe
			deg += 0.01
		}
		top := -200.0
		for ; deg <= 90; deg += 0.01 {
			top = math.Max(top, level(deg))
		}
		return top
	}
	if below, above := loudest(said.Value*0.999), loudest(said.Value*1.001); !(below < -8 && above > -8) {
		t.Errorf("lobes reach %v dB just below %v m and %v dB just above, want -8 dB between", below, said.Value, above)
	}
	if !strings.Contains(said.Text, "-8.0 dB") {
		t.Errorf("said %q", said.Text)
	}
}

// Coverage is about the array's own axis, wherever that looks.
func TestCoverageTurnsWithTheArray(t *testing.T) {
	straight := row(t, 4, 0)
	turned := straight
	turned.Sources = append([]engine.Source{}, straight.Sources...)
	sin, cos := math.Sincos(0.6)
	for i, src := range straight.Sources {
		turned.Sources[i].At = engine.Point{X: -src.At.Y * sin, Y: src.At.Y * cos}
		turned.Sources[i].FacingRad = 0.6
	}
	want, got := worked(t, straight).Openings, worked(t, turned).Openings
	for i := range want {
		near(t, "opening of the turned row", got[i].AngleRad, want[i].AngleRad, 1e-6)
	}
}

// A row that is bent by delay loses control at another arc than one on the
// ground: the report speaks of the row as it is.
func TestTheWidestArcIsThatOfTheRowAsItIs(t *testing.T) {
	site := row(t, 5, 0)
	for i, late := range layout.Bend(5, 1.91, 0.5, c) {
		site.Outputs[i].BendSec = late
	}
	delayed := coverage.Row{Count: 5, SpacingM: 1.91, Delayed: true}
	placed := coverage.Row{Count: 5, SpacingM: 1.91}
	want, _ := delayed.WidestArc(45, c)
	other, _ := placed.WidestArc(45, c)
	if math.Abs(want-other) < 0.05 {
		t.Fatalf("%v and %v: this row cannot tell", want, other)
	}
	near(t, "widest arc by delay", found(t, worked(t, site).Findings, "widest-arc-target").Value, want*180/math.Pi, 1e-6)
	near(t, "widest arc on the ground", found(t, worked(t, row(t, 5, 0.5)).Findings, "widest-arc-target").Value, other*180/math.Pi, 1e-3)
}

// The quick part says what the whole says, in the same words, as far as it goes.
func TestQuickIsTheFirstPartOfTheWhole(t *testing.T) {
	for _, site := range []engine.Site{three(t, 1.9, 0, 1.9), three(t, 1.9, 0.5, 1.9), twins(t)} {
		whole := worked(t, site)
		quick, err := Quick(site, whole.Sheet, usual)
		if err != nil {
			t.Fatal(err)
		}
		if len(quick.Findings) == 0 || len(quick.Findings) >= len(whole.Findings) || !slices.Equal(quick.Findings, whole.Findings[:len(quick.Findings)]) {
			t.Errorf("quick: %v, whole: %v", quick.Findings, whole.Findings)
		}
		if !slices.Equal(quick.Warnings, whole.Warnings) || !slices.Equal(quick.Openings, whole.Openings) || !slices.Equal(quick.Triangles, whole.Triangles) {
			t.Errorf("quick: %v, whole: %v", quick.Warnings, whole.Warnings)
		}
		if quick.Own.NullHz != whole.Own.NullHz || quick.Prediction.Summary != whole.Prediction.Summary {
			t.Errorf("quick: %+v, whole: %+v", quick.Own, whole.Own)
		}
		if has(quick.Findings, "row-level") {
			t.Error("the quick part says what it leaves out")
		}
		if quick.Treated != nil || quick.Zones != nil || quick.Bands != nil {
			t.Error("the quick part took its time")
		}
	}
}
