package folio

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"slices"
	"strings"
)

//go:embed page.html
var page string

// longWord is how long a word may be that is not broken in a cell.
const longWord = 30

// HTML is the document as one page that fetches nothing, for a screen and for paper
// of any size.
func HTML(d Document) ([]byte, error) {
	t, err := template.New("page").Funcs(template.FuncMap{
		"data": func(v *Picture) (template.URL, error) {
			var b bytes.Buffer
			err := v.PNG(&b)
			return template.URL("data:image/png;base64," + base64.StdEncoding.EncodeToString(b.Bytes())), err
		},
		"long": func(cell string) bool {
			return slices.ContainsFunc(strings.Fields(cell), func(word string) bool { return len(word) > longWord })
		},
	}).Parse(page)
	if err != nil {
		return nil, fmt.Errorf("report as HTML: %w", err)
	}
	var b bytes.Buffer
	if err := t.Execute(&b, d); err != nil {
		return nil, fmt.Errorf("report as HTML: %w", err)
	}
	return b.Bytes(), nil
}
