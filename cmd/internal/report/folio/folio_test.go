package folio

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// dots draws a picture of a size.
func dots(wide, tall int) func(io.Writer) error {
	return func(w io.Writer) error {
		m := image.NewGray(image.Rect(0, 0, wide, tall))
		m.Set(1, 1, color.White)
		return png.Encode(w, m)
	}
}

// sample has one of everything, and what somebody may write into a site file.
func sample() Document {
	return Document{
		Title: `Grün & Söhne <script>alert(1)</script>, Łódź`, About: "an invented job", Made: time.Date(2026, 7, 4, 21, 0, 0, 0, time.UTC),
		Sections: []Section{
			{Heading: "Words", Blocks: []Block{
				{Text: "−3.0 dB ± 0.5° at 48 Hz, ≤ 1.2 × more → less, Ω and “quotes”…"}, {List: []string{"first thing", "second thing"}},
				{Notice: &Notice{Tone: Bad, Word: "Refuted", Words: []string{"It is not so.", "Look again."}}},
			}},
			{Heading: "Numbers", Blocks: []Block{
				{Table: &Table{Caption: "Levels", Head: []string{"Name", "Level"}, Rows: [][]string{{"rear", "−7.8 dB"}, {`"><img src=http://example.invalid/x>`, "0.0 dB"}}, Note: "none is muted"}},
				{Table: &Table{Rows: [][]string{{"Digest", strings.Repeat("0123456789abcdef", 4)}, {"Job", "nothing"}}}},
			}},
			{Heading: "Pictures", Blocks: []Block{{Picture: &Picture{Caption: "A dot.", Alt: "One white dot on black.", PNG: dots(80, 40)}}}},
			{Heading: "Signed", Blocks: []Block{{Lines: []string{"Set up by", "Agreed by"}}}},
		},
	}
}

// element is a tag of a page.
type element struct {
	name string
	attr map[string]string
}

// parsed reads a page by a parser that knows nothing of templates: its tags, and the
// words that are shown.
func parsed(t *testing.T, page []byte) (tags []element, words []string) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	var within []string
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return tags, words
		}
		if err != nil {
			t.Fatal(err)
		}
		switch v := token.(type) {
		case xml.StartElement:
			e := element{v.Name.Local, map[string]string{}}
			for _, a := range v.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			tags, within = append(tags, e), append(within, v.Name.Local)
		case xml.EndElement:
			within = within[:len(within)-1]
		case xml.CharData:
			if !slices.Contains(within, "head") {
				words = append(words, strings.Fields(string(v))...)
			}
		}
	}
}

func pdf(t *testing.T, d Document, on Paper) string {
	t.Helper()
	text, err := PDF(d, on)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "report.pdf")
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// told is what a program says of a file.
func told(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).Output()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return string(out)
}

// printed are the words of a PDF without the line at the foot of each page.
func printed(t *testing.T, path string) []string {
	t.Helper()
	foot := regexp.MustCompile(`(?m)^.*page \d+ of \d+$`)
	return strings.Fields(foot.ReplaceAllString(told(t, "pdftotext", "-layout", path, "-"), ""))
}

// letters are words run together: a line may be broken inside a long word.
func letters(words []string) map[rune]int {
	count := map[rune]int{}
	for _, r := range strings.Join(words, "") {
		count[r]++
	}
	return count
}

