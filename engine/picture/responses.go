package picture

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
	"hushback/engine/coverage"
	"hushback/engine/design"
)

// Heights of charts in points, and the least level that they show.
const (
	tallChart  = 250
	flatChart  = 150
	deepestDB  = -60.0
	responseDB = 10.0
)

// Responses draws what the front and the rear microphone should hear over frequency,
// against the loudest in front, with the operating range, the target and the null
// marked; below it the opening angle, where the report has one. layout is the name of
// what it shows, "" for none.
//
// Errors: curves that are missing, of different lengths, silent or not finite, and
// frequencies that do not ascend from above 0.
func Responses(layout string, r design.Report) (*Drawing, error) {
	d, err := responses(layout, r)
	if err != nil {
		return nil, fmt.Errorf("drawing responses: %w", err)
	}
	return d, nil
}

func responses(layout string, r design.Report) (*Drawing, error) {
	freq := r.Prediction.Front.FreqHz
	if err := checkAxis(freq); err != nil {
		return nil, err
	}
	loudest := 0.0
	for _, p := range r.Prediction.Front.P {
		loudest = math.Max(loudest, cmplx.Abs(p))
	}
	if !(loudest > 0) {
		return nil, errors.New("nothing arrives at the front microphone")
	}
	front, err := curve(r.Prediction.Front, loudest)
	if err != nil {
		return nil, fmt.Errorf("front: %w", err)
	}
	rear, err := curve(r.Prediction.Rear, loudest)
	if err != nil {
		return nil, fmt.Errorf("rear: %w", err)
	}
	level := overFrequency(freq, r.Site.Target)
	level.Y.Min, level.Y.Max = deepestDB, 5
	level.Y.Label.Text = "level against the loudest in front / dB"
	level.Y.Tick.Marker = every(deepestDB, 0, responseDB, func(v float64) string { return number(v, 0) })
	level.Add(series(line(0), freq, front), series(line(1), freq, rear), nullMark(r.Own, freq, rear))
	charts, heights := []*plot.Plot{level}, []vg.Length{tallChart}
	if len(r.Openings) > 0 {
		opening, err := openings(freq, r)
		if err != nil {
			return nil, err
		}
		charts, heights = append(charts, opening), append(heights, flatChart)
	}
	return page(heading("Front and rear", owner(r.Site, layout), nullWords(r.Own, r.Site.Target)),
		legend([]entry{{line(0), "front: " + name(r.Site, engine.RoleFront)}, {line(1), "rear: " + name(r.Site, engine.RoleRear)}}),
		stacked(charts, heights)), nil
}

func name(site engine.Site, role engine.Role) string {
	m, _ := site.Microphone(role)
	return m.Name
}

func nullWords(own design.Treated, target engine.Target) string {
	return fmt.Sprintf("Null at %s: rear %s dB below front (ring). Target %s: %s dB below. Grey: operating range, %s to %s.",
		hertz(own.NullHz), number(-own.NullDepthDB, 1), hertz(target.NullHz), number(-own.AtTargetDB, 1),
		hertz(target.Range.LowHz), hertz(target.Range.HighHz))
}

// checkAxis wants at least two frequencies, ascending from above 0.
func checkAxis(freq []float64) error {
	if len(freq) < 2 {
		return fmt.Errorf("there are %d frequencies, want at least 2", len(freq))
	}
	last := 0.0
	for i, f := range freq {
		if !(f > last) || math.IsInf(f, 0) {
			return fmt.Errorf("frequency %d of %d is %v Hz, want them to ascend from above 0", i+1, len(freq), f)
		}
		last = f
	}
	return nil
}

// curve is levels in dB against an amplitude.
func curve(c engine.Curve, zero float64) ([]float64, error) {
	if len(c.P) != len(c.FreqHz) {
		return nil, fmt.Errorf("there are %d frequencies and %d pressures", len(c.FreqHz), len(c.P))
	}
	db := make([]float64, len(c.P))
	for i, p := range c.P {
		if cmplx.IsNaN(p) || cmplx.IsInf(p) {
			return nil, fmt.Errorf("the pressure at %s is not finite", hertz(c.FreqHz[i]))
		}
		db[i] = engine.DB(cmplx.Abs(p) / zero)
	}
	return db, nil
}

// overFrequency is a chart over logarithmic frequency with the operating range in
// grey and the target as a line.
func overFrequency(freq []float64, target engine.Target) *plot.Plot {
	p := chart()
	p.X.Min, p.X.Max = freq[0], freq[len(freq)-1]
	p.X.Scale = plot.LogScale{}
	p.X.Label.Text = "frequency / Hz"
	p.X.Tick.Marker = plainHertz(p.X.Min, p.X.Max)
	p.Add(backdrop(target))
	return p
}

// plainHertz marks the round frequencies of an octave scale, with small marks
// between them where tens are far apart.
func plainHertz(low, high float64) plot.ConstantTicks {
	var marks plot.ConstantTicks
	for decade := 1.0; decade <= 10000; decade *= 10 {
		for _, m := range []float64{1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9} {
			f := m * decade
			if f < low || f > high {
				continue
			}
			label := number(f, 0)
			if m == 7 || m == 9 || m == 1.5 && high > 8*low || m == 2.5 && high > 4*low {
				label = ""
			}
			marks = append(marks, plot.Tick{Value: f, Label: label})
		}
	}
	return marks
}

// plotting is a plotter made of a function.
type plotting func(c draw.Canvas, p *plot.Plot)

// Plot is what the plotting library calls.
func (f plotting) Plot(c draw.Canvas, p *plot.Plot) { f(c, p) }

