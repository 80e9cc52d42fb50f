package coverage

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// Common practice, no published source: three sources 1.91 m apart. The angle
// at which control is lost at 45 Hz was given as 125° ± 10°, and as 119° by a
// quick sum; the openings of the straight row as about 113.6° and 77.8°.
func TestThreeSourcesAsTheTradeKnowsThem(t *testing.T) {
	row := Row{Count: 3, SpacingM: 1.91}
	near(t, "straight, 45 Hz", degrees(row.Opening(45, practiceC)), 113.6, 0.2)
	near(t, "straight, 60 Hz", degrees(row.Opening(60, practiceC)), 77.8, 0.2)
	arc, controlled := row.WidestArc(45, practiceC)
	near(t, "control lost at 45 Hz", degrees(arc), 125, 10)
	if !controlled {
		t.Error("45 Hz: no control")
	}
	if arc, controlled := row.WidestArc(29, practiceC); controlled || arc != 0 {
		t.Errorf("29 Hz: got control up to %.1f°, want none at any arc", degrees(arc))
	}
	before := 0.0
	for a := 0.0; a < arc; a += rad(1) {
		o := row.bent(a).Opening(45, practiceC)
		if !(o > before) || o == 2*math.Pi {
			t.Fatalf("at %.0f° of arc it opens to %.2f°, after %.2f°", degrees(a), degrees(o), degrees(before))
		}
		before = o
	}
	for a := arc + 1e-6; a < rad(179); a += rad(1) {
		if o := row.bent(a).Opening(45, practiceC); o != 2*math.Pi {
			t.Errorf("at %.0f° of arc it opens to %.2f°, want 360°", degrees(a), degrees(o))
		}
	}
	for a := 0.0; a <= rad(180); a += rad(5) {
		if o := row.bent(a).Opening(29, practiceC); o != 2*math.Pi {
			t.Errorf("29 Hz, %.0f° of arc: it opens to %.2f°, want 360°", degrees(a), degrees(o))
		}
	}
}

// Two and three in a straight row, solved on paper: 2cos(x) and 1 + 2cos(x) with
// x the phase of the outer source, which is kd/2·sin θ or kd·sin θ.
func TestStraightRowsInClosedForm(t *testing.T) {
	drop := math.Pow(10, -6.0/20)
	for _, wavelengths := range []float64{0.4, 0.55, 0.8, 1.3} {
		two := math.Acos(drop) / (math.Pi * wavelengths)
		three := math.Acos((3*drop-1)/2) / (2 * math.Pi * wavelengths)
		for count, sin := range map[int]float64{2: two, 3: three} {
			want := 2 * math.Pi
			if sin <= 1 {
				want = 2 * math.Asin(sin)
			}
			row := Row{Count: count, SpacingM: wavelengths * practiceC / 50}
			near(t, fmt.Sprintf("%d at %g wavelengths", count, wavelengths), row.Opening(50, practiceC), want, 1e-9)
		}
	}
}

// Three on an arc: the outer two stand d·sin(arc/4) back and d·cos(arc/4) aside.
// On the axis 1 + 2e^{-jk·back}, at 90° 1 + 2cos(k·aside), where the dip is;
// the arc that makes them 6 dB apart, by halving.
func TestWidestArcOfThreeByHand(t *testing.T) {
	for _, hz := range []float64{38, 41, 45, 50, 55} {
		k, d := 2*math.Pi*hz/practiceC, 1.91
		above := func(arc float64) bool {
			back, aside := k*d*math.Sin(arc/4), k*d*math.Cos(arc/4)
			axis := math.Hypot(1+2*math.Cos(back), 2*math.Sin(back))
			return math.Abs(1+2*math.Cos(aside)) > axis*math.Pow(10, -6.0/20)
		}
		low, high := 0.0, math.Pi
		for range 60 {
			if mid := (low + high) / 2; above(mid) {
				high = mid
			} else {
				low = mid
			}
		}
		got, controlled := Row{Count: 3, SpacingM: d}.WidestArc(hz, practiceC)
		if controlled != (high > 1e-9) {
			t.Errorf("%g Hz: got %v, want %v", hz, controlled, high > 1e-9)
		}
		near(t, fmt.Sprintf("%g Hz", hz), got, low, 1e-8)
	}
}

