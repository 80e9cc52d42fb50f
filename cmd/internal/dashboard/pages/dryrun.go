package pages

import (
	"fmt"
	"strings"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/control/processor"
	"hushback/engine"
)

// line is one parameter of one output, before and after.
type line struct {
	Name, Before, After string
	Same                bool
	Louder              string // how much, in words; "" when it is not
}

// outputChange is what a change does to one output.
type outputChange struct {
	Output int
	Label  string
	Blind  bool // it cannot be read back
	Lines  []line
	Differ int // how many lines differ
}

// changesOf says a dry run in plain words, output by output.
func changesOf(site engine.Site, d control.DryRun) []outputChange {
	var out []outputChange
	for _, after := range d.After {
		o, _ := site.Output(after.Output)
		c := outputChange{Output: after.Output, Label: o.Label}
		for _, blind := range d.Blind {
			c.Blind = c.Blind || blind == c.Output
		}
		before, known := engine.Sheet{Settings: d.Before}.Setting(after.Output)
		for _, t := range d.Turns {
			if t.Output != c.Output {
				continue
			}
			l := line{Name: turnName(t.Param), Before: value(t.Param, t.Before), After: value(t.Param, t.After), Same: t.Before == t.After}
			if l.Louder = louder(t.Param, before, after, known); !l.Same {
				c.Differ++
			}
			c.Lines = append(c.Lines, l)
		}
		out = append(out, c)
	}
	return out
}

// turnName is what turns: an output is muted or open, not its mute.
func turnName(p processor.Param) string {
	if p == processor.Mute {
		return "output"
	}
	return p.String()
}

// value is a value in the processor's words, without the name of its parameter,
// its unit on one line with it.
func value(p processor.Param, words string) string {
	words = strings.TrimPrefix(words, p.String()+" ")
	return figures.Minus(strings.Replace(words, " ", figures.Space, 1))
}

// louder says how a change makes an output louder, by its gain or by its mute.
func louder(p processor.Param, before, after engine.Setting, known bool) string {
	up := figures.DB(after.GainDB - before.GainDB)
	switch {
	case p == processor.Gain && !known:
		return "perhaps louder"
	case p == processor.Gain && after.GainDB > before.GainDB && up != figures.DB(0):
		return up + " louder"
	case p == processor.Mute && !known && !after.Muted:
		return "perhaps opens"
	case p == processor.Mute && before.Muted && !after.Muted:
		return "opens: it will sound"
	}
	return ""
}

// part is the steps of one part of a change.
type part struct {
	ID, Title string
	Steps     []control.Step
}

// partsOf sorts a dry run's datagrams by the part of the change they belong to.
// What was stored is restored without measuring.
func partsOf(d control.DryRun, restores bool) []part {
	parts := []part{
		{ID: string(control.PartSend), Title: "to bring the sheet onto the processor"},
		{ID: string(control.PartMeasure), Title: "to mute and open outputs while measuring"},
		{ID: string(control.PartUndo), Title: "to go back to " + desk.Back(d) + ", if it comes to that"},
	}
	if restores {
		parts[0].Title, parts[1].Title = "to bring this onto the processor", "for measuring, not sent: what was stored is not measured"
	}
	for _, s := range d.Steps {
		for i := range parts {
			if parts[i].ID == string(s.Part) {
				parts[i].Steps = append(parts[i].Steps, s)
			}
		}
	}
	return parts
}

// datagrams says how many are sent in any case and how many perhaps.
func datagrams(parts []part, restores bool) string {
	count := map[string]int{}
	for _, p := range parts {
		count[p.ID] = len(p.Steps)
	}
	sent := count[string(control.PartSend)]
	if !restores {
		sent += count[string(control.PartMeasure)]
	}
	return fmt.Sprintf("%d datagrams are sent, %d more only if it goes back; one that is not answered is sent again, a few times at most.", sent, count[string(control.PartUndo)])
}

// backWords says where going back leads.
func backWords(d control.DryRun) string {
	if d.Back == control.ToSafe {
		return "If it goes back, then to the safe preset: nobody can tell what every output holds now."
	}
	return "If it goes back, then to what stands now."
}

// blindWords warns of the outputs that cannot be read back, "" if all can.
func blindWords(d control.DryRun, restores bool) string {
	if len(d.Blind) == 0 {
		return ""
	}
	words := figures.Capital(figures.Outputs(d.Blind)) + " cannot be read back: everything is sent there several times, and nothing tells whether it arrived. "
	if restores {
		return words + "Only measuring could prove it, and what was stored is not measured."
	}
	return words + "Only measuring can prove it."
}
