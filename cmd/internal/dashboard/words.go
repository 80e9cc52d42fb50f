package dashboard

import (
	"fmt"
	"html/template"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"hushback/cmd/internal/dashboard/figures"
	"hushback/control"
	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/verify"
)

// words are the functions that the templates use to say values.
func words() template.FuncMap {
	return template.FuncMap{
		"ms": figures.Ms, "db": figures.DB, "hz": figures.Hz, "metres": figures.Metres, "polarity": sayPolarity, "mute": sayMute,
		"number": figures.Number, "px": func(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) },
		"clock": clock, "day": day, "unixms": func(t time.Time) int64 { return t.UnixMilli() }, "code": ShortCode, "hexbytes": figures.HexBytes, "args": sayArgs, "param": sayParam, "minus": figures.Minus, "sentence": figures.Sentence,
	}
}

// ShortCode is the part of a digest that a person compares by eye.
func ShortCode(digest string) string {
	if len(digest) < 8 {
		return digest
	}
	return digest[:4] + "-" + digest[4:8]
}

func sayPolarity(p int) string {
	if p < 0 {
		return "reversed"
	}
	return "normal"
}

func sayMute(muted bool) string {
	if muted {
		return "muted"
	}
	return "open"
}

func sayParam(p processor.Param) string {
	switch p {
	case processor.Delay:
		return "delay"
	case processor.Polarity:
		return "polarity"
	case processor.Gain:
		return "gain"
	case processor.Mute:
		return "mute"
	default:
		return fmt.Sprintf("parameter %d", int(p))
	}
}

func clock(t time.Time) string { return t.Local().Format("15:04:05") }
func day(t time.Time) string   { return t.Local().Format("2 Jan 2006 15:04:05") }

// sayArgs lists a message's arguments with their types.
func sayArgs(m osc.Message) string {
	said := make([]string, len(m.Args))
	for i, a := range m.Args {
		switch v := a.(type) {
		case nil:
			said[i] = "nil"
		case string:
			said[i] = fmt.Sprintf("%q string", v)
		case []byte:
			said[i] = fmt.Sprintf("%x blob", v)
		default:
			said[i] = fmt.Sprintf("%v %T", v, v)
		}
	}
	if len(said) == 0 {
		return "no argument"
	}
	return strings.Join(said, ", ")
}

// headline says in one sentence where the change stands.
func headline(st standing) string {
	switch st.Name {
	case "drafted":
		return "A dry run waits for your confirm. Nothing has been sent."
	case "sending":
		return fmt.Sprintf("Sending: %d of %d datagrams are out.", st.Sent, st.Total)
	case "measuring":
		return "The sheet stands on the processor and is being measured. Stay clear of the cabinets: it is loud."
	case "held":
		return fmt.Sprintf("The sheet stands on the processor. Unless somebody keeps it, it rolls itself back at %s.", clock(st.KeepBy))
	case "kept":
		return "The sheet stands on the processor and stays there."
	case "rolled back":
		return fmt.Sprintf("Rolled back to %s, read back to make sure.", st.To)
	case "adrift":
		hold := " hold"
		if len(st.Outputs) == 1 {
			hold = " holds"
		}
		return "Nobody can tell what " + figures.Outputs(st.Outputs) + hold + "."
	default:
		return "No change is under way. Nothing has been sent."
	}
}

// why is the reason behind a state, as a sentence of its own.
func why(st standing) string {
	if st.Name == "adrift" {
		return figures.Sentence(gathered(st.Reason))
	}
	return figures.Sentence(st.Reason)
}

// gathered says once what a reason says of every output: that it does not answer.
func gathered(reason string) string {
	silent := regexp.MustCompile(`(?:; )?output (\d+): [a-z]+(?:: wanted [^:;]*| cannot be read): no answer to [^;]*(?:; heard instead: [^;]*)?`)
	found := silent.FindAllStringSubmatch(reason, -1)
	if len(found) == 0 {
		return reason
	}
	var numbers []int
	for _, f := range found {
		if n, err := strconv.Atoi(f[1]); err == nil && !slices.Contains(numbers, n) {
			numbers = append(numbers, n)
		}
	}
	said := "no answer for " + figures.Outputs(numbers)
	if strings.HasPrefix(found[0][0], "; ") {
		said = "; " + said
	}
	return silent.ReplaceAllString(strings.Replace(reason, found[0][0], said, 1), "")
}

// told is the notice. Beside an output in doubt it does not repeat the reason,
// nor say what to do: the next step does.
func told(notice string, st standing) string {
	if st.Name == "adrift" && st.Reason != "" {
		notice, _, _ = strings.Cut(notice, st.Reason)
		notice = strings.TrimRight(notice, " :;,(")
	}
	return figures.Sentence(notice)
}

