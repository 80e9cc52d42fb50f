package report

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/figures"
	"hushback/cmd/internal/printout"
	"hushback/cmd/internal/report/folio"
	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/picture"
	"hushback/engine/picture/paper"
	"hushback/verify"
)

// mapPoints is how finely a map is reckoned.
const mapPoints = 60_000

// around are the levels and patterns of a sheet.
func around(s *folio.Section, r design.Report) {
	t := r.Site.Target
	some := []float64{t.Range.LowHz, t.NullHz, t.Range.HighHz}
	front, _ := r.Site.Microphone(engine.RoleFront)
	levels, err := printout.LevelMap("", r, picture.Around(r.Site, mapPoints), []float64{t.NullHz})
	s.Add(drawn(levels, err, "Level over the ground at "+figures.Hz(t.NullHz)+", as predicted. 0 dB: front microphone ("+front.Name+"). A line every 6 dB. Dashed: quiet zone. Grey: rear row.",
		"Level map at "+figures.Hz(t.NullHz)+". "+predictedWords(r)))
	pattern, err := picture.Polar("", r, some)
	s.Add(drawn(pattern, err, "Pattern far away, without ground and walls, at the bottom of the range, the target and its top; each against its loudest direction. Front is up.",
		"Polar patterns at "+figures.Hz(some[0])+", "+figures.Hz(some[1])+" and "+figures.Hz(some[2])+"."))
}

// pictures are what a design should do.
func pictures(r design.Report) folio.Section {
	s := folio.Section{Heading: "What it should sound like"}
	response, err := picture.Responses("", r)
	s.Add(drawn(response, err, "What the microphones should hear over frequency, against the loudest in front; ring: the null. Below it the opening angle.", predictedWords(r)))
	around(&s, r)
	return s
}

// beside is what was measured beside what was predicted.
func beside(d dossier.Dossier) folio.Block {
	var measured *engine.Summary
	if d.Verdict != nil && d.Verdict.Summary != (engine.Summary{}) {
		measured = &d.Verdict.Summary
	}
	t := d.Site.Target
	caption := fmt.Sprintf("Front and rear microphone with everything open, predicted and measured; bars: %d %% intervals. 0 dB: mean of the predicted front over the operating range, onto which the measured front is laid by one number of dB.", verify.LikelyPercent)
	if len(d.Captures) == 0 {
		caption = "Front and rear microphone as predicted; nothing was measured. 0 dB: mean of the front over the operating range."
	}
	if low, high := spanned(figures.Curves(d.Prediction, d.Captures, t.Range, verify.LikelyPercent)); !(0 < low && low < high) {
		return drawn(nil, errors.New("the dossier has no curves"), "", "")
	}
	return drawn(besideDrawn(d), nil, caption, figures.NewChart(d.Prediction, t, d.Captures, measured).Alt)
}

// besideDrawn is the drawing of it.
func besideDrawn(d dossier.Dossier) *picture.Drawing {
	t := d.Site.Target
	curves := figures.Curves(d.Prediction, d.Captures, t.Range, verify.LikelyPercent)
	return paper.Page(paper.Heading("", ""), paper.Legend(besideLegend(curves, t)), besideChart(curves, t))
}

// look is how a curve is drawn: front and rear by colour, measured solid with dots.
func look(c figures.Curve) draw.LineStyle {
	style := paper.Line(0)
	if c.Role == engine.RoleRear {
		style = paper.Line(1)
	}
	style.Dashes = nil
	if !c.Measured {
		style.Dashes, style.Width = []vg.Length{5, 3}, 1.1
	}
	return style
}

func besideLegend(curves []figures.Curve, t engine.Target) []paper.Entry {
	var entries []paper.Entry
	for _, c := range curves {
		words := string(c.Role) + " predicted"
		if c.Measured {
			words = string(c.Role) + " measured"
		}
		entries = append(entries, paper.Entry{Line: look(c), Words: words})
	}
	return append(entries,
		paper.Entry{Line: targetLine(), Words: "target " + paper.Hertz(t.NullHz)},
		paper.Entry{Line: draw.LineStyle{Color: paper.Shade, Width: 10}, Words: "operating range"})
}

func targetLine() draw.LineStyle {
	return draw.LineStyle{Color: paper.Ink, Width: 1, Dashes: []vg.Length{3, 2}}
}

