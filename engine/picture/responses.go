package picture

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
	"hushback/engine/band"
	"hushback/engine/coverage"
	"hushback/engine/design"
	"hushback/engine/picture/paper"
)

// Heights of charts in points, and the least level that they show.
const (
	tallChart = 250
	flatChart = 150
	lowChart  = 132
	deepestDB = -60.0
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
	chart := overFrequency(freq, r.Site.Target)
	exactFreq, exactRear := withNull(r.Own, freq, front, rear)
	levels(chart, "level against the loudest in front / dB", front, exactRear)
	chart.Add(series(paper.Line(0), freq, front), series(paper.Line(1), exactFreq, exactRear), ringAt(r.Own.NullHz, exactFreq, exactRear))
	charts, heights := []*plot.Plot{chart}, []vg.Length{tallChart}
	if len(r.Openings) > 0 {
		opening, err := openings(freq, r)
		if err != nil {
			return nil, err
		}
		charts, heights = append(charts, opening), append(heights, flatChart)
	}
	return paper.Page(paper.Heading("Front and rear", owner(r.Site, layout), nullWords(r.Own, r.Site.Target)),
		paper.Legend(append([]paper.Entry{
			{Line: paper.Line(0), Words: "front: " + name(r.Site, engine.RoleFront)},
			{Line: paper.Line(1), Words: "rear: " + name(r.Site, engine.RoleRear)}}, marked(r.Site.Target)...)),
		stacked(charts, heights)), nil
}

func name(site engine.Site, role engine.Role) string {
	m, _ := site.Microphone(role)
	return m.Name
}

func nullWords(own design.Treated, target engine.Target) string {
	return fmt.Sprintf("Null (ring) at %s: rear %s dB below front. At the target, %s: %s dB below.",
		paper.Hertz(own.NullHz), paper.Number(-own.NullDepthDB, 1), paper.Hertz(target.NullHz), paper.Number(-own.AtTargetDB, 1))
}

// withNull is the rear curve with the null in it: it is often between the lines of
// the test signal, and its place and depth are known.
func withNull(own design.Treated, freq, front, rear []float64) (x, y []float64) {
	if i, _ := slices.BinarySearch(freq, own.NullHz); i > 0 && i < len(freq) {
		return with(freq, rear, own.NullHz, between(freq, front, i, own.NullHz)+own.NullDepthDB)
	}
	return freq, rear
}

// rearOverFront is the same of rear over front.
func rearOverFront(r design.Report) (freqHz, db []float64) {
	for _, v := range r.Own.RejectionDB {
		db = append(db, -v)
	}
	return with(r.Own.FreqHz, db, r.Own.NullHz, r.Own.NullDepthDB)
}

// with puts a point among a curve's, unless there is one or it lies beyond the
// ends. The curve given is left as it is.
func with(x, y []float64, atX, atY float64) ([]float64, []float64) {
	i, there := slices.BinarySearch(x, atX)
	if there || i == 0 || i == len(x) {
		return x, y
	}
	return slices.Insert(slices.Clone(x), i, atX), slices.Insert(slices.Clone(y), i, atY)
}

// owner says whose picture it is.
func owner(site engine.Site, layout string) string {
	if layout == "" {
		return site.Job
	}
	return site.Job + " · " + layout
}

// marked is what the target and the operating range look like in a chart.
func marked(target engine.Target) []paper.Entry {
	var entries []paper.Entry
	if target.NullHz > 0 {
		entries = append(entries, paper.Entry{Line: targetLine, Words: "target " + paper.Hertz(target.NullHz)})
	}
	if target.Range.HighHz > target.Range.LowHz {
		entries = append(entries, paper.Entry{Line: draw.LineStyle{Color: paper.Shade, Width: 10},
			Words: "operating range " + paper.Number(target.Range.LowHz, 0) + " to " + paper.Hertz(target.Range.HighHz)})
	}
	return entries
}

// targetLine is where the target is.
var targetLine = draw.LineStyle{Color: paper.Ink, Width: 1, Dashes: []vg.Length{3, 2}}

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
			return nil, fmt.Errorf("the pressure at %s is not finite", paper.Hertz(c.FreqHz[i]))
		}
		db[i] = engine.DB(cmplx.Abs(p) / zero)
	}
	return db, nil
}

// overFrequency is a chart over logarithmic frequency with the operating range in
// grey and the target as a line.
func overFrequency(freq []float64, target engine.Target) *plot.Plot {
	p := paper.Chart()
	p.X.Min, p.X.Max = freq[0], freq[len(freq)-1]
	p.X.Scale = plot.LogScale{}
	p.X.Label.Text = "frequency / Hz"
	p.X.Tick.Marker = bandHertz(p.X.Min, p.X.Max)
	p.Add(backdrop(target))
	return p
}

