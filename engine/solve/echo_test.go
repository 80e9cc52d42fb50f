package solve

import (
	"testing"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/field"
)

// A wall far behind the microphones sends echoes, and the ground others; the
// rows of a pair are timed by the direct sound all the same, d/c apart.
func TestEchoesDoNotMoveTheTiming(t *testing.T) {
	const d = 1
	c, _ := air.SoundSpeed(base().Air)
	for name, echo := range map[string]func(*engine.Site){
		"wall in front": func(s *engine.Site) {
			s.Walls = []engine.Wall{{Name: "stand", From: engine.Point{X: 400, Y: -1}, To: engine.Point{X: 400, Y: 1}}}
		},
		"wall behind": func(s *engine.Site) {
			s.Walls = []engine.Wall{{Name: "barn", From: engine.Point{X: -350, Y: -1}, To: engine.Point{X: -350, Y: 1}}}
		},
		"ground": func(s *engine.Site) { s.Ground = 1 },
	} {
		for treatment, wait := range map[engine.Treatment]float64{engine.TreatGradient: d / c, engine.TreatEndFire: -d / c} {
			site := couple(d, 300)
			echo(&site)
			site.Groups = []engine.Group{{Name: "pair", Treatment: treatment}}
			for i := range site.Outputs {
				site.Outputs[i].Group = "pair"
			}
			if found := site.Problems(); found != nil {
				t.Fatalf("the test's own site: %v", found)
			}
			sheet, err := Solve(site, exact)
			if err != nil {
				t.Fatal(err)
			}
			rear, front := setting(t, sheet, 1), setting(t, sheet, 2)
			near(t, name+", "+string(treatment)+": rear waits, s", rear.DelaySec-front.DelaySec, wait, 1e-9)
			if _, err := field.Predict(site, sheet); err != nil {
				t.Error(err)
			}
		}
	}
}

// A site with an aim gets what the search finds, whatever its groups say.
func TestSolveFollowsTheAim(t *testing.T) {
	site := couple(1.8, 40)
	site.Aim = &engine.Aim{HeadroomDB: 3}
	want, err := SolveZone(t.Context(), site, usual, nil)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Solve(site, usual)
	if err != nil || got.Digest() != want.Sheet.Digest() {
		t.Errorf("got %v, %v, want %v", got, err, want.Sheet)
	}
}