// Three in a straight row with the outer two late by φ: |1 + 2q·e^{-jφ}|² =
// 1 + 4q·cos φ + 4q² with q = cos(kd·sin θ), 6 dB below its value at q = 1.
func TestDelayedThreeInClosedForm(t *testing.T) {
	const hz, d = 52, 2.2
	k := 2 * math.Pi * hz / practiceC
	for arc := 0.0; arc <= math.Pi; arc += 0.1 {
		cos := math.Cos(k * d * math.Sin(arc/4))
		left := math.Pow(10, -0.6) * (5 + 4*cos)
		want := 2 * math.Pi
		if inside := cos*cos - 1 + left; inside >= 0 {
			if sin := math.Acos((-cos+math.Sqrt(inside))/2) / (k * d); sin <= 1 {
				want = 2 * math.Asin(sin)
			}
		}
		got := Row{Count: 3, SpacingM: d, ArcRad: arc, Delayed: true}.Opening(hz, practiceC)
		near(t, fmt.Sprintf("arc %.1f", arc), got, want, 1e-8)
	}
}

func randomRow(rng *rand.Rand) (Row, float64) {
	row := Row{Count: 2 + rng.IntN(15), SpacingM: 0.6 + 2.4*rng.Float64(), ArcRad: math.Pi * rng.Float64(), Delayed: rng.IntN(2) == 1}
	return row, 25 + 65*rng.Float64()
}

// Half-degree looks at plain sums over an arc walked chord by chord: the edge
// lies between the last look above and the first look below.
func TestOpeningAgainstLooking(t *testing.T) {
	const seed = 11
	rng := rand.New(rand.NewPCG(seed, seed))
	all := 0
	for trial := range 400 {
		row, hz := randomRow(rng)
		levels := looked(row, hz, practiceC)
		fall := slices.IndexFunc(levels, func(db float64) bool { return db <= -6 })
		got := row.Opening(hz, practiceC)
		switch {
		case fall < 0 && slices.Min(levels) < -5.95: // a dip that may reach down between two looks
		case fall < 0:
			all++
			if got != 2*math.Pi {
				t.Errorf("seed %d, trial %d, %+v at %g Hz: got %.3f°, want 360°", seed, trial, row, hz, degrees(got))
			}
		case degrees(got) > float64(fall) || degrees(got) <= float64(fall)-1:
			t.Errorf("seed %d, trial %d, %+v at %g Hz: got %.3f°, want %d to %d°", seed, trial, row, hz, degrees(got), fall-1, fall)
		}
	}
	if all < 20 || all > 380 {
		t.Errorf("%d of 400 rows play all the way round: no test of both", all)
	}
}

// The same for the widest arc: control up to it, by looking at arcs every two
// degrees, and none right after.
func TestWidestArcAgainstLooking(t *testing.T) {
	const seed = 12
	rng := rand.New(rand.NewPCG(seed, seed))
	lost := 0
	for trial := range 25 {
		row, hz := randomRow(rng)
		got, controlled := row.WidestArc(hz, practiceC)
		deep := func(arc float64) float64 { return slices.Min(looked(row.bent(arc), hz, practiceC)) }
		if !controlled {
			if got != 0 || deep(0) < -6 {
				t.Errorf("seed %d, trial %d, %+v at %g Hz: got %g without control, straight it dips %.2f dB", seed, trial, row, hz, got, deep(0))
			}
			continue
		}
		for arc := 0.0; arc < got; arc += rad(5) {
			if deep(arc) > -5.9 {
				t.Errorf("seed %d, trial %d, %+v at %g Hz: got %.2f°, lost at %.2f°", seed, trial, row, hz, degrees(got), degrees(arc))
				break
			}
		}
		if got == MaxArcRad {
			continue
		}
		lost++
		near(t, fmt.Sprintf("seed %d, trial %d, %+v at %g Hz: dip at the widest arc", seed, trial, row, hz), deep(got), -6, 0.05)
		if o := row.bent(got+1e-5).Opening(hz, practiceC); o != 2*math.Pi {
			t.Errorf("seed %d, trial %d, %+v at %g Hz: just past %.2f° it still opens to %.2f°", seed, trial, row, hz, degrees(got), degrees(o))
		}
		if o := row.bent(got-1e-5).Opening(hz, practiceC); o == 2*math.Pi {
			t.Errorf("seed %d, trial %d, %+v at %g Hz: just before %.2f° control is gone", seed, trial, row, hz, degrees(got))
		}
	}
	if lost < 5 {
		t.Errorf("only %d rows lost control: no test", lost)
	}
}