// bandHertz marks the frequencies that thirds of an octave are called by, as
// levels are talked about and limits are written; octaves alone bear a label where
// thirds would crowd, and where there are few thirds there are finer bands.
func bandHertz(low, high float64) plot.ConstantTicks {
	fraction, octaves := 3, high > 12*low
	if high < 2*low {
		fraction = 12
	}
	bands, err := band.Within(fraction, low, high)
	if err != nil {
		return nil // an axis was checked before it came here
	}
	var marks plot.ConstantTicks
	for _, b := range bands {
		f := b.NominalHz
		label := strconv.FormatFloat(f, 'f', -1, 64)
		if octaves && b.Number%3 != 0 {
			label = ""
		}
		if f >= low && f <= high {
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
			c.FillPolygon(paper.Shade, paper.Corners(vg.Rectangle{Min: vg.Point{X: across(low), Y: c.Min.Y}, Max: vg.Point{X: across(high), Y: c.Max.Y}}))
		}
		for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
			c.StrokeLine2(paper.Thin(paper.Faint), c.Min.X, up(t.Value), c.Max.X, up(t.Value))
		}
		for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
			if !t.IsMinor() {
				c.StrokeLine2(paper.Thin(paper.Faint), across(t.Value), c.Min.Y, across(t.Value), c.Max.Y)
			}
		}
		if target.NullHz >= p.X.Min && target.NullHz <= p.X.Max {
			c.StrokeLine2(targetLine, across(target.NullHz), c.Min.Y, across(target.NullHz), c.Max.Y)
		}
	}
}

// levels is an axis of dB that holds all the curves, but none below deepestDB.
func levels(p *plot.Plot, label string, curves ...[]float64) {
	low, high := 0.0, 0.0
	for _, db := range curves {
		low, high = math.Min(low, slices.Min(db)), math.Max(high, slices.Max(db))
	}
	const step = 10.0
	p.Y.Min = math.Max(deepestDB, math.Min(-20, step*math.Floor(low/step)))
	p.Y.Max = math.Min(-deepestDB, math.Max(2, step*math.Ceil((high-0.5)/step)))
	p.Y.Label.Text = label
	p.Y.Tick.Marker = paper.Every(p.Y.Min, p.Y.Max, step, func(v float64) string { return paper.Number(v, 0) })
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

// ringAt marks a place of a curve, at the chart's floor if it lies lower.
func ringAt(x float64, xs, ys []float64) plotting {
	return func(c draw.Canvas, p *plot.Plot) {
		across, up := p.Transforms(&c)
		if i, there := slices.BinarySearch(xs, x); there {
			at := vg.Point{X: across(x), Y: max(c.Min.Y, up(ys[i]))}
			c.DrawGlyph(draw.GlyphStyle{Color: paper.Ink, Radius: 5, Shape: draw.RingGlyph{}}, at)
		}
	}
}

// between is y at x, on the straight line that ends at entry i.
func between(xs, ys []float64, i int, x float64) float64 {
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
	p.Y.Tick.Marker = paper.Every(0, 360, 90, func(v float64) string { return paper.Number(v, 0) })
	p.Add(angles(points))
	return p, nil
}

// angles is a line where the array has control and crosses where it has none.
func angles(points plotter.XYs) plotting {
	return func(c draw.Canvas, p *plot.Plot) {
		across, up := p.Transforms(&c)
		var run []vg.Point
		lost := false
		for _, o := range points {
			at := vg.Point{X: across(o.X), Y: up(o.Y)}
			if o.Y < 359.999 {
				run = append(run, at)
				continue
			}
			c.StrokeLines(draw.LineStyle{Color: paper.Ink, Width: 1.5}, c.ClipLinesXY(run)...)
			c.DrawGlyph(draw.GlyphStyle{Color: paper.Ink, Radius: 3, Shape: draw.CrossGlyph{}}, at)
			run, lost = nil, true
		}
		c.StrokeLines(draw.LineStyle{Color: paper.Ink, Width: 1.5}, c.ClipLinesXY(run)...)
		if lost {
			l := paper.Labels{Within: c.Rectangle}
			l.Put(c, paper.Lettering(paper.Small), "× 360°: nowhere 6 dB down", paper.Next(vg.Point{X: c.Max.X, Y: up(325)}, -1, 0, 2))
		}
	}
}

func degrees(o coverage.Opening) float64 { return o.AngleRad * 180 / math.Pi }

// stacked stands charts over each other, the left ends of their axes aligned.
func stacked(charts []*plot.Plot, heights []vg.Length) paper.Block {
	var b paper.Block
	var left vg.Length
	starts := make([]vg.Length, len(charts))
	for i, p := range charts {
		b.Height += heights[i]
		starts[i] = p.DataCanvas(draw.Canvas{Rectangle: vg.Rectangle{Max: vg.Point{X: paper.InnerWidth, Y: heights[i]}}}).Min.X
		left = max(left, starts[i])
	}
	b.Ink = func(c draw.Canvas) {
		top := c.Max.Y
		for i, p := range charts {
			p.Draw(draw.Canvas{Canvas: c.Canvas, Rectangle: vg.Rectangle{
				Min: vg.Point{X: c.Min.X + left - starts[i], Y: top - heights[i]}, Max: vg.Point{X: c.Max.X, Y: top}}})
			top -= heights[i]
		}
	}
	return b
}
