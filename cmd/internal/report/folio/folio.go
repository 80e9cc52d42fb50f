// Package folio is a document of words, tables and pictures, and its two writers: one
// page of HTML that needs nothing else, and PDF. Both say the same. It knows nothing
// of what it is about.
//
// The package is pure: the same document gives the same bytes.
package folio

import (
	"io"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Document is what is written.
type Document struct {
	Title    string    `json:"title"`
	About    string    `json:"about"` // a line below the title
	Made     time.Time `json:"made"`  // what a file's own properties say, in place of a clock
	Sections []Section `json:"sections"`
}

// Section is a heading and what stands below it.
type Section struct {
	Heading string  `json:"heading"`
	Blocks  []Block `json:"blocks"`
}

// Block is one thing of a section: the one of its fields that is not empty.
type Block struct {
	Text    string   `json:"text,omitempty"`
	List    []string `json:"list,omitempty"`
	Notice  *Notice  `json:"notice,omitempty"`
	Table   *Table   `json:"table,omitempty"`
	Picture *Picture `json:"picture,omitempty"`
	Lines   []string `json:"lines,omitempty"` // each to be filled in by hand
}

// Tone is how a notice looks. Its words say the same: nothing is said by colour alone.
type Tone string

// The tones.
const (
	Plain Tone = "plain"
	Good  Tone = "good"
	Bad   Tone = "bad"
	Care  Tone = "care"
)

// Notice is what must not be overlooked.
type Notice struct {
	Tone  Tone     `json:"tone"`
	Word  string   `json:"word"` // that stands out
	Words []string `json:"words"`
}

// Table has a head and rows, all of one length. A column of numbers is set to the right.
// Without a head it is names and what they stand for: the first column names the rest.
type Table struct {
	Caption string     `json:"caption,omitempty"`
	Head    []string   `json:"head,omitempty"`
	Rows    [][]string `json:"rows"`
	Note    string     `json:"note,omitempty"`
}

// Picture is a drawing with what it shows in words. It is not drawn before somebody
// writes it.
type Picture struct {
	Caption string                `json:"caption"`
	Alt     string                `json:"alternative"`
	PNG     func(io.Writer) error `json:"-"` // writes the same every time
}

// Add puts blocks at the end of a section.
func (s *Section) Add(blocks ...Block) { s.Blocks = append(s.Blocks, blocks...) }

// Say adds a paragraph, unless there is nothing to say.
func (s *Section) Say(words string) {
	if words != "" {
		s.Add(Block{Text: words})
	}
}

// Tabulate adds a table whose first line is its head, unless there is none but that.
func (s *Section) Tabulate(caption string, lines [][]string, note string) {
	if len(lines) > 1 {
		s.Add(Block{Table: &Table{Caption: caption, Head: lines[0], Rows: lines[1:], Note: note}})
	}
}

// columns counts them.
func (t *Table) columns() int {
	if len(t.Head) > 0 || len(t.Rows) == 0 {
		return len(t.Head)
	}
	return len(t.Rows[0])
}

// longNumber is how long a number with its unit and another one may be.
const longNumber = 28

// Numeric reports whether a column holds numbers: each of its cells that says
// something is short and begins with a digit, or with a sign and a digit.
func (t *Table) Numeric(column int) bool {
	some := false
	if len(t.Head) == 0 {
		return false
	}
	for _, row := range t.Rows {
		cell := strings.TrimLeft(row[column], "−+±")
		if row[column] == "" || row[column] == "–" || row[column] == "none" {
			continue
		}
		if first, _ := utf8.DecodeRuneInString(cell); !unicode.IsDigit(first) && first != '∞' || utf8.RuneCountInString(cell) > longNumber {
			return false
		}
		some = true
	}
	return some
}
