package pages

import (
	"bytes"
	"fmt"
	"html/template"
	"io"

	"hushback/cmd/internal/dashboard/tryout"
)

// With is the page with a part of its own for the one who asks, above all that
// follows the daemon.
func (p Page) With(own template.HTML) Page {
	p.Own = own
	return p
}

// Trial is the what-if as HTML: the form and what comes out.
func (p *Painter) Trial(t tryout.Trial) (template.HTML, error) {
	var b bytes.Buffer
	if err := p.templates.ExecuteTemplate(&b, "trial", t); err != nil {
		return "", fmt.Errorf("the what-if: %w", err)
	}
	return template.HTML(b.String()), nil // escaped by its template
}

// WriteOutcome writes what comes out of a wish by itself.
func (p *Painter) WriteOutcome(w io.Writer, o tryout.Outcome) error {
	if err := p.templates.ExecuteTemplate(w, "outcome", o); err != nil {
		return fmt.Errorf("the outcome: %w", err)
	}
	return nil
}
