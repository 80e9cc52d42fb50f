package dashboard

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"hushback/cmd/internal/dashboard/figures"
	"hushback/control/preset"
)

// longestName is how many letters the name of a preset may have here; more
// would not fit a phone.
const longestName = 60

// elsewhere is one value that somebody else changed, in words.
type elsewhere struct {
	Output                   int
	Label, Name, Before, Now string
	Seen                     time.Time
}

// elsewheres says what somebody else changed.
func elsewheres(v View) []elsewhere {
	var out []elsewhere
	for _, s := range v.Strange {
		o, _ := v.Site.Output(s.Output)
		out = append(out, elsewhere{s.Output, o.Label, turnName(s.Param), value(s.Param, s.Before), value(s.Param, s.Now), s.Seen})
	}
	return out
}

// stored is a preset made ready for the page.
type stored struct {
	preset.Preset
	Code  string // the start of its ID
	Offer bool   // a dry run of it can be taken

	CanBeSafe bool // it can be made the safe preset
}

func storedOf(p *preset.Preset, offer bool) *stored {
	if p == nil {
		return nil
	}
	return &stored{*p, ShortCode(p.ID()), offer, offer && !reserved(p.Name)}
}

// besides is the presets that stand beside the safe and the as-found one.
func besides(presets []preset.Preset, offer bool) []*stored {
	var out []*stored
	for _, p := range presets {
		if !reserved(p.Name) {
			out = append(out, storedOf(&p, offer))
		}
	}
	return out
}

func reserved(name string) bool { return name == preset.Safe || name == preset.AsFound }

// savePreset stores what stands under the name that the form gives.
func (s *Server) savePreset(ctx context.Context, r *http.Request) error {
	name := strings.Join(strings.Fields(r.PostForm.Get("name")), " ")
	switch {
	case name == "":
		return errors.New("this preset has no name; type one, then store it")
	case reserved(strings.ToLower(name)):
		return fmt.Errorf("%q is a preset of its own; choose another name", strings.ToLower(name))
	case utf8.RuneCountInString(name) > longestName:
		return fmt.Errorf("this name is too long; choose one of at most %d letters", longestName)
	case strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return errors.New("this name has letters that cannot be shown; choose another")
	}
	return s.desk.SavePreset(ctx, name)
}

// agreed refuses a confirm of outputs that cannot be read back, unless the press
// says that this is known.
func agreed(v View, digest string, blind bool) error {
	d := flatten(v.State).DryRun
	if blind || d == nil || d.Digest != digest || len(d.Blind) == 0 {
		return nil
	}
	return fmt.Errorf("%s cannot be read back; tick that you know it, then confirm again", figures.Outputs(d.Blind))
}

// tally is what a list of readings comes to.
type tally struct{ Read, Wrong, Blind int }

func tallyOf(v standing) tally {
	var t tally
	for _, r := range v.Readings {
		switch {
		case r.Blind:
			t.Blind++
		case !r.Same:
			t.Wrong++
		}
	}
	t.Read = len(v.Readings) - t.Blind
	return t
}

// Words says it, for a list of which no value differs.
func (t tally) Words() string {
	var said []string
	if t.Read > 0 {
		said = append(said, fmt.Sprintf("%d values read back, all as wanted", t.Read))
	}
	if t.Blind > 0 {
		said = append(said, fmt.Sprintf("%d sent that cannot be read back", t.Blind))
	}
	return strings.Join(said, "; ")
}

// blindOf is the outputs of readings that cannot be read back, ascending.
func blindOf(st standing) []int {
	var out []int
	for _, r := range st.Readings {
		if r.Blind && !slices.Contains(out, r.Output) {
			out = append(out, r.Output)
		}
	}
	slices.Sort(out)
	return out
}
