package paper

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/recorder"
)

// What a chart shows lies between its axes, end to end, over the logarithm where that
// is wanted; and no letter of its axes leaves the canvas, however long the labels.
func TestChartHoldsItsAxes(t *testing.T) {
	long := strings.Repeat("8", 12)
	for name, c := range map[string]*Chart{
		"bare":        {X: Axis{Min: -1, Max: 1}, Y: Axis{Min: 5, Max: 6}},
		"linear":      {X: Axis{Min: 0, Max: 10, Label: "left / m", Marks: Every(0, 10, 2, label)}, Y: Axis{Min: -40, Max: 0, Label: "level / dB", Marks: Every(-40, 0, 10, label)}},
		"logarithm":   {X: Axis{Min: 20, Max: 120, Log: true, Label: "frequency / Hz", Marks: []Mark{{25, "25"}, {31.5, ""}, {120, "120"}}}, Y: Axis{Min: 0, Max: 360, Marks: Every(0, 360, 90, label)}},
		"long labels": {X: Axis{Min: 0, Max: 3, Label: "x", Marks: []Mark{{2.9, long}, {3, long}}}, Y: Axis{Min: 0, Max: 3, Label: "y", Marks: []Mark{{3, long}}}},
	} {
		t.Run(name, func(t *testing.T) {
			whole := vg.Rectangle{Min: vg.Point{X: 7, Y: 11}, Max: vg.Point{X: 307, Y: 211}}
			var log recorder.Canvas
			on := draw.Canvas{Canvas: &log, Rectangle: whole}
			inside := draw.Canvas{}
			c.Add(func(in draw.Canvas, same *Chart) {
				inside = in
				across, up := same.Transforms(&in)
				for _, way := range []struct{ got, want vg.Length }{
					{across(c.X.Min), in.Min.X}, {across(c.X.Max), in.Max.X}, {up(c.Y.Min), in.Min.Y}, {up(c.Y.Max), in.Max.Y},
				} {
					if math.Abs(float64(way.got-way.want)) > 1e-9 {
						t.Errorf("an end lies at %v, want %v", way.got, way.want)
					}
				}
				if middle := across(math.Sqrt(c.X.Min * c.X.Max)); c.X.Log && math.Abs(float64(middle-in.Center().X)) > 1e-9 {
					t.Errorf("the geometric mean lies at %v, want %v", middle, in.Center().X)
				}
			})
			c.Draw(on)
			if inside.Size().X < 100 || inside.Size().Y < 100 || inside.Min.X < whole.Min.X || inside.Max.X > whole.Max.X || inside.Min.Y < whole.Min.Y || inside.Max.Y > whole.Max.Y {
				t.Errorf("%v are left of %v", inside.Rectangle, whole)
			}
			written := map[string]int{}
			for _, action := range log.Actions {
				if text, is := action.(*recorder.FillString); is {
					written[text.String]++
					end := text.Point.X + lettering(0, 0).Width(text.String)
					if text.String != c.Y.Label && (text.Point.X < whole.Min.X-0.01 || end > whole.Max.X+0.01 || text.Point.Y < whole.Min.Y-0.01 || text.Point.Y > whole.Max.Y) {
						t.Errorf("%q is written from %v to %.1f, outside of %v", text.String, text.Point, end, whole)
					}
				}
			}
			for _, m := range append(c.X.Marks, c.Y.Marks...) {
				if m.Label != "" && written[m.Label] == 0 {
					t.Errorf("%q is not written", m.Label)
				}
			}
		})
	}
}

func label(v float64) string { return Number(v, 0) }
