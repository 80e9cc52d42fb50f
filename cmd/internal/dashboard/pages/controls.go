package pages

import (
	"bytes"
	"fmt"

	"hushback/cmd/internal/dashboard/access"
	"hushback/cmd/internal/figures"
)

// Seat is where somebody sits who looks at a page: who it is, and who holds the
// controls.
type Seat struct {
	Who      access.Visitor
	Controls access.Controls
}

// controlsID is the part that shows a Seat: the only one that is not the same for
// everybody.
const controlsID = "controls"

// Holds reports whether this visitor's phone holds the controls.
func (s Seat) Holds() bool { return s.Controls.Held && s.Controls.Holder.Name == s.Who.Name }

// Headline says who holds the controls, as this visitor sees it.
func (s Seat) Headline() string {
	switch holder := figures.Capital(s.Controls.Holder.Name); {
	case s.Holds():
		return "You hold the controls"
	case !s.Controls.Held:
		return "Nobody holds the controls"
	case s.Controls.Silent:
		return holder + " holds the controls, but is not heard"
	default:
		return holder + " holds the controls"
	}
}

// Came says how the controls came to where they are, a sentence or "".
func (s Seat) Came() string {
	c := s.Controls
	switch at := clock(c.Since); {
	case c.From == "":
		return ""
	case !c.Held:
		return fmt.Sprintf("%s let go of them, or its pairing ended, at %s.", figures.Capital(c.From), at)
	case c.From == s.Who.Name:
		return fmt.Sprintf("%s took them over from you at %s.", figures.Capital(c.Holder.Name), at)
	case s.Holds():
		return fmt.Sprintf("You took them over from %s at %s.", c.From, at)
	default:
		return fmt.Sprintf("It took them over from %s at %s.", c.From, at)
	}
}

// Others says how many look on, from where this visitor sits.
func (s Seat) Others() string {
	n := s.Controls.Viewers
	if !s.Holds() && !s.Who.Program {
		n-- // this one
	}
	switch {
	case n <= 0:
		return ""
	case n == 1:
		return "One other phone looks on."
	default:
		return fmt.Sprintf("%d other phones look on.", n)
	}
}

// paintControls is the HTML of a Seat.
func (p *Painter) paintControls(s Seat) (string, error) {
	var b bytes.Buffer
	if err := p.templates.ExecuteTemplate(&b, controlsID, s); err != nil {
		return "", fmt.Errorf("part %q of the page: %w", controlsID, err)
	}
	return b.String(), nil
}
