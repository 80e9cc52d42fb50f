package picture

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/field"
	"hushback/engine/picture/paper"
)

// The polar scale, against the loudest direction, and how finely patterns are
// reckoned.
const (
	centreDB  = -30.0
	ringDB    = 6.0
	spokeDeg  = 30
	polarStep = math.Pi / 360
)

// Polar draws the patterns of a report's array in the horizontal plane, far away and
// without ground and walls, at up to seven frequencies, each against its loudest
// direction. Front is up, left is left. layout is the name of what it shows, "" for
// none.
//
// Errors: no frequency or too many, an array that is silent, and what
// field.FarField refuses.
func Polar(layout string, r design.Report, freqHz []float64) (*Drawing, error) {
	if len(freqHz) == 0 || len(freqHz) > paper.MostLines {
		return nil, fmt.Errorf("drawing polar patterns: got %d frequencies, want 1 to %d", len(freqHz), paper.MostLines)
	}
	patterns, err := patterns(r.Site, r.Sheet, freqHz)
	if err != nil {
		return nil, fmt.Errorf("drawing polar patterns: %w", err)
	}
	var shown rose
	var entries []paper.Entry
	for i, f := range freqHz {
		shown = append(shown, petal{paper.Line(i), patterns[i]})
		entries = append(entries, paper.Entry{Line: paper.Line(i), Words: paper.Hertz(f)})
	}
	polar := paper.Block{Height: paper.InnerWidth, Ink: func(c draw.Canvas) { shown.draw(c, true) }}
	return paper.Page(paper.Heading("Polar patterns", owner(r.Site, layout),
		"Far away, horizontal plane, no ground or walls. Level / dB against the loudest direction."),
		paper.Legend(entries), polar), nil
}

// patterns are levels in dB all around, from the rear by the right, against the
// loudest, one for each frequency.
func patterns(site engine.Site, sheet engine.Sheet, freqHz []float64) ([][]float64, error) {
	var angles []float64
	for a := -math.Pi; a < math.Pi+polarStep/2; a += polarStep {
		angles = append(angles, a)
	}
	far, err := field.FarField(site, sheet, angles, freqHz)
	if err != nil {
		return nil, err
	}
	levels := make([][]float64, len(far))
	for i, around := range far {
		loudest := 0.0
		for _, p := range around {
			loudest = math.Max(loudest, cmplx.Abs(p))
		}
		if !(loudest > 0) || math.IsInf(loudest, 0) {
			return nil, fmt.Errorf("the array is silent or not finite at %s", paper.Hertz(freqHz[i]))
		}
		for _, p := range around {
			if cmplx.IsNaN(p) {
				return nil, errors.New("the pattern is not finite at " + paper.Hertz(freqHz[i]))
			}
			levels[i] = append(levels[i], engine.DB(cmplx.Abs(p)/loudest))
		}
	}
	return levels, nil
}

// rose is the polar patterns of one picture.
type rose []petal

// petal is one pattern: levels from the rear by the right all around.
type petal struct {
	line   draw.LineStyle
	levels []float64
}

// draw fills a square in the middle of the canvas; without words only the rings
// have their levels, and front is marked.
func (r rose) draw(c draw.Canvas, words bool) {
	margin := vg.Length(22)
	if !words {
		margin = 13
	}
	radius := min(c.Size().X, c.Size().Y)/2 - margin
	centre := c.Center()
	at := func(rad float64, part vg.Length) vg.Point {
		return vg.Point{X: centre.X - vg.Length(math.Sin(rad))*radius*part, Y: centre.Y + vg.Length(math.Cos(rad))*radius*part}
	}
	dial(c, at, words)
	for _, p := range r {
		points := make([]vg.Point, len(p.levels))
		for i, db := range p.levels {
			part := math.Max(0, 1-db/centreDB)
			points[i] = at(-math.Pi+2*math.Pi*float64(i)/float64(len(p.levels)-1), vg.Length(part))
		}
		c.StrokeLines(p.line, points)
	}
	ringLabels(c, at, words)
}

// dial is the rings, the spokes and what the directions are called.
func dial(c draw.Canvas, at func(float64, vg.Length) vg.Point, words bool) {
	s := paper.Lettering(paper.Small)
	for db := 0.0; db > centreDB; db -= ringDB {
		part := vg.Length(1 - db/centreDB)
		var path vg.Path
		path.Move(at(-math.Pi/2, part))
		path.Arc(at(0, 0), at(-math.Pi/2, part).X-at(0, 0).X, 0, 2*math.Pi)
		path.Close()
		style := paper.Thin(paper.Faint)
		if db == 0 {
			style = paper.Thin(paper.Grey)
		}
		c.SetLineStyle(style)
		c.Stroke(path)
	}
	for deg := 0; deg < 360; deg += spokeDeg {
		rad := float64(deg) * math.Pi / 180
		c.StrokeLines(paper.Thin(paper.Faint), []vg.Point{at(0, 0), at(rad, 1)})
		if words && deg%90 != 0 {
			paper.Write(c, s, outside(at(rad, 1), at(0, 0), 13), paper.Number(180-math.Abs(180-float64(deg)), 0)+"°")
		}
	}
	names := []string{"front 0°", "left 90°", "rear 180°", "right 90°"}
	if !words {
		names = []string{"front", "", "rear", ""}
	}
	for i, name := range names {
		style, away := s, vg.Length(8)
		if i%2 == 1 {
			style.Rotation = math.Pi / 2
			style.XAlign, style.YAlign = draw.XCenter, draw.YCenter
		}
		paper.Write(c, style, outside(at(float64(i)*math.Pi/2, 1), at(0, 0), away), name)
	}
}

// outside is a point further from the centre.
func outside(p, centre vg.Point, by vg.Length) vg.Point {
	way := p.Sub(centre)
	return p.Add(way.Scale(by / vg.Length(math.Hypot(float64(way.X), float64(way.Y)))))
}

// ringLabels stand over the lines, between two spokes; every other one where
// there is little room.
func ringLabels(c draw.Canvas, at func(float64, vg.Length) vg.Point, words bool) {
	s := paper.Lettering(paper.Small)
	step := ringDB
	if !words {
		step *= 2
	}
	for db := 0.0; db > centreDB; db -= step {
		label := paper.Number(db, 0)
		switch {
		case db == 0 && words:
			label += " dB"
		case db == 0:
			continue
		}
		p := at(-math.Pi/4, vg.Length(1-db/centreDB))
		half := vg.Point{X: s.Width(label)/2 + 1, Y: paper.Small * 0.5}
		c.FillPolygon(paper.Veil, paper.Corners(vg.Rectangle{Min: p.Sub(half), Max: p.Add(half)}))
		paper.Write(c, s, p, label)
	}
}