// The third outcome: bent to half a circle a long row still has control.
func TestControlUpToTheBound(t *testing.T) {
	for _, row := range []Row{{Count: 3, SpacingM: 1.91, Delayed: true}, {Count: 2, SpacingM: 3}} {
		if arc, controlled := row.WidestArc(60, practiceC); arc != MaxArcRad || !controlled {
			t.Errorf("%+v: got %g, %v", row, arc, controlled)
		}
	}
}

// Whatever opening an arc has, ArcFor finds that arc or a gentler one with it.
func TestArcForFindsItsWayBack(t *testing.T) {
	const seed = 13
	rng := rand.New(rand.NewPCG(seed, seed))
	found := 0
	for trial := range 150 {
		row, hz := randomRow(rng)
		wanted := row.Opening(hz, practiceC)
		if wanted == 2*math.Pi {
			continue
		}
		found++
		arc, err := row.ArcFor(wanted, hz, practiceC)
		if err != nil {
			t.Errorf("seed %d, trial %d, %+v at %g Hz: %v", seed, trial, row, hz, err)
			continue
		}
		if arc > row.ArcRad+1e-6 && row.Count > 2 {
			t.Errorf("seed %d, trial %d, %+v at %g Hz: got %.4f°, a wider arc than its own %.4f°", seed, trial, row, hz, degrees(arc), degrees(row.ArcRad))
		}
		near(t, fmt.Sprintf("seed %d, trial %d, %+v at %g Hz", seed, trial, row, hz), row.bent(arc).Opening(hz, practiceC), wanted, 2e-5)
	}
	if found < 50 {
		t.Errorf("only %d rows to look for", found)
	}
}

// One set of cabinets: a narrow audience one day, a wide one the next, by tape
// or by delay.
func TestOneRowForTwoAudiences(t *testing.T) {
	for _, delayed := range []bool{false, true} {
		row := Row{Count: 6, SpacingM: 1.4, Delayed: delayed}
		before := -1.0
		for _, opening := range []float64{60, 75, 90} {
			arc, err := row.ArcFor(rad(opening), 50, practiceC)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "opening", degrees(row.bent(arc).Opening(50, practiceC)), opening, 1e-3)
			if arc <= before {
				t.Errorf("delayed %v: %g° take %.1f° of arc, less than a narrower opening", delayed, opening, degrees(arc))
			}
			before = arc
		}
	}
}

func TestArcForSaysWhatCanBeHad(t *testing.T) {
	for _, test := range []struct {
		row     Row
		opening float64
		hz      float64
		want    string
	}{
		{Row{Count: 3, SpacingM: 1.91}, 60, 45, "3 in a row 1.91 m apart at 45 Hz open to 113.5° to 180.0°, depending on the arc; 60.0° cannot be had"},
		{Row{Count: 3, SpacingM: 1.91}, 200, 45, "open to 113.5° to 180.0°, depending on the arc; 200.0° cannot be had"},
		{Row{Count: 3, SpacingM: 1.91}, 120, 29, "3 in a row 1.91 m apart at 29 Hz have no control at any arc"},
		{Row{Count: 16, SpacingM: 1.91, Delayed: true}, 60, 45, "depending on the arc, but not to every angle between; 60.0° cannot be had"},
		{Row{Count: 3, SpacingM: 1.91}, 0, 45, "got an opening of 0°"},
		{Row{Count: 3, SpacingM: 1.91}, 360, 45, "got an opening of 360°"},
		{Row{Count: 3, SpacingM: 1.91}, math.NaN(), 45, "got an opening of NaN°"},
	} {
		arc, err := test.row.ArcFor(rad(test.opening), test.hz, practiceC)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%g°: got %g, %v, want an error with %q", test.opening, arc, err, test.want)
		}
	}
}

