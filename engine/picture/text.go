package picture

import (
	"fmt"
	"image/color"
	"math"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
)

// Sizes of type in points. Nothing is smaller than small.
const (
	small  = 9
	normal = 10
	large  = 13
)

// lettering is a style of sans-serif text, centred unless changed.
func lettering(size vg.Length) text.Style {
	return text.Style{
		Color:   ink,
		Font:    font.Font{Typeface: "Liberation", Variant: "Sans", Size: size},
		XAlign:  draw.XCenter,
		YAlign:  draw.YCenter,
		Handler: text.Plain{Fonts: font.DefaultCache},
	}
}

func bold(s text.Style) text.Style {
	s.Font.Weight = xfont.WeightBold
	return s
}

func aligned(s text.Style, x text.XAlignment) text.Style {
	s.XAlign = x
	return s
}

// tinted is a style in another colour.
func tinted(s text.Style, c color.Color) text.Style {
	s.Color = c
	return s
}

// wrapped breaks words into lines no wider than width. A word that is wider by
// itself is broken between letters.
func wrapped(s text.Style, words string, width vg.Length) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(words) {
		for s.Width(word) > width && len([]rune(word)) > 1 {
			var head string
			head, word = split(s, word, width)
			if line != "" {
				lines = append(lines, line)
				line = ""
			}
			lines = append(lines, head)
		}
		if line != "" && s.Width(line+" "+word) > width {
			lines = append(lines, line)
			line = ""
		}
		line = strings.TrimPrefix(line+" "+word, " ")
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// split takes as many letters off a word's head as fit, at least one.
func split(s text.Style, word string, width vg.Length) (head, rest string) {
	letters := []rune(word)
	n := 1
	for n < len(letters)-1 && s.Width(string(letters[:n+1])) <= width {
		n++
	}
	return string(letters[:n]), string(letters[n:])
}

// shortened cuts words to a width and says so with dots.
func shortened(s text.Style, words string, width vg.Length) string {
	letters := []rune(words)
	for n := len(letters); n > 0; n-- {
		fits := string(letters[:n])
		if n < len(letters) {
			fits = strings.TrimSpace(fits) + "…"
		}
		if s.Width(fits) <= width {
			return fits
		}
	}
	return ""
}

// heading is what a picture shows, whose it is, and remarks.
func heading(title, owner string, remarks ...string) block {
	var lines []string
	var styles []text.Style
	add := func(s text.Style, words string) {
		for _, line := range wrapped(s, words, innerWidth) {
			lines, styles = append(lines, line), append(styles, aligned(s, draw.XLeft))
		}
	}
	add(bold(lettering(large)), title)
	add(lettering(normal), owner)
	for _, remark := range remarks {
		add(lettering(small), remark)
	}
	b := block{}
	for _, s := range styles {
		b.height += lead(s)
	}
	b.ink = func(c draw.Canvas) {
		y := c.Max.Y
		for i, s := range styles {
			c.FillText(s, vg.Point{X: c.Min.X, Y: y - lead(s)/2}, lines[i])
			y -= lead(s)
		}
	}
	return b
}

// lead is the distance from one line of text to the next.
func lead(s text.Style) vg.Length { return s.Font.Size * 1.3 }

// owner says whose picture it is.
func owner(site engine.Site, layout string) string {
	if layout == "" {
		return site.Job
	}
	return site.Job + " · " + layout
}

// number is a value with the minus sign of print, and never -0.
func number(v float64, digits int) string {
	s := fmt.Sprintf("%.*f", digits, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// hertz has a digit after the point only where it says something.
func hertz(v float64) string { return strings.TrimSuffix(number(v, 1), ".0") + " Hz" }

// every marks an axis at multiples of step, ends included.
func every(low, high, step float64, label func(float64) string) plot.ConstantTicks {
	var marks plot.ConstantTicks
	for k := math.Ceil(low/step - 1e-9); k <= math.Floor(high/step+1e-9); k++ {
		marks = append(marks, plot.Tick{Value: k * step, Label: label(k * step)})
	}
	return marks
}

// roundStep is the least of 1, 2, 5 times a power of ten that divides span into at most
// most steps.
func roundStep(span float64, most int) float64 {
	power := math.Pow(10, math.Floor(math.Log10(span/float64(most))))
	for _, m := range []float64{1, 2, 5} {
		if span/(m*power) <= float64(most)+1e-9 {
			return m * power
		}
	}
	return 10 * power
}

// labels keeps names from covering each other.
type labels struct {
	within vg.Rectangle
	taken  []vg.Rectangle
}

// put writes words, on a veil of paper, at the first of the places where they are
// free; nowhere if there is none. Places are centres; side is how far the words
// stand beside the place: -1 left of it, 1 right of it, 0 on it.
func (l *labels) put(c draw.Canvas, s text.Style, words string, places ...place) bool {
	half := vg.Point{X: s.Width(words)/2 + 2, Y: lead(s) / 2}
	for _, p := range places {
		at := vg.Point{X: p.at.X + p.across*(half.X+p.gap), Y: p.at.Y + p.up*(half.Y+p.gap)}
		box := vg.Rectangle{Min: at.Sub(half), Max: at.Add(half)}
		if !l.free(box) {
			continue
		}
		l.taken = append(l.taken, box)
		c.FillPolygon(veil, corners(box))
		c.FillText(s, at, words)
		return true
	}
	return false
}

// place is where words may stand: at a point, or beside it in the direction
// across (1 right, -1 left) and up (1 above, -1 below).
type place struct {
	at         vg.Point
	across, up vg.Length
	gap        vg.Length
}

// beside lists the places around a mark of a size.
func beside(at vg.Point, gap vg.Length) []place {
	return []place{{at, 1, 0, gap}, {at, -1, 0, gap}, {at, 0, 1, gap}, {at, 0, -1, gap},
		{at, 1, 1, gap}, {at, -1, 1, gap}, {at, 1, -1, gap}, {at, -1, -1, gap}}
}

func (l *labels) free(box vg.Rectangle) bool {
	if box.Min.X < l.within.Min.X || box.Max.X > l.within.Max.X || box.Min.Y < l.within.Min.Y || box.Max.Y > l.within.Max.Y {
		return false
	}
	for _, t := range l.taken {
		if box.Min.X < t.Max.X && t.Min.X < box.Max.X && box.Min.Y < t.Max.Y && t.Min.Y < box.Max.Y {
			return false
		}
	}
	return true
}

// reserve keeps a square around a mark free.
func (l *labels) reserve(at vg.Point, half vg.Length) {
	d := vg.Point{X: half, Y: half}
	l.taken = append(l.taken, vg.Rectangle{Min: at.Sub(d), Max: at.Add(d)})
}

func corners(r vg.Rectangle) []vg.Point {
	return []vg.Point{r.Min, {X: r.Max.X, Y: r.Min.Y}, r.Max, {X: r.Min.X, Y: r.Max.Y}}
}