// backdrop is the operating range, the grid and the target.
func backdrop(target engine.Target) plotting {
	return func(c draw.Canvas, p *plot.Plot) {
		across, up := p.Transforms(&c)
		if low, high := math.Max(target.Range.LowHz, p.X.Min), math.Min(target.Range.HighHz, p.X.Max); low < high {
			c.FillPolygon(shade, corners(vg.Rectangle{Min: vg.Point{X: across(low), Y: c.Min.Y}, Max: vg.Point{X: across(high), Y: c.Max.Y}}))
		}
		for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
			c.StrokeLine2(thin(faint), c.Min.X, up(t.Value), c.Max.X, up(t.Value))
		}
		for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
			if !t.IsMinor() {
				c.StrokeLine2(thin(faint), across(t.Value), c.Min.Y, across(t.Value), c.Max.Y)
			}
		}
		if target.NullHz >= p.X.Min && target.NullHz <= p.X.Max {
			c.StrokeLine2(draw.LineStyle{Color: ink, Width: 1, Dashes: []vg.Length{3, 2}}, across(target.NullHz), c.Min.Y, across(target.NullHz), c.Max.Y)
			l := labels{within: c.Rectangle}
			at := vg.Point{X: across(target.NullHz), Y: c.Max.Y - small*0.75}
			l.put(c, lettering(small), "target "+hertz(target.NullHz), place{at, 1, 0, 1}, place{at, -1, 0, 1})
		}
	}
}

// series is a line over frequency, cut where it leaves the chart.
func series(style draw.LineStyle, x, y []float64) plotting {
	return func(c draw.Canvas, p *plot.Plot) {
		across, up := p.Transforms(&c)
		points := make([]vg.Point, len(x))
		for i := range x {
			points[i] = vg.Point{X: across(x[i]), Y: up(y[i])}
		}
		c.StrokeLines(style, c.ClipLinesXY(points)...)
	}
}

// nullMark rings the rear level where the null is, at the chart's floor if it
// lies lower.
func nullMark(own design.Treated, freq, rear []float64) plotting {
	return func(c draw.Canvas, p *plot.Plot) {
		across, up := p.Transforms(&c)
		for i, f := range freq {
			if f < own.NullHz {
				continue
			}
			if f == own.NullHz || i > 0 {
				at := vg.Point{X: across(own.NullHz), Y: max(c.Min.Y, up(between(freq, rear, i, own.NullHz)))}
				c.DrawGlyph(draw.GlyphStyle{Color: ink, Radius: 5, Shape: draw.RingGlyph{}}, at)
			}
			return
		}
	}
}

// between is y at x, on the straight line that ends at entry i.
func between(xs, ys []float64, i int, x float64) float64 {
	if i == 0 || xs[i] == x {
		return ys[i]
	}
	part := (x - xs[i-1]) / (xs[i] - xs[i-1])
	return ys[i-1]*(1-part) + ys[i]*part
}

// openings is the chart of the opening angle.
func openings(freq []float64, r design.Report) (*plot.Plot, error) {
	p := overFrequency(freq, r.Site.Target)
	var points plotter.XYs
	for i, o := range r.Openings {
		if math.IsNaN(o.AngleRad) || !(o.FreqHz > 0) || math.IsInf(o.FreqHz, 0) {
			return nil, fmt.Errorf("opening %d of %d is %v rad at %v Hz", i+1, len(r.Openings), o.AngleRad, o.FreqHz)
		}
		points = append(points, plotter.XY{X: o.FreqHz, Y: degrees(o)})
	}
	p.Y.Min, p.Y.Max = 0, 380
	p.Y.Label.Text = "opening (−6 dB) / °"
	p.Y.Tick.Marker = every(0, 360, 90, func(v float64) string { return number(v, 0) })
	p.Add(plotting(func(c draw.Canvas, p *plot.Plot) {
		across, up := p.Transforms(&c)
		var controlled []vg.Point
		flush := func() {
			c.StrokeLines(line(2), c.ClipLinesXY(controlled)...)
			controlled = nil
		}
		lost := false
		for _, o := range points {
			at := vg.Point{X: across(o.X), Y: up(o.Y)}
			if lost || o.Y >= 359.99 {
				flush()
			}
			lost = o.Y >= 359.99
			controlled = append(controlled, at)
			if lost {
				flush()
				c.DrawGlyph(draw.GlyphStyle{Color: ink, Radius: 2.5, Shape: draw.CrossGlyph{}}, at)
			}
		}
		flush()
		l := labels{within: c.Rectangle}
		l.put(c, lettering(small), "360°: falls nowhere by 6 dB", place{vg.Point{X: c.Max.X, Y: up(325)}, -1, 0, 2})
	}))
	return p, nil
}

func degrees(o coverage.Opening) float64 { return o.AngleRad * 180 / math.Pi }

// stacked stands charts over each other, the left ends of their axes aligned.
func stacked(charts []*plot.Plot, heights []vg.Length) block {
	var b block
	var left vg.Length
	starts := make([]vg.Length, len(charts))
	for i, p := range charts {
		b.height += heights[i]
		starts[i] = p.DataCanvas(draw.Canvas{Rectangle: vg.Rectangle{Max: vg.Point{X: innerWidth, Y: heights[i]}}}).Min.X
		left = max(left, starts[i])
	}
	b.ink = func(c draw.Canvas) {
		top := c.Max.Y
		for i, p := range charts {
			p.Draw(draw.Canvas{Canvas: c.Canvas, Rectangle: vg.Rectangle{
				Min: vg.Point{X: c.Min.X + left - starts[i], Y: top - heights[i]}, Max: vg.Point{X: c.Max.X, Y: top}}})
			top -= heights[i]
		}
	}
	return b
}
