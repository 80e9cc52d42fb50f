package design

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/layout"
)

// The values of this file are common practice, no published source; they go
// with c = 343.2 m/s. Every rig is read as the practice sets it up: the rear
// source straight behind the middle of the front row, the row an arc that is
// played as it stands, and an end-fire timed by tape.

func TestAQuarterWavelengthAt45Hz(t *testing.T) {
	r := worked(t, three(t, 1.9, 0, 1.91))
	depth := found(t, r.Findings, "depth-spacing")
	near(t, "depth for 45 Hz", depth.Value, 1.907, 0.0005) // practice says 1.9 m
	if !strings.Contains(depth.Text, "1.91 m") || depth.Unit != "m" {
		t.Errorf("said %+v, want 1.91 m", depth)
	}
}

func TestSideSpacingAt60Hz(t *testing.T) {
	r := worked(t, three(t, 1.9, 0, 1.91))
	near(t, "a third of a wavelength", found(t, r.Findings, "side-spacing-third").Value, 1.91, 0.005)
	near(t, "two thirds", found(t, r.Findings, "side-spacing-two-thirds").Value, 3.8, 0.05)
	near(t, "its own", found(t, r.Findings, "side-spacing").Value, 1.91, 1e-9)
	if has(r.Warnings, "side-spacing") {
		t.Error("warned of a spacing of a third of a wavelength")
	}
}

// The arc is given by its depth alone in practice ("sides 0.9 m nearer"). 1.685 m
// keeps neighbours 1.91 m apart, 1.76 and 1.91 m are the other readings; the
// microphone stands 10 to 15 m behind the rear source.
func TestSidesOfTheArcMoveTheNullAndTheOffsetBringsItBack(t *testing.T) {
	for _, aside := range []float64{1.685, 1.76, 1.91} {
		for _, away := range []float64{10, 12, 15} {
			site := three(t, c/4/45, 0.9, aside)
			site.Microphones[1].At.X = site.Sources[0].At.X - away
			r := worked(t, site)
			if len(r.Triangles) != 1 {
				t.Fatalf("got %d triangles, want 1", len(r.Triangles))
			}
			tri := r.Triangles[0]
			what := fmt.Sprintf("outer sources %g m aside, microphone %g m behind: ", aside, away)
			near(t, what+"null of the straight row", tri.StraightHz, 45, 1e-6)
			near(t, what+"null of the arc", tri.TapeBeforeHz, 51, 2)
			near(t, what+"null after the offset", tri.TapeAfterHz, 45, 0.2)
			near(t, what+"the solver's null after its offset", tri.NullAfterHz, 45, 0.2)
			near(t, what+"front row's level", found(t, r.Findings, "row-level").Value, -8, 1.5)
			if !(tri.TapeOffsetM > 0.1 && tri.TapeOffsetM < 0.5 && tri.OffsetM > tri.TapeOffsetM) {
				t.Errorf("%soffsets %v and %v m, want a foot forward by tape and more without", what, tri.TapeOffsetM, tri.OffsetM)
			}
			offsetHolds(t, site, tri, aside)
		}
	}
}

// offsetHolds sets the moved array up anew, phasor by phasor, and looks where
// it is quietest behind: another way than the report's.
func offsetHolds(t *testing.T, site engine.Site, tri Triangle, aside float64) {
	t.Helper()
	depth := c / 4 / 45
	rear := engine.Point{X: -depth}
	row := []engine.Point{{X: tri.TapeOffsetM}, {X: tri.TapeOffsetM - 0.9, Y: aside}, {X: tri.TapeOffsetM - 0.9, Y: -aside}}
	wait := (depth + tri.TapeOffsetM) / c
	sum := func(at engine.Point, hz, gain float64) (re, im float64) {
		for i, src := range append([]engine.Point{rear}, row...) {
			amplitude, late := 1/src.Distance(at), src.Distance(at)/c
			if i > 0 {
				amplitude, late = amplitude*gain, late+wait
			}
			re += amplitude * math.Cos(2*math.Pi*hz*late)
			im -= amplitude * math.Sin(2*math.Pi*hz*late)
		}
		return re, im
	}
	front, back := site.Microphones[0].At, site.Microphones[1].At
	var re, im float64
	for _, src := range row {
		phase := 2 * math.Pi * 45 * src.Distance(back) / c
		re, im = re+math.Cos(phase)/src.Distance(back), im+math.Sin(phase)/src.Distance(back)
	}
	gain := 1 / rear.Distance(back) / math.Hypot(re, im)
	quietest, least := 0.0, math.Inf(1)
	for hz := 30.0; hz <= 60; hz += 0.01 {
		if ratio := math.Hypot(sum(back, hz, gain)) / math.Hypot(sum(front, hz, gain)); ratio < least {
			quietest, least = hz, ratio
		}
	}
	near(t, "null of the moved array by hand", quietest, 45, 0.02)
	slant := math.Hypot(depth+tri.OffsetM-0.9, aside)
	near(t, "tape to the outer source", tri.SlantAfterM, slant, 1e-9)
}