func TestPageNeedsNothingElse(t *testing.T) {
	page, err := HTML(sample())
	if err != nil {
		t.Fatal(err)
	}
	tags, words := parsed(t, page)
	var headings []string
	for _, e := range tags {
		for name, value := range e.attr {
			if inside := strings.HasPrefix(value, "data:image/png;base64,"); (name == "src" && !inside) || name == "href" || strings.HasPrefix(name, "on") {
				t.Errorf("<%s %s=%q>", e.name, name, value)
			}
		}
		switch e.name {
		case "img":
			if e.attr["alt"] != "One white dot on black." {
				t.Errorf("a picture is said to be %q", e.attr["alt"])
			}
		case "script", "link", "iframe", "object", "form":
			t.Errorf("there is a <%s>", e.name)
		}
		if regexp.MustCompile(`^h[1-6]$`).MatchString(e.name) {
			headings = append(headings, e.name)
		}
	}
	if strings.Join(headings, " ") != "h1 h2 h2 h2 h2" {
		t.Errorf("headings %v", headings)
	}
	if bytes.Contains(page, []byte("url(")) || bytes.Contains(page, []byte("@import")) {
		t.Error("its style fetches something")
	}
	said := strings.Join(words, " ")
	for _, want := range []string{`Grün & Söhne <script>alert(1)</script>, Łódź`, "−3.0 dB ± 0.5°", "Refuted It is not so.", `"><img src=http://example.invalid/x>`, "none is muted", "Set up by"} {
		if !strings.Contains(said, want) {
			t.Errorf("it does not say %q:\n%s", want, said)
		}
	}
}

// Both writers say the same words, letter by letter, whatever the paper.
func TestPaperSaysWhatThePageSays(t *testing.T) {
	d := sample()
	page, err := HTML(d)
	if err != nil {
		t.Fatal(err)
	}
	_, words := parsed(t, page)
	for paper, size := range map[Paper]string{A4: "595.28 x 841.89 pts (A4)", Letter: "612 x 792 pts (letter)"} {
		path := pdf(t, d, paper)
		if got, want := letters(printed(t, path)), letters(words); !maps.Equal(got, want) {
			t.Errorf("%s: letters differ:\n%v\n%v", paper, printed(t, path), words)
		}
		if info := told(t, "pdfinfo", path); !strings.Contains(info, size) || !strings.Contains(info, "Grün & Söhne") {
			t.Errorf("%s: %s", paper, info)
		}
		for i, l := range strings.Split(strings.TrimSpace(told(t, "pdffonts", path)), "\n") {
			if fields := strings.Fields(l); i > 1 && fields[len(fields)-5] != "yes" {
				t.Errorf("%s: a font is not embedded: %s", paper, l)
			}
		}
	}
}

func TestSameDocumentSameBytes(t *testing.T) {
	d := sample()
	for i := range 6 {
		d.Sections = append(d.Sections, Section{Heading: "Again", Blocks: []Block{{Picture: &Picture{Caption: "c", Alt: "a", PNG: dots(80, 40+i)}}}})
	}
	page, _ := HTML(d)
	paper, err := PDF(d, A4)
	for range 3 {
		again, _ := HTML(d)
		twice, err2 := PDF(d, A4)
		if err != nil || err2 != nil || !bytes.Equal(page, again) || !bytes.Equal(paper, twice) {
			t.Fatalf("the same document made something else (%v, %v)", err, err2)
		}
	}
}

// Rows are never parted, the head stands on every page, and every cell is there.
func TestRowsStayWhole(t *testing.T) {
	table := Table{Caption: "Many", Head: []string{"Number", "Headword", "Words"}, Note: "lastnote"}
	for i := range 150 {
		table.Rows = append(table.Rows, []string{fmt.Sprint(i), fmt.Sprintf("begin%d", i), strings.Repeat("several words to fill some lines ", 1+i%9) + fmt.Sprintf("end%d", i)})
	}
	path := pdf(t, Document{Title: "Rows", Made: time.Unix(0, 0), Sections: []Section{{Heading: "All", Blocks: []Block{{Table: &table}}}}}, Letter)
	pages := strings.Split(strings.TrimSuffix(told(t, "pdftotext", "-layout", path, "-"), "\f"), "\f")
	if len(pages) < 5 {
		t.Fatalf("%d pages", len(pages))
	}
	found := 0
	for n, page := range pages {
		if strings.Count(page, "Headword") != 1 {
			t.Errorf("page %d has %d heads", n+1, strings.Count(page, "Headword"))
		}
		words := strings.Fields(page)
		for i := range table.Rows {
			begin, end := slices.Contains(words, fmt.Sprintf("begin%d", i)), slices.Contains(words, fmt.Sprintf("end%d", i))
			if begin != end {
				t.Errorf("row %d is parted on page %d", i, n+1)
			}
			if begin {
				found++
			}
		}
	}
	if last := pages[len(pages)-1]; found != len(table.Rows) || !strings.Contains(last, "lastnote") || !strings.Contains(last, "end149") {
		t.Errorf("%d of %d rows are there, and the last page is\n%s", found, len(table.Rows), last)
	}
}

