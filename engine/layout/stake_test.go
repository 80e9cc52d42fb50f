package layout

import (
	"math"
	"testing"

	"hushback/engine"
)

func TestStakesByTapeMeasure(t *testing.T) {
	site := engine.Site{Sources: []engine.Source{
		{Name: "left", Row: engine.RowFront, At: engine.Point{X: 4, Y: 3.5, Z: 0.3}, FacingRad: 0.2},
		{Name: "centre", Row: engine.RowFront, At: engine.Point{X: 5, Y: 0.5, Z: 0.3}},
		{Name: "rear, aside", Row: engine.RowRear, At: engine.Point{X: 0, Y: 1.5, Z: 0.3}},
		{Name: "rear", Row: engine.RowRear, At: engine.Point{X: 1, Y: -0.5, Z: 0.3}}, // nearest the axis: the datum
	}}
	want := []Stake{ // 3-4-5 and 0-1-1 triangles, and one on the diagonal
		{"left", 3, 4, 0.3, 5, math.Atan2(4, 3), 0.2},
		{"centre", 4, 1, 0.3, math.Sqrt(17), math.Atan(0.25), 0},
		{"rear, aside", -1, 2, 0.3, math.Sqrt(5), math.Pi - math.Atan(2), 0},
		{"rear", 0, 0, 0.3, 0, 0, 0},
	}
	for i, got := range StakeOut(site) {
		if got.Source != want[i].Source || got.HeightM != want[i].HeightM || got.FacingRad != want[i].FacingRad {
			t.Errorf("got %+v, want %+v", got, want[i])
		}
		near(t, got.Source+" along", got.AlongM, want[i].AlongM, 1e-12)
		near(t, got.Source+" aside", got.AsideM, want[i].AsideM, 1e-12)
		near(t, got.Source+" from the datum", got.FromDatumM, want[i].FromDatumM, 1e-12)
		near(t, got.Source+" bearing", got.BearingRad, want[i].BearingRad, 1e-12)
	}
}

// Which source is the datum: the rear row's, then nearest the axis, then
// rearmost, then first.
func TestDatum(t *testing.T) {
	f, r := engine.RowFront, engine.RowRear
	tests := []struct {
		name    string
		sources []engine.Source
		want    int
	}{
		{"a front one nearer the axis does not count", []engine.Source{{Row: f}, {Row: r, At: engine.Point{X: -2, Y: 3}}}, 1},
		{"whichever comes first", []engine.Source{{Row: r, At: engine.Point{X: -2, Y: 3}}, {Row: f}}, 0},
		{"nearest the axis", []engine.Source{{Row: f, At: engine.Point{X: -1, Y: -2}}, {Row: f, At: engine.Point{Y: 1}}, {Row: f, At: engine.Point{Y: -1.5}}}, 1},
		{"rearmost of those on the axis", []engine.Source{{Row: f, At: engine.Point{X: 2}}, {Row: f, At: engine.Point{X: -1, Y: 0.0004}}, {Row: f, At: engine.Point{X: 1}}}, 1},
		{"left and right alike: the first", []engine.Source{{Row: f, At: engine.Point{Y: 1.9}}, {Row: f, At: engine.Point{Y: -1.9}}}, 0},
	}
	for _, test := range tests {
		if got := StakeOut(engine.Site{Sources: test.sources})[test.want]; got.FromDatumM != 0 {
			t.Errorf("%s: %g m from the datum", test.name, got.FromDatumM)
		}
	}
	if stakes := StakeOut(engine.Site{}); len(stakes) != 0 {
		t.Errorf("stakes for nothing: %v", stakes)
	}
}
