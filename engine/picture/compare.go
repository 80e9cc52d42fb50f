package picture

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
	"hushback/engine/design"
)

// mostCompared is how many layouts or treatments fit on one sheet.
const mostCompared = 6

// Comparison draws two to six layouts or treatments on one sheet: the pattern of
// each at its target, rear over front and the sum in front of all of them over
// frequency, and the numbers as a table. A line keeps its style throughout.
//
// Errors: fewer than two or more than six, an array that is silent, curves that are
// not there or not finite, and what field.FarField refuses; each with its name.
func Comparison(c design.Comparison) (*Drawing, error) {
	d, err := comparison(c)
	if err != nil {
		return nil, fmt.Errorf("drawing a comparison: %w", err)
	}
	return d, nil
}

func comparison(c design.Comparison) (*Drawing, error) {
	n := len(c.Reports)
	if n < 2 || n > mostCompared || len(c.Names) != n {
		return nil, fmt.Errorf("got %d names and %d reports, want as many of both, 2 to %d", len(c.Names), n, mostCompared)
	}
	var roses []rose
	var entries []entry
	for i, r := range c.Reports {
		levels, err := patterns(r.Site, r.Sheet, []float64{r.Site.Target.NullHz})
		if err != nil {
			return nil, fmt.Errorf("%s: %w", c.Names[i], err)
		}
		if err := checkOwn(r.Own); err != nil {
			return nil, fmt.Errorf("%s: %w", c.Names[i], err)
		}
		roses = append(roses, rose{{line(i), levels[0]}})
		entries = append(entries, entry{line(i), fmt.Sprintf("%d %s", i+1, c.Names[i])})
	}
	return page(heading("Comparison", c.Reports[0].Site.Job,
		"Circles: patterns far away at the target, dB against the loudest direction. Grey: operating range."),
		legend(entries), roseTiles(c, roses),
		overlaid(c, "rear over front / dB", -50, 10, 10, func(t design.Treated, i int) float64 { return -t.RejectionDB[i] }),
		overlaid(c, "front, below all in phase / dB", -24, 2, 6, func(t design.Treated, i int) float64 { return t.SumDB[i] }),
		table(c.Rows(), n)), nil
}

func checkOwn(t design.Treated) error {
	if err := checkAxis(t.FreqHz); err != nil {
		return err
	}
	if len(t.RejectionDB) != len(t.FreqHz) || len(t.SumDB) != len(t.FreqHz) {
		return fmt.Errorf("there are %d frequencies, %d rejections and %d sums", len(t.FreqHz), len(t.RejectionDB), len(t.SumDB))
	}
	for i, f := range t.FreqHz {
		if v := t.RejectionDB[i] + t.SumDB[i]; math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("the curves at %s are not finite", hertz(f))
		}
	}
	return nil
}

// roseTiles is a small pattern for each, in the order of the names.
func roseTiles(c design.Comparison, roses []rose) block {
	n := 3
	if len(roses) == 2 {
		n = 2
	}
	s := bold(lettering(normal))
	wide := innerWidth / vg.Length(n)
	tall := min(wide, 150) + lead(s)
	rows := (len(roses) + n - 1) / n
	return block{vg.Length(rows) * tall, func(canvas draw.Canvas) {
		for i, r := range roses {
			left, top := canvas.Min.X+vg.Length(i%n)*wide, canvas.Max.Y-vg.Length(i/n)*tall
			title := fmt.Sprintf("%d · %s", i+1, hertz(c.Reports[i].Site.Target.NullHz))
			canvas.FillText(s, vg.Point{X: left + wide/2, Y: top - lead(s)/2}, title)
			r.draw(draw.Canvas{Canvas: canvas.Canvas, Rectangle: vg.Rectangle{
				Min: vg.Point{X: left, Y: top - tall}, Max: vg.Point{X: left + wide, Y: top - lead(s)}}}, false)
		}
	}}
}

// overlaid is one curve of every report over frequency. The range and the target
// are marked where they are the same for all.
func overlaid(c design.Comparison, label string, low, high, step float64, value func(design.Treated, int) float64) block {
	least, most := math.Inf(1), 0.0
	target := c.Reports[0].Site.Target
	for _, r := range c.Reports {
		least, most = math.Min(least, r.Own.FreqHz[0]), math.Max(most, r.Own.FreqHz[len(r.Own.FreqHz)-1])
		if r.Site.Target.NullHz != target.NullHz {
			target.NullHz = 0
		}
		if r.Site.Target.Range != target.Range {
			target.Range = engine.Band{}
		}
	}
	p := overFrequency([]float64{least, most}, target)
	p.Y.Min, p.Y.Max = low, high
	p.Y.Label.Text = label
	p.Y.Tick.Marker = every(low, high, step, func(v float64) string { return number(v, 0) })
	for i, r := range c.Reports {
		values := make([]float64, len(r.Own.FreqHz))
		for k := range values {
			values[k] = value(r.Own, k)
		}
		p.Add(series(line(i), r.Own.FreqHz, values))
	}
	return stacked([]*plot.Plot{p}, []vg.Length{flatChart})
}

// table is the rows of a comparison, a numbered column for each name.
func table(rows []design.Row, n int) block {
	s := lettering(small)
	const column = 36
	step := lead(s)
	wide := innerWidth - vg.Length(n)*column
	type text struct {
		lines  []string
		values []string
	}
	texts := []text{{[]string{""}, nil}}
	lines := 1
	for i := range n {
		texts[0].values = append(texts[0].values, fmt.Sprint(i+1))
	}
	for _, row := range rows {
		t := text{lines: wrapped(s, row.Label+" / "+row.Unit, wide-6)}
		for i := range row.Values {
			t.values = append(t.values, cell(row, i))
		}
		texts = append(texts, t)
		lines += len(t.lines)
	}
	return block{vg.Length(lines)*step + vg.Length(len(texts))*2, func(c draw.Canvas) {
		y := c.Max.Y
		for k, t := range texts {
			style := s
			if k == 0 {
				style = bold(s)
			}
			for i, v := range t.values {
				c.FillText(aligned(style, draw.XRight), vg.Point{X: c.Min.X + wide + vg.Length(i+1)*column, Y: y - step/2}, v)
			}
			for _, words := range t.lines {
				c.FillText(aligned(style, draw.XLeft), vg.Point{X: c.Min.X, Y: y - step/2}, words)
				y -= step
			}
			y -= 2
			c.StrokeLine2(thin(faint), c.Min.X, y+1, c.Max.X, y+1)
		}
	}}
}

// cell is a value as a table has it, a dash where there is none.
func cell(row design.Row, i int) string {
	switch {
	case i >= len(row.Has) || !row.Has[i]:
		return "–"
	case row.Unit == "°":
		return number(row.Values[i], 0)
	default:
		return number(row.Values[i], 1)
	}
}
