package picture

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/picture/paper"
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
	var entries []paper.Entry
	for i, r := range c.Reports {
		levels, err := patterns(r.Site, r.Sheet, []float64{r.Site.Target.NullHz})
		if err != nil {
			return nil, fmt.Errorf("%s: %w", c.Names[i], err)
		}
		if err := checkOwn(r.Own); err != nil {
			return nil, fmt.Errorf("%s: %w", c.Names[i], err)
		}
		roses = append(roses, rose{{paper.Line(i), levels[0]}})
		entries = append(entries, paper.Entry{Line: paper.Line(i), Words: fmt.Sprintf("%d %s", i+1, c.Names[i])})
	}
	return paper.Page(paper.Heading("Comparison", c.Reports[0].Site.Job,
		"Circles: patterns far away at the target, dB against the loudest direction. Sum in front: against every output in phase."),
		paper.Legend(entries), roseTiles(c, roses), paper.Legend(marked(common(c))),
		overlaid(c, "rear over front / dB", rearOverFront),
		overlaid(c, "sum in front / dB", func(r design.Report) ([]float64, []float64) { return r.Own.FreqHz, r.Own.SumDB }),
		paper.Table(numbers(c), 36)), nil
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
			return fmt.Errorf("the curves at %s are not finite", paper.Hertz(f))
		}
	}
	return nil
}

// roseTiles is a small pattern for each, in the order of the names.
func roseTiles(c design.Comparison, roses []rose) paper.Block {
	n := 3
	if len(roses) == 2 {
		n = 2
	}
	s := paper.Bold(paper.Lettering(paper.Normal))
	wide := paper.InnerWidth / vg.Length(n)
	tall := min(wide, 150) + paper.Lead(s)
	rows := (len(roses) + n - 1) / n
	return paper.Block{Height: vg.Length(rows) * tall, Ink: func(canvas draw.Canvas) {
		for i, r := range roses {
			left, top := canvas.Min.X+vg.Length(i%n)*wide, canvas.Max.Y-vg.Length(i/n)*tall
			title := fmt.Sprintf("%d · %s", i+1, paper.Hertz(c.Reports[i].Site.Target.NullHz))
			paper.Write(canvas, s, vg.Point{X: left + wide/2, Y: top - paper.Lead(s)/2}, title)
			r.draw(draw.Canvas{Canvas: canvas.Canvas, Rectangle: vg.Rectangle{
				Min: vg.Point{X: left, Y: top - tall}, Max: vg.Point{X: left + wide, Y: top - paper.Lead(s)}}}, false)
		}
	}}
}

// common is the target and the operating range as far as all reports share them.
func common(c design.Comparison) engine.Target {
	target := c.Reports[0].Site.Target
	for _, r := range c.Reports {
		if r.Site.Target.NullHz != target.NullHz {
			target.NullHz = 0
		}
		if r.Site.Target.Range != target.Range {
			target.Range = engine.Band{}
		}
	}
	return target
}

// overlaid is one curve of every report over frequency.
func overlaid(c design.Comparison, label string, curve func(design.Report) (freqHz, db []float64)) paper.Block {
	var freqs, curves [][]float64
	least, most := math.Inf(1), 0.0
	for _, r := range c.Reports {
		freq, db := curve(r)
		freqs, curves = append(freqs, freq), append(curves, db)
		least, most = math.Min(least, freq[0]), math.Max(most, freq[len(freq)-1])
	}
	p := overFrequency([]float64{least, most}, common(c))
	levels(p, label, curves...)
	for i, db := range curves {
		p.Add(series(paper.Line(i), freqs[i], db))
	}
	return stacked([]*plot.Plot{p}, []vg.Length{lowChart})
}

// numbers is a comparison's rows as text, a numbered column for each name.
func numbers(c design.Comparison) [][]string {
	head := []string{"", ""}
	for i := range c.Names {
		head = append(head, fmt.Sprint(i+1))
	}
	texts := [][]string{head}
	for _, row := range c.Rows() {
		cells := []string{"", row.Label + " / " + row.Unit}
		for i := range c.Names {
			cells = append(cells, cell(row, i))
		}
		texts = append(texts, cells)
	}
	return texts
}

// cell is a value as a table has it, a dash where there is none.
func cell(row design.Row, i int) string {
	switch {
	case i >= len(row.Has) || !row.Has[i]:
		return "–"
	case row.Unit == "°":
		return paper.Number(row.Values[i], 0)
	default:
		return paper.Number(row.Values[i], 1)
	}
}
