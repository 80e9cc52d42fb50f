package folio

import (
	"math"
	"strings"
	"unicode/utf8"
)

// Room in a table, in points.
const (
	cellAside  = 4.0
	cellUp     = 2.6
	leastType  = 6.0 // no table is set smaller
	staysWhole = 0.3 // of a page: a smaller table is not parted
)

// table sets a table whose rows are never parted, with its head again on every page.
func (p *printer) table(t *Table) {
	s, head := p.setting(t)
	p.room(s.least(t, head))
	if t.Caption != "" {
		p.paragraph(t.Caption, "B", sizeTable, ink, 0)
		p.y += 1
	}
	s.head(head)
	for i, cells := range t.Rows {
		lines, needed := s.lines(cells, ""), 0.0
		switch len(t.Rows) - i { // nobody looks for one row or a note on the next page
		case 2:
			needed = s.tall(s.lines(t.Rows[i+1], "")) + s.noted(t)
		case 1:
			needed = s.noted(t)
		}
		if p.room(s.tall(lines) + needed) {
			s.head(head)
		}
		s.row(lines, "", line, 0.5)
	}
	p.y += gap * 0.5
	if t.Note != "" {
		p.paragraph(t.Note, "", sizeTable, soft, 0)
	}
	p.y += gap
}

// setting finds type and widths for a table, and breaks its head to them.
func (p *printer) setting(t *Table) (s setting, head [][]string) {
	size := sizeTable
	wide, fits := p.columns(t, size)
	for !fits && size > leastType {
		size -= 0.5
		wide, fits = p.columns(t, size)
	}
	s = setting{printer: p, size: size, wide: wide, named: len(t.Head) == 0}
	for i := range wide {
		s.ends = append(s.ends, t.Numeric(i))
	}
	return s, s.lines(t.Head, "B")
}

// least is what of a table has to stay together: all of a small one, else its caption,
// head and first row.
func (s setting) least(t *Table, head [][]string) float64 {
	part, whole := sizeText*leading+s.tall(head), sizeText*leading+s.tall(head)
	for i, cells := range t.Rows {
		tall := s.tall(s.lines(cells, ""))
		if whole += tall; i == 0 {
			part += tall
		}
	}
	if whole += s.noted(t); whole < (s.foot-s.top)*staysWhole {
		return whole
	}
	return part
}

// noted is how tall a table's note is.
func (s setting) noted(t *Table) float64 {
	s.type_("", sizeTable, soft)
	return float64(len(s.wrap(t.Note, s.right-s.left))) * sizeTable * leading
}

// columns shares the width of the page: every column gets its longest word, and what
// is left goes where lines are longest. fits says whether the words fit.
func (p *printer) columns(t *Table, size float64) (wide []float64, fits bool) {
	least, natural := make([]float64, t.columns()), make([]float64, t.columns())
	measure := func(cells []string, style string) {
		for i, cell := range cells {
			p.type_(cellStyle(style, i, len(t.Head) == 0), size, ink)
			cell = p.clean(cell)
			natural[i] = math.Max(natural[i], p.pdf.GetStringWidth(cell)+2*cellAside)
			for _, word := range strings.Split(cell, " ") {
				least[i] = math.Max(least[i], p.pdf.GetStringWidth(word)+2*cellAside)
			}
		}
	}
	measure(t.Head, "B")
	for _, row := range t.Rows {
		measure(row, "")
	}
	room := p.right - p.left
	needed, wanted := sum(least), sum(natural)
	wide = make([]float64, len(least))
	for i := range wide {
		switch {
		case wanted <= room && len(t.Head) == 0:
			wide[i] = natural[i]
		case wanted <= room:
			wide[i] = natural[i] + (room-wanted)/float64(len(wide))
		case needed <= room:
			wide[i] = least[i] + (room-needed)*(natural[i]-least[i])/(wanted-needed)
		}
	}
	if needed > room {
		return broken(least, room), false
	}
	return wide, true
}

// broken shares a width that words are too long for: columns that want less than their
// part get what they want, the others the rest.
func broken(least []float64, room float64) []float64 {
	wide, left, long := make([]float64, len(least)), room, 0.0
	for i, l := range least {
		if part := room / float64(len(least)); l <= part {
			wide[i], left = l, left-l
		} else {
			long++
		}
	}
	for i := range wide {
		if wide[i] == 0 {
			wide[i] = left / long
		}
	}
	return wide
}

func sum(all []float64) (s float64) {
	for _, v := range all {
		s += v
	}
	return s
}

// setting is how one table is set.
type setting struct {
	*printer
	size  float64
	wide  []float64
	ends  []bool // columns that are set to the right
	named bool   // there is no head: the first column is one
}

// cellStyle is the type of a cell in a row of a style.
func cellStyle(style string, column int, named bool) string {
	if named && column == 0 {
		return "B"
	}
	return style
}

// lines are the cells of a row, broken to the widths of their columns.
func (s setting) lines(cells []string, style string) [][]string {
	all := make([][]string, len(cells))
	for i, cell := range cells {
		s.type_(cellStyle(style, i, s.named), s.size, ink)
		all[i] = s.wrap(cell, s.wide[i]-2*cellAside)
	}
	return all
}

func (s setting) tall(cells [][]string) float64 {
	most := 1
	for _, c := range cells {
		most = max(most, len(c))
	}
	return float64(most)*s.size*leading + 2*cellUp
}

// head sets a head, if there is one.
func (s setting) head(cells [][]string) {
	if len(cells) > 0 {
		s.row(cells, "B", ink, 1)
	}
}

// row sets a row and a rule below it.
func (s setting) row(cells [][]string, style string, rule shade, thick float64) {
	tall := s.tall(cells)
	x := s.left
	for i, lines := range cells {
		s.type_(cellStyle(style, i, s.named), s.size, ink)
		y := s.y + cellUp
		for _, l := range lines {
			y += s.size * leading
			at := x + cellAside
			if s.ends[i] {
				at = x + s.wide[i] - cellAside - s.pdf.GetStringWidth(l)
			}
			s.put(at, y-s.size*0.35, l)
		}
		x += s.wide[i]
	}
	s.y += tall
	s.rule(rule, thick)
}

// wrap breaks words into lines no wider than so much in the type that is set. A word
// that is wider by itself is broken between letters.
func (p *printer) wrap(words string, wide float64) []string {
	var lines []string
	now := ""
	for _, word := range strings.Split(p.clean(words), " ") {
		if word == "" {
			continue
		}
		if now != "" && p.pdf.GetStringWidth(now+" "+word) <= wide {
			now += " " + word
			continue
		}
		if now != "" {
			lines = append(lines, now)
		}
		for now = word; now != "" && p.pdf.GetStringWidth(now) > wide; {
			head := p.fitting(now, wide)
			lines, now = append(lines, head), now[len(head):]
		}
	}
	if now != "" {
		lines = append(lines, now)
	}
	return lines
}

// fitting is as much of the beginning of a word as fits, at least a letter.
func (p *printer) fitting(word string, wide float64) string {
	end := 0
	for i, r := range word {
		next := i + utf8.RuneLen(r)
		if end > 0 && p.pdf.GetStringWidth(word[:next]) > wide {
			break
		}
		end = next
	}
	return word[:end]
}

// shortened is words cut to a width.
func (p *printer) shortened(words string, wide float64) string {
	if p.pdf.GetStringWidth(words) <= wide {
		return words
	}
	return p.fitting(words, wide-p.pdf.GetStringWidth("…")) + "…"
}