// besideChart is the chart itself, over the frequencies of the prediction.
func besideChart(curves []figures.Curve, t engine.Target) paper.Block {
	const tall, step, deepest = 250, 10.0, 70.0
	p := paper.Chart()
	p.X.Min, p.X.Max = spanned(curves)
	p.Y.Min, p.Y.Max = 0, 0
	for _, c := range curves {
		for i := range c.DB {
			if !math.IsInf(c.DB[i], 0) && !math.IsNaN(c.DB[i]) {
				p.Y.Min, p.Y.Max = math.Min(p.Y.Min, c.DB[i]), math.Max(p.Y.Max, c.DB[i])
			}
		}
	}
	p.Y.Max = step * math.Ceil(p.Y.Max/step)
	p.Y.Min = math.Max(p.Y.Max-deepest, step*math.Floor(p.Y.Min/step))
	p.X.Scale = plot.LogScale{}
	p.X.Label.Text, p.Y.Label.Text = "frequency / Hz", "level / dB"
	p.Y.Tick.Marker = paper.Every(p.Y.Min, p.Y.Max, step, func(v float64) string { return paper.Number(v, 0) })
	var marks plot.ConstantTicks
	for _, f := range []float64{20, 30, 40, 50, 60, 80, 100, 120, 150, 200, 300, 500, 1000} {
		if f >= p.X.Min && f <= p.X.Max {
			marks = append(marks, plot.Tick{Value: f, Label: paper.Number(f, 0)})
		}
	}
	p.X.Tick.Marker = marks
	p.Add(ground{curves, t, marks})
	return paper.Block{Height: tall, Ink: func(c draw.Canvas) { p.Draw(c) }}
}

// spanned is from the lowest to the highest frequency of all curves; the other way
// round where there is none.
func spanned(curves []figures.Curve) (lowHz, highHz float64) {
	lowHz, highHz = math.Inf(1), math.Inf(-1)
	for _, c := range curves {
		for _, f := range c.FreqHz {
			lowHz, highHz = math.Min(lowHz, f), math.Max(highHz, f)
		}
	}
	return lowHz, highHz
}

// ground is all that is drawn within the axes.
type ground struct {
	curves []figures.Curve
	target engine.Target
	marks  plot.ConstantTicks
}

// Plot is what the plotting library calls.
func (g ground) Plot(c draw.Canvas, p *plot.Plot) {
	across, up := p.Transforms(&c)
	low, high := math.Max(g.target.Range.LowHz, p.X.Min), math.Min(g.target.Range.HighHz, p.X.Max)
	if low < high {
		c.FillPolygon(paper.Shade, paper.Corners(vg.Rectangle{Min: vg.Point{X: across(low), Y: c.Min.Y}, Max: vg.Point{X: across(high), Y: c.Max.Y}}))
	}
	for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
		c.StrokeLine2(paper.Thin(paper.Faint), c.Min.X, up(t.Value), c.Max.X, up(t.Value))
	}
	for _, t := range g.marks {
		c.StrokeLine2(paper.Thin(paper.Faint), across(t.Value), c.Min.Y, across(t.Value), c.Max.Y)
	}
	if at := g.target.NullHz; at >= p.X.Min && at <= p.X.Max {
		c.StrokeLine2(targetLine(), across(at), c.Min.Y, across(at), c.Max.Y)
	}
	held := func(db float64) vg.Length {
		if !(db > p.Y.Min) {
			db = p.Y.Min
		}
		return up(math.Min(db, p.Y.Max))
	}
	for _, curve := range g.curves {
		style := look(curve)
		points := make([]vg.Point, len(curve.DB))
		for i, db := range curve.DB {
			points[i] = vg.Point{X: across(curve.FreqHz[i]), Y: held(db)}
		}
		c.StrokeLines(style, points)
		for i := range curve.Low {
			bar := draw.LineStyle{Color: style.Color, Width: 2.2}
			c.StrokeLine2(bar, points[i].X, held(curve.Low[i]), points[i].X, held(curve.High[i]))
			c.DrawGlyph(draw.GlyphStyle{Color: style.Color, Radius: 1.6, Shape: draw.CircleGlyph{}}, points[i])
		}
	}
}
