package folio

import (
	"bytes"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"math"
	"slices"
	"strconv"
	"strings"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/sfnt"
)

// Paper is what a PDF is printed on.
type Paper string

// The papers.
const (
	A4     Paper = "a4"
	Letter Paper = "letter"
)

// Measures of a page in points.
const (
	marginAside = 48.0
	marginTop   = 48.0
	marginFoot  = 58.0
	sizeTitle   = 17.0
	sizeHead    = 12.5
	sizeText    = 9.5
	sizeTable   = 8.5
	sizeSmall   = 7.5
	leading     = 1.35
	gap         = 7.0
	signTall    = 34.0
	pictureTall = 500.0
	pictureWide = 400.0 // such as it was drawn for, so that its type is as large as ours
)

// shade is a colour from 0 to 255.
type shade struct{ r, g, b int }

var (
	ink  = shade{22, 24, 28}
	soft = shade{74, 79, 87}
	line = shade{185, 190, 198}
	tint = shade{241, 243, 245}
)

// of is the colour of a tone's edge.
func (t Tone) of() shade {
	switch t {
	case Good:
		return shade{0, 105, 92}
	case Bad:
		return shade{163, 38, 10}
	case Care:
		return shade{138, 90, 0}
	}
	return ink
}

// PDF is the document on pages of a paper. A letter that the type does not have
// becomes a question mark.
func PDF(d Document, on Paper) ([]byte, error) {
	sheet := map[Paper]string{A4: "A4", Letter: "Letter"}[on]
	if sheet == "" {
		return nil, fmt.Errorf("paper: got %q, want %s or %s", on, A4, Letter)
	}
	face, err := sfnt.Parse(liberationsansregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("report as PDF: %w", err)
	}
	f := fpdf.New("P", "pt", sheet, "")
	p := &printer{pdf: f, face: face, dots: map[*Picture]image.Image{}}
	p.prepare(d)
	p.title(d)
	for i, s := range d.Sections {
		p.heading(s, i > 0)
		for _, b := range s.Blocks {
			p.block(b)
		}
	}
	var b bytes.Buffer
	if err := f.Output(&b); err != nil {
		return nil, fmt.Errorf("report as PDF: %w", err)
	}
	return b.Bytes(), nil
}

// printer sets a document line by line from the top of a page down.
type printer struct {
	pdf                 *fpdf.Fpdf
	face                *sfnt.Font
	buffer              sfnt.Buffer
	left, right, top, y float64
	foot                float64 // nothing is set below it
	dots                map[*Picture]image.Image
	widths              []int // of the pictures that are there
}

func (p *printer) prepare(d Document) {
	f := p.pdf
	f.SetCatalogSort(true) // the same bytes every time
	f.SetCreationDate(d.Made)
	f.SetModificationDate(d.Made)
	f.SetProducer("hushback", true)
	f.SetTitle(p.clean(d.Title), true)
	f.SetLang("en-GB")
	f.SetDisplayMode("fullwidth", "continuous")
	f.AddUTF8FontFromBytes("sans", "", liberationsansregular.TTF)
	f.AddUTF8FontFromBytes("sans", "B", liberationsansbold.TTF)
	f.SetAutoPageBreak(false, 0)
	f.AliasNbPages("{pages}")
	wide, tall := f.GetPageSize()
	p.left, p.right, p.top, p.foot = marginAside, wide-marginAside, marginTop, tall-marginFoot
	name := p.clean(d.Title)
	f.SetFooterFunc(func() {
		p.type_("", sizeSmall, soft)
		number := "page " + strconv.Itoa(f.PageNo()) + " of {pages}"
		p.put(p.right-f.GetStringWidth(strings.Replace(number, "{pages}", "00", 1)), tall-36, number)
		p.put(p.left, tall-36, p.shortened(name, (p.right-p.left)*0.8))
	})
	p.page()
}

func (p *printer) page() {
	p.pdf.AddPage()
	p.y = p.top
}

// room goes to the next page where so much does not fit below what is set. It
// reports whether it did.
func (p *printer) room(tall float64) bool {
	if p.y+tall <= p.foot || p.y == p.top {
		return false
	}
	p.page()
	return true
}