// With the row straight the gradient's notch is at c/2d. The bend brings the
// row nearer the rear source and moves the notch up with everything else.
func TestGradientOnTheSamePositions(t *testing.T) {
	straight := treatedAs(t, worked(t, three(t, 1.907, 0, 1.91)), engine.TreatGradient)
	bent := treatedAs(t, worked(t, three(t, 1.907, 0.73, 1.76)), engine.TreatGradient)
	near(t, "front notch", straight.FirstNotchHz, 90, 3)
	for name, g := range map[string]Treated{"straight": straight, "bent": bent} {
		if !(g.WorstRejectDB > 20) {
			t.Errorf("%s: %v dB down behind at the worst of 30 to 60 Hz, want more than 20", name, g.WorstRejectDB)
		}
		for i, hz := range g.FreqHz {
			if hz >= 30 && hz <= 60 && g.RejectionDB[i] <= 20 {
				t.Errorf("%s: %v dB down at %v Hz", name, g.RejectionDB[i], hz)
			}
		}
	}
	if !(bent.FirstNotchHz > straight.FirstNotchHz) {
		t.Errorf("bent, the notch is at %v Hz, want above the straight row's %v", bent.FirstNotchHz, straight.FirstNotchHz)
	}
}

// A front row that stands too far forward nulls too low and has to go back.
func TestTheOffsetGoesBothWays(t *testing.T) {
	tri := worked(t, three(t, 2.6, 0.5, 1.8)).Triangles[0]
	if !(tri.NullBeforeHz < 45 && tri.OffsetM < 0 && tri.TapeBeforeHz < 45 && tri.TapeOffsetM < 0) {
		t.Fatalf("%+v, want a null below 45 Hz and a way back", tri)
	}
	near(t, "null after", tri.NullAfterHz, 45, 0.01)
	near(t, "null after by tape", tri.TapeAfterHz, 45, 0.01)
	moved := worked(t, three(t, 2.6+tri.OffsetM, 0.5, 1.8)).Triangles[0] // the same array, all of it moved
	near(t, "offset left", moved.OffsetM, 0, 0.02)
	moved = worked(t, three(t, 2.6+tri.TapeOffsetM, 0.5, 1.8)).Triangles[0]
	near(t, "offset left by tape", moved.TapeOffsetM, 0, 0.02)
}

// Delays that bend a straight row make its outer sources late behind too: the
// null falls, and the way to mend it is back.
func TestADelayedBendLowersTheNull(t *testing.T) {
	site := three(t, 1.907, 0, 1.91)
	for i := range site.Sources {
		if site.Sources[i].At.Y != 0 {
			site.Outputs[i].BendSec = 0.9 / c
		}
	}
	r := worked(t, site)
	tri := r.Triangles[0]
	if !(tri.TapeBeforeHz < 42 && tri.TapeOffsetM < 0) {
		t.Errorf("%+v, want a lower null and a way back", tri)
	}
	near(t, "null after", tri.TapeAfterHz, 45, 0.01)
	arc := found(t, r.Findings, "arc")
	near(t, "arc it sounds like", arc.Value, 4*math.Atan2(0.9, 1.91)*180/math.Pi, 0.1)
	if !strings.Contains(arc.Text, "2.6 ms") || !strings.Contains(arc.Text, "straight line") {
		t.Errorf("said %q, want a straight line and 2.6 ms", arc.Text)
	}
	for i := range site.Outputs {
		site.Outputs[i].AsPlaced = false // aligned in front: the bend goes unheard
	}
	near(t, "arc when aligned", found(t, worked(t, site).Findings, "arc").Value, 0, 1e-9)
}