// stripWords is what the strip at the top adds to the state's name: what is
// being done. A state that counts or waits has better words of its own.
func stripWords(doing string, st standing) string {
	if st.Name == "sending" || st.Name == "held" || doing == "" {
		return ""
	}
	if rest, same := strings.CutPrefix(doing, st.Name+" "); same {
		return " " + figures.Minus(rest)
	}
	return ": " + figures.Minus(doing)
}

// step is what to do now, and the part of the page where that is done.
type step struct{ Words, At string }

// next is the next step; missing names the microphones that are not connected.
func next(v View, st standing, missing string) step {
	switch st.Name {
	case "drafted":
		switch {
		case v.Safe == nil:
			return step{"Store a safe preset: without one nothing is sent.", "store-safe-button"}
		case missing != "":
			return step{"Connect " + missing + ": what could not be proven is not sent.", "feeds"}
		}
		return step{"Read the dry run, then confirm it.", "dry-run"}
	case "sending":
		return step{"Wait for the read-back. The way back below works at any time.", "send"}
	case "measuring":
		return step{"Wait for the verdict. The way back below works at any time.", "feeds"}
	case "held":
		return step{"Read the verdict, then keep or roll back.", "verdict"}
	case "kept":
		return step{"Done. A new dry run starts the next change.", "dry-run"}
	case "rolled back":
		return afterRollBack(v, st)
	case "adrift":
		return step{"Turn the amplifiers of " + figures.Outputs(st.Outputs) + " down by hand, then return to the safe preset as soon as the processor answers.", "safe-button"}
	default:
		if v.Safe == nil {
			return step{"Store a safe preset, then take a dry run.", "store-safe-button"}
		}
		return step{"Check the sheet, then take a dry run.", "sheet"}
	}
}

// afterRollBack sends nobody looking for the reason of what somebody wanted:
// the safe preset comes by a press alone, and what is proven comes back only
// because nobody kept it.
func afterRollBack(v View, st standing) step {
	switch {
	case v.Safe == nil:
		return step{"Store a safe preset, then take a new dry run.", "store-safe-button"}
	case st.To == control.ToSafe || v.Verdict != nil && v.Verdict.Outcome == verify.Proven:
		return step{"Take a new dry run when you want to go on.", "dry-run"}
	case v.Verdict != nil:
		return step{"Find the reason in the verdict, then take a new dry run.", "verdict"}
	default:
		return step{"Find the reason, then take a new dry run.", "send"}
	}
}

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
	Known  bool // whether it could be read before
	Lines  []line
	Differ int // how many lines differ
}

// changesOf says a dry run in plain words, output by output.
func changesOf(site engine.Site, d control.DryRun) []outputChange {
	var out []outputChange
	for _, after := range d.After {
		o, _ := site.Output(after.Output)
		before, known := engine.Sheet{Settings: d.Before}.Setting(after.Output)
		c := outputChange{Output: after.Output, Label: o.Label, Known: known}
		c.Lines = []line{
			{Name: "delay", Before: figures.Ms(before.DelaySec), After: figures.Ms(after.DelaySec)},
			{Name: "polarity", Before: sayPolarity(before.Polarity), After: sayPolarity(after.Polarity)},
			{Name: "gain", Before: figures.DB(before.GainDB), After: figures.DB(after.GainDB)},
			{Name: "output", Before: sayMute(before.Muted), After: sayMute(after.Muted)},
		}
		for i := range c.Lines {
			l := &c.Lines[i]
			if !known {
				l.Before = "unknown"
			}
			if l.Same = l.Before == l.After; !l.Same {
				c.Differ++
			}
		}
		c.Lines[2].Louder, c.Lines[3].Louder = louder(before, after, known)
		out = append(out, c)
	}
	return out
}

// louder says how a change makes an output louder: by its gain, by its mute.
func louder(before, after engine.Setting, known bool) (gain, mute string) {
	switch up := figures.DB(after.GainDB - before.GainDB); {
	case !known:
		gain = "perhaps louder"
	case after.GainDB > before.GainDB && up != figures.DB(0):
		gain = up + " louder"
	}
	switch {
	case after.Muted:
	case !known:
		mute = "perhaps opens"
	case before.Muted:
		mute = "opens: it will sound"
	}
	return gain, mute
}

// part is the steps of one part of a change.
type part struct {
	ID, Title string
	Steps     []control.Step
}

// partsOf sorts a dry run's datagrams by the part of the change they belong to.
func partsOf(d control.DryRun) []part {
	parts := []part{
		{ID: string(control.PartSend), Title: "to bring the sheet onto the processor"},
		{ID: string(control.PartMeasure), Title: "to mute and open outputs while measuring"},
		{ID: string(control.PartUndo), Title: "to go back, if it comes to that"},
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
func datagrams(parts []part) string {
	sent, back := 0, 0
	for _, p := range parts {
		if p.ID == string(control.PartUndo) {
			back += len(p.Steps)
		} else {
			sent += len(p.Steps)
		}
	}
	return fmt.Sprintf("%d datagrams are sent, %d more only if it goes back; one that is not answered is sent again, a few times at most.", sent, back)
}