func (p *printer) type_(style string, size float64, c shade) {
	p.pdf.SetFont("sans", style, size)
	p.pdf.SetTextColor(c.r, c.g, c.b)
}

func (p *printer) put(x, y float64, words string) { p.pdf.Text(x, y, words) }

// clean makes words such as the type can set on one line.
func (p *printer) clean(words string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r':
			return ' '
		case r < ' ' || r == '\u00ad':
			return -1
		}
		if i, err := p.face.GlyphIndex(&p.buffer, r); err != nil || i == 0 || r > 0xffff {
			return '?'
		}
		return r
	}, words)
}

func (p *printer) title(d Document) {
	p.paragraph(d.Title, "B", sizeTitle, ink, 0)
	p.paragraph(d.About, "", sizeText, soft, 0)
	p.y += gap
}

// follows is how much below a heading stays with it: words, and what they lead to.
func (p *printer) follows(s Section) float64 {
	tall := 0.0
	for _, b := range s.Blocks {
		switch {
		case b.Text != "":
			p.type_("", sizeText, ink)
			tall += float64(len(p.wrap(b.Text, p.right-p.left)))*sizeText*leading + gap
			continue
		case b.Picture != nil:
			_, _, all := p.measure(b.Picture)
			tall += all
		case b.Table != nil:
			set, head := p.setting(b.Table)
			tall += set.least(b.Table, head)
		case b.Lines != nil:
			tall += signTall * float64(len(b.Lines))
		default:
			tall += 60
		}
		break
	}
	return math.Min(tall+2*gap, (p.foot-p.top)*0.8)
}

// heading keeps something of what follows below it.
func (p *printer) heading(s Section, further bool) {
	if further {
		p.y += 2 * gap
	}
	p.room(sizeHead*leading + p.follows(s))
	p.pdf.Bookmark(p.clean(s.Heading), 0, p.y)
	p.paragraph(s.Heading, "B", sizeHead, ink, 0)
	p.rule(ink, 1.2)
	p.y += gap
}

func (p *printer) rule(c shade, wide float64) {
	p.pdf.SetDrawColor(c.r, c.g, c.b)
	p.pdf.SetLineWidth(wide)
	p.pdf.Line(p.left, p.y, p.right, p.y)
}

func (p *printer) block(b Block) {
	switch {
	case b.Text != "":
		p.paragraph(b.Text, "", sizeText, ink, 0)
		p.y += gap * 0.7
	case b.Notice != nil:
		p.notice(*b.Notice)
	case b.Table != nil:
		p.table(b.Table)
	case b.Picture != nil:
		p.picture(b.Picture)
	}
	for _, item := range b.List {
		p.item(item)
	}
	for _, words := range b.Lines {
		p.byHand(words)
	}
	if len(b.List) > 0 {
		p.y += gap * 0.5
	}
}

// paragraph sets words over the width of the page. Few lines stay together.
func (p *printer) paragraph(words, style string, size float64, c shade, indent float64) {
	p.type_(style, size, c)
	lines := p.wrap(words, p.right-p.left-indent)
	p.room(size * leading * float64(min(len(lines), 4)))
	for _, l := range lines {
		if p.room(size * leading) {
			p.type_(style, size, c)
		}
		p.y += size * leading
		p.put(p.left+indent, p.y-size*0.35, l)
	}
}

func (p *printer) item(words string) {
	const indent = 11.0
	p.type_("", sizeText, ink)
	p.room(sizeText * leading * float64(min(len(p.wrap(words, p.right-p.left-indent)), 4)))
	p.pdf.SetFillColor(ink.r, ink.g, ink.b)
	p.pdf.Circle(p.left+3, p.y+sizeText*0.75, 1.3, "F")
	p.paragraph(words, "", sizeText, ink, indent)
	p.y += 2.5
}