// Only lengths in wavelengths count, and an arc of nothing is straight, with or
// without delays.
func TestWhatARowDoesNotDependOn(t *testing.T) {
	const seed = 14
	rng := rand.New(rand.NewPCG(seed, seed))
	for range 100 {
		row, hz := randomRow(rng)
		big := row
		big.SpacingM *= 3
		near(t, "scaled", big.Opening(hz/3, practiceC), row.Opening(hz, practiceC), 1e-9)
		near(t, "other air", row.Opening(hz*1.1, practiceC*1.1), row.Opening(hz, practiceC), 1e-9)
		straight, delayed := row.bent(0), row.bent(0)
		straight.Delayed, delayed.Delayed = false, true
		near(t, "no delay", delayed.Opening(hz, practiceC), straight.Opening(hz, practiceC), 1e-9)
		near(t, "hardly bent", straight.bent(1e-9).Opening(hz, practiceC), straight.Opening(hz, practiceC), 1e-6)
	}
	row := Row{Count: 7, SpacingM: 1.3}
	scaled := Row{Count: 7, SpacingM: 2.6}
	small, _ := row.WidestArc(60, practiceC)
	large, _ := scaled.WidestArc(30, practiceC)
	near(t, "widest arc scaled", large, small, 1e-9)
	near(t, "lobes scaled", Row{Count: 7}.LobeSpacing(30, -6, practiceC), 2*Row{Count: 7}.LobeSpacing(60, -6, practiceC), 1e-9)
}

// A straight row has no main lobe wider than a longer or higher one.
func TestLongerAndHigherIsNarrower(t *testing.T) {
	before := 2 * math.Pi
	for hz := 46.0; hz < 120; hz++ {
		o := Row{Count: 3, SpacingM: 1.91}.Opening(hz, practiceC)
		if o >= before {
			t.Errorf("%g Hz: %.2f° after %.2f°", hz, degrees(o), degrees(before))
		}
		before = o
	}
	before = 2 * math.Pi
	for count := 4; count <= 16; count++ {
		o := Row{Count: count, SpacingM: 1.5}.Opening(45, practiceC)
		if o >= before {
			t.Errorf("%d: %.2f° after %.2f°", count, degrees(o), degrees(before))
		}
		before = o
	}
}

// Delays bend a row for those in front; to the sides and behind it stays
// straight. Off the axis by θ the two differ by (1 - cos θ) of the sagitta, so
// near the axis they agree: up to 60° of arc within 0.25 dB out to 15° and 1.2 dB
// out to 30°, as long as the level is not in a dip, more than 12 dB down.
func TestDelayedAndPhysicalArcAgreeInFront(t *testing.T) {
	worst := map[int]float64{}
	for _, count := range []int{3, 5, 8} {
		for _, arc := range []float64{20, 40, 60} {
			for _, hz := range []float64{35, 50, 65} {
				bent := looked(Row{Count: count, SpacingM: 1.5, ArcRad: rad(arc)}, hz, practiceC)
				late := Row{Count: count, SpacingM: 1.5, ArcRad: rad(arc), Delayed: true}.beam(hz, practiceC)
				for _, out := range []int{15, 30} {
					for turn := 0; turn <= out; turn++ {
						got := 10 * math.Log10(late.power(rad(float64(turn)))/late.power(0))
						if bent[2*turn] > -12 {
							worst[out] = math.Max(worst[out], math.Abs(got-bent[2*turn]))
						}
					}
				}
			}
		}
	}
	t.Logf("apart by %.3f dB out to 15°, %.3f dB out to 30°", worst[15], worst[30])
	if worst[15] > 0.25 || worst[30] > 1.2 {
		t.Errorf("apart by %.3f dB out to 15° and %.3f dB out to 30°", worst[15], worst[30])
	}
}