// Rows aligned in front sound straight whatever their places: their null is
// higher than that of the arc as placed and timed by tape, and tape and solver
// agree on them.
func TestAnAlignedBendRaisesTheNullMore(t *testing.T) {
	site := three(t, 1.907, 0.73, 1.76)
	placed := worked(t, site).Triangles[0]
	for i := range site.Outputs {
		site.Outputs[i].AsPlaced = false
	}
	aligned := worked(t, site).Triangles[0]
	if !(aligned.TapeBeforeHz > placed.TapeBeforeHz+5) {
		t.Errorf("aligned it nulls at %v Hz, as placed at %v, want the first well above", aligned.TapeBeforeHz, placed.TapeBeforeHz)
	}
	near(t, "null after", aligned.TapeAfterHz, 45, 0.01)
	near(t, "null by tape against the solver's", aligned.TapeBeforeHz, aligned.NullBeforeHz, 0.01)
	near(t, "offset by tape against the solver's", aligned.TapeOffsetM, aligned.OffsetM, 0.001)
}

// The offset that the report finds holds for the sheet that the solver then
// makes of the moved array, on a processor's own steps.
func TestTheOffsetHoldsForTheSolversEndFire(t *testing.T) {
	site := three(t, 1.907, 0.73, 1.76)
	tri := worked(t, site).Triangles[0]
	r := worked(t, three(t, 1.907+tri.OffsetM, 0.73, 1.76))
	near(t, "null of the moved end-fire", treatedAs(t, r, engine.TreatEndFire).NullHz, 45, 0.2)
	if end := treatedAs(t, r, engine.TreatEndFire); end.AtTargetDB > -25 {
		t.Errorf("%v dB behind at the target, want a null", end.AtTargetDB)
	}
}

func TestThePairsNullFollowsThePaths(t *testing.T) {
	site := three(t, 1.907, 0, 1.91)
	site.Microphones[0].At = engine.Point{X: 9, Y: 6, Z: 1.5}
	site.Microphones[1].At = engine.Point{X: -7, Y: 4, Z: 1.5}
	got := found(t, worked(t, site).Findings, "depth-null")
	front := math.Sqrt(9*9+6*6+1.5*1.5) - math.Sqrt(10.907*10.907+6*6+1.5*1.5)
	back := math.Sqrt(7*7+4*4+1.5*1.5) - math.Sqrt(5.093*5.093+4*4+1.5*1.5)
	want := hertz(c / 2 / (back - front))
	near(t, "c/4d", got.Value, c/4/1.907, 1e-6)
	if !strings.Contains(got.Text, want) {
		t.Errorf("said %q, want %s in it", got.Text, want)
	}
}

// A gradient nulls everywhere and needs no offset; what is level needs no move.
func TestTheOffsetIsSaidWhereItHelps(t *testing.T) {
	for as, want := range map[engine.Treatment]bool{engine.TreatNull: true, engine.TreatEndFire: true, engine.TreatGradient: false, engine.TreatPlain: false} {
		site := three(t, 1.907, 0.73, 1.76)
		site.Groups[0].Treatment = as
		if r := worked(t, site); has(r.Findings, "forward-offset") != want || (len(r.Triangles) == 1) != want {
			t.Errorf("%s: offset said %v with %d triangles, want %v", as, !want, len(r.Triangles), want)
		}
	}
	tri := worked(t, three(t, 1.907, 0.73, 1.76)).Triangles[0]
	moved := found(t, worked(t, three(t, 1.907+tri.OffsetM, 0.73, 1.76)).Findings, "forward-offset")
	if !strings.Contains(moved.Text, "Leave the front row where it is") {
		t.Errorf("said %q of a row that stands right", moved.Text)
	}
}

// Where the null is one of several, it can jump over the target: then there is
// no offset, and that is said.
func TestANullThatJumpsIsNoOffset(t *testing.T) {
	site := rig(t, layout.Row(5, 1.6, 0), layout.Row(5, 1.6, 0))
	for i := range site.Sources[:5] {
		site.Sources[i].At.X = -1.7
	}
	for i, late := range layout.Bend(5, 1.6, 0.9, c) {
		site.Outputs[5+i].BendSec = late
		site.Outputs[i].BendSec = late
	}
	site.Target.NullHz = 50
	site.Microphones[1].At.X = -9
	r := worked(t, site)
	for _, tri := range r.Triangles {
		near(t, "null after an offset that is said", tri.NullAfterHz, 50, 0.1)
		near(t, "null after an offset by tape", tri.TapeAfterHz, 50, 0.1)
	}
	if (len(r.Triangles) == 0) != has(r.Warnings, "offset-unknown") {
		t.Errorf("%d triangles and warnings %v", len(r.Triangles), r.Warnings)
	}
}