// notice is a box with an edge in its tone.
func (p *printer) notice(n Notice) {
	const edge, pad = 7.0, 8.0
	inner := p.right - p.left - edge - 2*pad
	var lines []string
	p.type_("", sizeText, ink)
	for _, w := range n.Words {
		lines = append(lines, p.wrap(w, inner)...)
	}
	p.type_("B", sizeHead, ink)
	head := p.wrap(n.Word, inner)
	tall := 2*pad + float64(len(head))*sizeHead*leading + float64(len(lines))*sizeText*leading
	p.room(tall)
	c := n.Tone.of()
	p.pdf.SetFillColor(tint.r, tint.g, tint.b)
	p.pdf.SetDrawColor(c.r, c.g, c.b)
	p.pdf.SetLineWidth(1)
	p.pdf.Rect(p.left, p.y, p.right-p.left, tall, "FD")
	p.pdf.SetFillColor(c.r, c.g, c.b)
	p.pdf.Rect(p.left, p.y, edge, tall, "F")
	y := p.y + pad
	set := func(all []string, style string, size float64) {
		p.type_(style, size, ink)
		for _, l := range all {
			y += size * leading
			p.put(p.left+edge+pad, y-size*0.35, l)
		}
	}
	set(head, "B", sizeHead)
	set(lines, "", sizeText)
	p.y += tall + gap
}

// measure tells how wide and tall a picture becomes, and how tall with its caption;
// one that is too tall for a page is made smaller.
func (p *printer) measure(v *Picture) (wide, tall, all float64) {
	size := p.drawn(v).Bounds()
	p.type_("", sizeTable, soft)
	caption := float64(len(p.wrap(v.Caption, p.right-p.left))) * sizeTable * leading
	wide, most := math.Min(p.right-p.left, pictureWide), math.Min(pictureTall, p.foot-p.top-caption-8*gap)
	tall = wide * float64(size.Dy()) / float64(size.Dx())
	if tall > most {
		wide, tall = wide*most/tall, most
	}
	return wide, tall, tall + caption
}

// drawn is a picture as dots, drawn once. One that cannot be drawn is a dot, and the
// library keeps the error.
func (p *printer) drawn(v *Picture) image.Image {
	if dots, there := p.dots[v]; there {
		return dots
	}
	var b bytes.Buffer
	err := v.PNG(&b)
	var dots image.Image
	if err == nil {
		dots, err = png.Decode(&b)
	}
	if err != nil {
		p.pdf.SetError(fmt.Errorf("picture %q: %w", v.Caption, err))
		dots = image.NewGray(image.Rect(0, 0, 1, 1))
	}
	p.dots[v] = dots
	return dots
}

// picture keeps its caption.
func (p *printer) picture(v *Picture) {
	wide, tall, all := p.measure(v)
	p.room(all)
	dots, wider := p.apart(p.drawn(v))
	var b bytes.Buffer
	if err := png.Encode(&b, dots); err != nil {
		p.pdf.SetError(fmt.Errorf("picture %q: %w", v.Caption, err))
	}
	as, name := fpdf.ImageOptions{ImageType: "PNG"}, "picture "+strconv.Itoa(len(p.widths))
	p.pdf.RegisterImageOptionsReader(name, as, &b)
	p.pdf.ImageOptions(name, (p.left+p.right-wide)/2, p.y, wide*wider, tall, false, as, 0, "")
	p.y += tall
	p.paragraph(v.Caption, "", sizeTable, soft, 0)
	p.y += gap
}

// apart gives a picture that is as wide as one before a white edge at the right. The
// library writes pictures by their widths, and those of one width in any order; the
// same document is to be the same bytes. wider is by which factor the picture grew.
func (p *printer) apart(old image.Image) (grown image.Image, wider float64) {
	size := old.Bounds()
	wide := size.Dx()
	for slices.Contains(p.widths, wide) {
		wide++
	}
	p.widths = append(p.widths, wide)
	sheet := image.NewRGBA(image.Rect(0, 0, wide, size.Dy()))
	draw.Draw(sheet, sheet.Rect, image.White, image.Point{}, draw.Src)
	draw.Draw(sheet, sheet.Rect, old, size.Min, draw.Over)
	return sheet, float64(wide) / float64(size.Dx())
}

// byHand is a line to sign on, and one for the day.
func (p *printer) byHand(words string) {
	const first, day = 110.0, 110.0
	p.room(signTall)
	p.y += signTall
	p.type_("", sizeText, ink)
	p.put(p.left, p.y-3, p.clean(words))
	p.pdf.SetDrawColor(ink.r, ink.g, ink.b)
	p.pdf.SetLineWidth(0.7)
	p.pdf.Line(p.left+first, p.y, p.right-day-12, p.y)
	p.pdf.Line(p.right-day, p.y, p.right, p.y)
}
