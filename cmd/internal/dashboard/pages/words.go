package pages

import (
	"fmt"
	"html/template"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/verify"
)

// words are the functions that the templates use to say values.
func words() template.FuncMap {
	return template.FuncMap{
		"ms": figures.Ms, "db": figures.DB, "hz": figures.Hz, "metres": figures.Metres, "polarity": sayPolarity, "mute": sayMute,
		"number": figures.Number, "px": func(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) },
		"clock": clock, "day": day, "unixms": func(t time.Time) int64 { return t.UnixMilli() }, "code": desk.Words, "hexbytes": figures.HexBytes, "args": sayArgs, "param": processor.Param.String, "outputs": figures.Outputs, "minus": figures.Minus, "capital": figures.Capital, "sentence": figures.Sentence, "percent": figures.Percent, "worth": func(p float64) bool { return p >= desk.WorthSaying },
	}
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

// headline says in one sentence where the change stands, and in another what of
// it cannot be read back.
func headline(st desk.Standing) string {
	stands := "The sheet stands on the processor"
	if st.Restores != "" {
		stands = figures.Capital(st.Restores) + " stands on the processor"
	}
	switch st.Name {
	case "drafted":
		if st.Restores != "" {
			return "A dry run of " + st.Restores + " waits for your confirm. Nothing has been sent."
		}
		return "A dry run waits for your confirm. Nothing has been sent."
	case "sending":
		return fmt.Sprintf("Sending: %d of %d datagrams are out.", st.Sent, st.Total)
	case "measuring":
		if st.Restores != "" {
			return stands + "."
		}
		return stands + " and is being measured. Stay clear of the cabinets: it is loud."
	case "held":
		return fmt.Sprintf("%s. Unless somebody keeps it, it rolls itself back at %s.%s", stands, clock(st.KeepBy), unseen(st))
	case "kept":
		return stands + " and stays there." + unseen(st)
	case "rolled back":
		return "Rolled back to " + st.BackTo() + "."
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

// unseen is the sentence about outputs that cannot be read back.
func unseen(st desk.Standing) string {
	switch {
	case len(st.Blind) == 0:
		return ""
	case st.Restores != "":
		return " It was sent to " + figures.Outputs(st.Blind) + " but neither read back nor measured there."
	default:
		return " It was sent to " + figures.Outputs(st.Blind) + " but cannot be read back there: only the measurement tells."
	}
}

// why is the reason behind a state, as a sentence of its own.
func why(st desk.Standing) string {
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
func told(notice string, st desk.Standing) string {
	if st.Name == "adrift" && st.Reason != "" {
		notice, _, _ = strings.Cut(notice, st.Reason)
		notice = strings.TrimRight(notice, " :;,(")
	}
	return figures.Sentence(notice)
}

// stripWords is what the strip at the top adds to the state's name: what is
// being done, or that somebody else did something. A state that counts or waits
// has better words of its own.
func stripWords(doing string, st desk.Standing, strange []control.Strange) string {
	switch {
	case st.Name == "sending" || st.Name == "held":
		return ""
	case doing == "" && len(strange) > 0:
		return ": changed elsewhere"
	case doing == "":
		return ""
	}
	if rest, same := strings.CutPrefix(doing, st.Name+" "); same {
		return " " + figures.Minus(rest)
	}
	return ": " + figures.Minus(doing)
}

// step is what to do now, and where that is done: an address without its slash.
type step struct{ Words, At string }

// Page is the name of the page where it is done.
func (s step) Page() string {
	name, _, _ := strings.Cut(s.At, "#")
	return name
}

// next is the next step; missing names the microphones that are not connected.
func next(v desk.View, st desk.Standing, missing string) step {
	if len(v.Broken) > 0 && st.Name != "adrift" {
		return step{"Mend the site file, then start the daemon again.", "log#presets"}
	}
	if len(v.Strange) > 0 && slices.Contains([]string{"idle", "kept", "rolled back"}, st.Name) {
		return step{"Accept what somebody else changed, or put it back.", "log#elsewhere"}
	}
	switch st.Name {
	case "drafted":
		switch {
		case v.Safe == nil:
			return step{"Store a safe preset: without one nothing is sent.", "log#store-safe-button"}
		case missing != "":
			return step{"Connect " + missing + ": what could not be proven is not sent.", "measure#feeds"}
		}
		return step{"Read the dry run, then confirm it.", "settings#dry-run"}
	case "sending":
		return step{"Wait for the read-back. The way back below works at any time.", "send#send"}
	case "measuring":
		return step{"Wait for the verdict. The way back below works at any time.", "measure#feeds"}
	case "held":
		if st.Restores != "" {
			return step{"Keep it or roll back.", "send#decide"}
		}
		return step{"Read the verdict, then keep or roll back.", "proof#verdict"}
	case "kept":
		return step{"Done. A new dry run starts the next change.", "settings#dry-run"}
	case "rolled back":
		return afterRollBack(v, st)
	case "adrift":
		return step{"Turn the amplifiers of " + figures.Outputs(st.Outputs) + " down by hand, then return to the safe preset as soon as the processor answers.", "send#safe-button"}
	default:
		if v.Safe == nil {
			return step{"Store a safe preset, then take a dry run.", "log#store-safe-button"}
		}
		return step{"Check the sheet, then take a dry run.", "settings#sheet"}
	}
}

// afterRollBack sends nobody looking for the reason of what somebody wanted:
// the safe preset comes by a press alone, and what is proven comes back only
// because nobody kept it.
func afterRollBack(v desk.View, st desk.Standing) step {
	switch {
	case v.Safe == nil:
		return step{"Store a safe preset, then take a new dry run.", "log#store-safe-button"}
	case st.To == control.ToSafe || v.Verdict != nil && v.Verdict.Outcome == verify.Proven:
		return step{"Take a new dry run when you want to go on.", "settings#dry-run"}
	case v.Verdict != nil:
		return step{"Find the reason in the verdict, then take a new dry run.", "proof#verdict"}
	default:
		return step{"Find the reason, then take a new dry run.", "send#send"}
	}
}
