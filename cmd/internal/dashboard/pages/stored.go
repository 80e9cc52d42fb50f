package pages

import (
	"fmt"
	"strings"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/control/preset"
	"hushback/engine"
)

// elsewhere is one value that somebody else changed, in words.
type elsewhere struct {
	Output                   int
	Label, Name, Before, Now string
	Seen                     time.Time
}

// elsewheres says what somebody else changed.
func elsewheres(v desk.View) []elsewhere {
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

	Against []string // where it differs from the safe preset; nil for that itself, and without one
	Same    bool     // it does not differ from it
}

func storedOf(p *preset.Preset, offer bool) *stored {
	if p == nil {
		return nil
	}
	return &stored{Preset: *p, Code: desk.ShortCode(p.ID()), Offer: offer, CanBeSafe: offer && !reserved(p.Name)}
}

// compare sets a preset against the safe one, output by output.
func (s *stored) compare(safe *preset.Preset) {
	if s == nil || safe == nil || s.Name == preset.Safe {
		return
	}
	for _, d := range preset.Compare(*safe, s.Preset) {
		s.Against = append(s.Against, figures.Outputs([]int{d.Output})+": "+settingWords(d.A)+" → "+settingWords(d.B))
	}
	s.Same = len(s.Against) == 0
}

// settingWords says a setting on one line.
func settingWords(s *engine.Setting) string {
	if s == nil {
		return "not in it"
	}
	words := figures.Ms(s.DelaySec) + ", " + figures.DB(s.GainDB) + ", polarity " + sayPolarity(s.Polarity)
	if s.Muted {
		words += ", muted"
	}
	return words
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

// tally is what a list of readings comes to.
type tally struct{ Read, Wrong, Blind int }

func tallyOf(v desk.Standing) tally {
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
