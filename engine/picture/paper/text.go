package paper

import (
	"fmt"
	"image/color"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Sizes of type in points. Nothing is smaller than small.
const (
	Small  = 9
	Normal = 10
	large  = 13
)

// Lettering is a style of sans-serif text, centred unless changed.
func Lettering(size vg.Length) text.Style {
	return text.Style{
		Color:   Ink,
		Font:    font.Font{Typeface: "Liberation", Variant: "Sans", Size: size},
		XAlign:  draw.XCenter,
		YAlign:  draw.YCenter,
		Handler: text.Plain{Fonts: font.DefaultCache},
	}
}

// Bold is a style in bold.
func Bold(s text.Style) text.Style {
	s.Font.Weight = xfont.WeightBold
	return s
}

// Aligned is a style that starts, is centred or ends at its place.
func Aligned(s text.Style, x text.XAlignment) text.Style {
	s.XAlign = x
	return s
}

// Tinted is a style in another colour.
func Tinted(s text.Style, c color.Color) text.Style {
	s.Color = c
	return s
}

// wrapped breaks words into lines no wider than width. A word that is wider by
// itself is broken between letters.
func wrapped(s text.Style, words string, width vg.Length) []string {
	var lines []string
	line := ""
	for _, word := range strings.FieldsFunc(words, func(r rune) bool { return r == ' ' || r == '\n' }) {
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

// Heading is what a picture shows, whose it is, and remarks.
func Heading(title, owner string, remarks ...string) Block {
	var lines []string
	var styles []text.Style
	add := func(s text.Style, words string) {
		for _, line := range wrapped(s, words, InnerWidth) {
			lines, styles = append(lines, line), append(styles, Aligned(s, draw.XLeft))
		}
	}
	add(Bold(Lettering(large)), title)
	add(Lettering(Normal), owner)
	for _, remark := range remarks {
		add(Lettering(Small), remark)
	}
	b := Block{}
	for _, s := range styles {
		b.Height += Lead(s)
	}
	b.Ink = func(c draw.Canvas) {
		y := c.Max.Y
		for i, s := range styles {
			Write(c, s, vg.Point{X: c.Min.X, Y: y - Lead(s)/2}, lines[i])
			y -= Lead(s)
		}
	}
	return b
}

// Lead is the distance from one line of text to the next.
func Lead(s text.Style) vg.Length { return s.Font.Size * 1.3 }

// Number is a value with the minus sign of print, and never -0.
func Number(v float64, digits int) string {
	s := fmt.Sprintf("%.*f", digits, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// Hertz has a digit after the point only where it says something, and never
// leaves its unit behind at the end of a line.
func Hertz(v float64) string { return strings.TrimSuffix(Number(v, 1), ".0") + "\u00a0Hz" }

// Write puts words with their middle, not that of their box, at a place.
func Write(c draw.Canvas, s text.Style, at vg.Point, words string) {
	lift := s.Font.Size * 0.12
	if s.Rotation == 0 {
		at.Y += lift
	} else {
		at.X -= lift
	}
	c.FillText(s, at, words)
}