// A heading and what introduces a picture stand on the page of the picture, and a
// picture of any shape fits.
func TestPicturesFit(t *testing.T) {
	var d Document
	for i, size := range [][2]int{{30, 900}, {900, 30}, {300, 300}, {300, 500}, {300, 500}} {
		d.Sections = append(d.Sections, Section{Heading: fmt.Sprintf("heading%d", i), Blocks: []Block{
			{Text: "It shows this:"}, {Picture: &Picture{Caption: fmt.Sprintf("caption%d", i), Alt: "x", PNG: dots(size[0], size[1])}}}})
	}
	path := pdf(t, d, Letter)
	for n, page := range strings.Split(told(t, "pdftotext", path, "-"), "\f") {
		for i := range d.Sections {
			if heading, caption := strings.Contains(page, fmt.Sprintf("heading%d", i)), strings.Contains(page, fmt.Sprintf("caption%d", i)); heading != caption {
				t.Errorf("page %d parts picture %d from its heading", n+1, i)
			}
		}
	}
	if list := told(t, "pdfimages", "-list", path); strings.Count(list, " rgb ") != 5 {
		t.Errorf("pictures:\n%s", list)
	}
	for _, c := range []struct {
		want string
		draw func(io.Writer) error
	}{
		{"no ink", func(io.Writer) error { return errors.New("no ink") }},
		{"not a PNG", func(w io.Writer) error { _, err := w.Write([]byte("no picture")); return err }},
	} {
		bad := Document{Sections: []Section{{Blocks: []Block{{Picture: &Picture{Caption: "It", PNG: c.draw}}}}}}
		if _, err := PDF(bad, A4); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.want, err)
		}
	}
	if _, err := PDF(Document{}, "a5"); err == nil || !strings.Contains(err.Error(), "a4 or letter") {
		t.Errorf("another paper: %v", err)
	}
}

// What no type has, and what no line holds, spoils nothing else.
func TestAwkwardWords(t *testing.T) {
	long := strings.Repeat("Pneumonoultramicroscopic", 20)
	d := Document{Title: "日本 \U0001f3a4 tab\there\x00\x07", Sections: []Section{{Heading: long, Blocks: []Block{
		{Text: long}, {Table: &Table{Head: []string{"a", "b", "c"}, Rows: [][]string{{long, "", long}, {"x", "", ""}}}},
		{Table: &Table{Head: []string{"nothing"}}}, {Table: &Table{}}, {},
	}}}}
	path := pdf(t, d, A4)
	said := strings.Join(printed(t, path), "")
	if !strings.HasPrefix(said, "???tabhere") || strings.Count(said, "Pneumono") < 40 {
		t.Errorf("it says %s", said)
	}
	if _, err := HTML(d); err != nil {
		t.Error(err)
	}
}

func TestNumericColumns(t *testing.T) {
	table := Table{Head: []string{"a", "b", "c", "d", "e", "f"}, Rows: [][]string{
		{"−3.0 dB", "rear", "∞ dB", "", "+0.1 Hz", "24 datagrams went out to 4 outputs."}, {"12", "3", "−∞ to 2", "", "none", "1"}, {"", "4", "–", "", "1.75 m left", "2"},
	}}
	for i, want := range []bool{true, false, true, false, true, false} {
		if table.Numeric(i) != want {
			t.Errorf("column %s: numeric %v", table.Head[i], !want)
		}
	}
}