func TestBadRows(t *testing.T) {
	good := Row{Count: 4, SpacingM: 2}
	nan, inf := math.NaN(), math.Inf(1)
	for _, test := range []struct {
		row   Row
		hz, c float64
		want  string
	}{
		{Row{SpacingM: 2}, 50, 340, "got 0 sources, want 1 to 64"},
		{Row{Count: -3, SpacingM: 2}, 50, 340, "got -3 sources"},
		{Row{Count: 10000, SpacingM: 2}, 50, 340, "got 10000 sources, want 1 to 64"},
		{Row{Count: 4, SpacingM: -2}, 50, 340, "got a spacing of -2 m, want more than 0 m"},
		{Row{Count: 4}, 50, 340, "got a spacing of 0 m"},
		{Row{Count: 4, SpacingM: nan}, 50, 340, "got a spacing of NaN m"},
		{Row{Count: 4, SpacingM: inf}, 50, 340, "got a spacing of +Inf m"},
		{Row{Count: 4, SpacingM: 2, ArcRad: -0.1}, 50, 340, "got an arc of -5.73°, want 0° to 180°"},
		{Row{Count: 4, SpacingM: 2, ArcRad: nan}, 50, 340, "got an arc of NaN°"},
		{Row{Count: 4, SpacingM: 2, ArcRad: 4}, 50, 340, "got an arc of 229.2°"},
		{good, 0, 340, "got a frequency of 0 Hz, want more than 0 Hz"},
		{good, -5, 340, "got a frequency of -5 Hz"},
		{good, nan, 340, "got a frequency of NaN Hz"},
		{good, inf, 340, "got a frequency of +Inf Hz"},
		{good, 50, 0, "got a speed of sound of 0 m/s"},
		{good, 50, nan, "got a speed of sound of NaN m/s"},
		{Row{Count: 64, SpacingM: 900}, 50, 340, "wavelengths long at 50 Hz, want at most 40"},
	} {
		err := test.row.Check(test.hz, test.c)
		if err == nil || !strings.Contains(err.Error(), test.want) || !strings.HasPrefix(err.Error(), "row: ") {
			t.Errorf("got %v, want %q", err, test.want)
		}
		if o := test.row.Opening(test.hz, test.c); !math.IsNaN(o) {
			t.Errorf("%q: opening %g", test.want, o)
		}
		if test.row.ArcRad != 0 {
			continue // which the others do not look at
		}
		if a, controlled := test.row.WidestArc(test.hz, test.c); !math.IsNaN(a) || controlled {
			t.Errorf("%q: widest arc %g, %v", test.want, a, controlled)
		}
		if _, again := test.row.ArcFor(1, test.hz, test.c); again == nil || again.Error() != err.Error() {
			t.Errorf("ArcFor: got %v, want %v", again, err)
		}
	}
	if err := good.Check(50, 340); err != nil {
		t.Error(err)
	}
	arc, _ := good.WidestArc(50, 340)
	if got, controlled := good.bent(9).WidestArc(50, 340); got != arc || !controlled {
		t.Errorf("the row's own arc was looked at: got %g, want %g", got, arc)
	}
	arc, _ = good.ArcFor(1.5, 50, 340)
	if got, err := good.bent(9).ArcFor(1.5, 50, 340); got != arc || err != nil {
		t.Errorf("the row's own arc was looked at: got %g, %v, want %g", got, err, arc)
	}
}

// One source, and any number in one place, play the same all the way round.
func TestOneSource(t *testing.T) {
	one := Row{Count: 1}
	if o := one.Opening(50, 340); o != 2*math.Pi {
		t.Errorf("got %g", o)
	}
	if arc, controlled := one.WidestArc(50, 340); arc != 0 || controlled {
		t.Errorf("got %g, %v", arc, controlled)
	}
	if lobe := one.LobeSpacing(50, -6, 340); !math.IsInf(lobe, 1) {
		t.Errorf("got %g", lobe)
	}
}
