package report

import (
	"cmp"
	"fmt"
	"strings"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/figures"
	"hushback/cmd/internal/printout"
	"hushback/cmd/internal/report/folio"
	"hushback/control/preset"
	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/tolerance"
	"hushback/verify"
)

// Beside is what is known of a change beside its dossier.
type Beside struct {
	Ranges  *engine.Ranges // of its processors; nil where their profiles are not at hand
	Presets []preset.Preset
	Unknown string // why nothing is known of presets, "" if they are known
}

// Change is the report of a change.
func Change(d dossier.Dossier, b Beside, by Signed) folio.Document {
	made := cmp.Or(d.Ended, d.Started)
	doc := folio.Document{Title: d.Job, About: "Report of change " + d.Change + ", " + moment(d.Started), Made: made}
	r, trouble := designed(d, b)
	doc.Sections = []folio.Section{changeSummary(d, by), stakeOut(r), sent(d)}
	if d.Restores == "" {
		doc.Sections = append(doc.Sections, promised(d, r, b, trouble))
	}
	doc.Sections = append(doc.Sections, captured(d), verdict(d))
	if d.Diagnosis != nil || d.Correction != nil {
		doc.Sections = append(doc.Sections, causes(d))
	}
	doc.Sections = append(doc.Sections, presets(b), timeline(d), cautions(d.Site), signatures())
	return doc
}

// fallback is what pictures are worked out with where the processor's own steps are
// not known: they do not show in pictures.
func fallback() engine.Ranges {
	return engine.Ranges{DelaySec: engine.Grid{Max: 1, Step: 1e-5}, GainDB: engine.Grid{Min: -80, Max: 20, Step: 0.1}}
}

// designed is the sheet worked out anew, with the prediction that was confirmed.
// trouble says why it cannot be.
func designed(d dossier.Dossier, b Beside) (r design.Report, trouble error) {
	ranges := fallback()
	if b.Ranges != nil {
		ranges = *b.Ranges
	}
	if d.Restores == "" {
		r, trouble = design.WorkWith(d.Site, d.Sheet, ranges)
	}
	if r.Site.Job == "" || trouble != nil {
		return design.Report{Site: d.Site, Sheet: d.Sheet, Prediction: d.Prediction}, trouble
	}
	r.Prediction = d.Prediction
	return r, nil
}

func changeSummary(d dossier.Dossier, by Signed) folio.Section {
	s := folio.Section{Heading: "In short"}
	s.Add(folio.Block{Notice: outcome(d)})
	rows := [][]string{
		{"Job", d.Job}, {"Change", d.Change}, {"Sent", figures.Capital(d.What)},
		{"Began", moment(d.Started)}, {"Ended", moment(d.Ended)}, {"How it ended", figures.Capital(desk.Ending(d.Entry))},
		{"Confirmed by", cmp.Or(figures.Capital(d.Who), "Nobody is named in the journal")},
		{"Processor", d.Processor},
	}
	if d.Rehearsal != "" {
		rows = append(rows, []string{"Rehearsal", "Emulated processor, simulated place, " + d.Rehearsal})
	}
	rows = append(rows, jobFacts(d.Site)...)
	s.Add(facts(append(rows, []string{"Carried out with", d.Software}, []string{"Report made with", by.Software})...))
	return s
}

// outcome is the change in three sentences: what the verdict means, its number or its
// first reason, and how it ended.
func outcome(d dossier.Dossier) *folio.Notice {
	n := &folio.Notice{Tone: folio.Care, Word: "Not measured"}
	if d.Verdict == nil {
		n.Words = []string{desk.Unjudged(d)}
	} else {
		word, means := figures.OutcomeWords(d.Verdict.Outcome)
		n.Word, n.Words = word, []string{means}
		switch d.Verdict.Outcome {
		case verify.Proven:
			n.Tone = folio.Good
		case verify.Refuted:
			n.Tone = folio.Bad
		}
		if len(d.Verdict.Reasons) > 0 {
			n.Words = append(n.Words, figures.Sentence(d.Verdict.Reasons[0]))
		}
	}
	if d.How == dossier.Adrift {
		n.Tone, n.Word = folio.Bad, "Adrift, "+strings.ToLower(n.Word)
	}
	ended := "The change was " + desk.Ending(d.Entry)
	if d.How != dossier.Kept && d.Reason != "" && d.Verdict == nil {
		ended += ": " + d.Reason
	}
	n.Words = append(n.Words, figures.Sentence(ended))
	if d.Rehearsal != "" {
		n.Word = "Rehearsal: " + strings.ToLower(n.Word)
		n.Words = append(n.Words, "This was a rehearsal: nothing sounded, and no rig was measured.")
	}
	return n
}

// sent is what was set, and what of it was read back.
func sent(d dossier.Dossier) folio.Section {
	s := folio.Section{Heading: "Sheet"}
	s.Say("Where a cell shows two values, the first stood before the change and the second was sent; one value stayed as it was.")
	s.Tabulate("", sheetTable(d.Site, d.Sheet, append([]engine.Setting{}, d.Before...)), "")
	rows := [][]string{{"Digest of the sheet", coded(d.Sheet.Digest())}}
	if d.DryRun.Digest != "" {
		rows = append(rows, []string{"Confirmed dry run", coded(d.DryRun.Digest)},
			[]string{"Datagrams in it", fmt.Sprint(d.DryRun.Datagrams) + ", those of measuring and of going back among them"}, []string{"Its way back", figures.Capital(d.DryRun.Back)})
	}
	if len(d.DryRun.Blind) > 0 {
		rows = append(rows, []string{"Cannot be read back", figures.Capital(figures.Outputs(d.DryRun.Blind))})
	}
	s.Add(facts(rows...))
	readBack(&s, d)
	return s
}

// readBack says whether the processor held what was wanted, the last time it was asked.
func readBack(s *folio.Section, d dossier.Dossier) {
	table := [][]string{{"Output", "Parameter", "Wanted", "Read back"}}
	read := 0
	for _, r := range d.Readings {
		if r.Blind {
			continue
		}
		read++
		if !r.Same {
			table = append(table, []string{fmt.Sprint(r.Output), r.Parameter, figures.Minus(r.Wanted), figures.Minus(r.Got)})
		}
	}
	if read > 0 {
		when := ""
		if d.How == dossier.Kept || d.How == dossier.RolledBack {
			when = ", once the change was " + desk.Ending(d.Entry)
		}
		s.Say(fmt.Sprintf("Read back last%s: %d of %d values were what they should be.", when, read-len(table)+1, read))
	}
	s.Tabulate("Values that were not", table, "")
}

// promised is what was predicted, with what errors do to it, and how it was heard.
func promised(d dossier.Dossier, r design.Report, b Beside, trouble error) folio.Section {
	s := folio.Section{Heading: "What was predicted"}
	foretold(&s, r, nil)
	if trouble != nil {
		s.Say(figures.Sentence("the design cannot be worked out anew, so maps and patterns are missing: " + trouble.Error()))
	}
	corrected := desk.Then(d).Corrected
	switch {
	case corrected:
		s.Say("It is a correction, for the rig as it had been measured, not as the site says: what errors do to it is not worked out. Maps and patterns below are those of the site as it says.")
	case b.Ranges == nil:
		s.Say("The processor's profile is not at hand, so what errors do is not worked out.")
	case trouble == nil:
		rigs, err := tolerance.Work(d.Site, d.Sheet, *b.Ranges, nil)
		if err != nil {
			s.Say(figures.Sentence(err.Error()))
		} else {
			erring(&s, printout.Err(d.Site, rigs))
		}
	}
	s.Add(beside(d))
	if trouble == nil {
		heard(&s, r)
		around(&s, r)
	}
	return s
}

// captured lists what was taken.
func captured(d dossier.Dossier) folio.Section {
	s := folio.Section{Heading: "Captures"}
	if len(d.Captures) == 0 {
		s.Say("There are none.")
		return s
	}
	table := [][]string{{"No.", "Microphone", "Playing", "Taken (UTC)", "Air", "Signal over noise", "Coherence", "Averages"}}
	digests := map[string]bool{}
	var sheets []string
	for i, c := range d.Captures {
		f := c.Function
		signal, coherence := f.Quality(d.Site.Target.Range)
		table = append(table, []string{
			fmt.Sprint(i + 1), c.Microphone + " (" + string(c.Role) + ")", engine.Heard{Row: c.Row, Solo: c.Solo}.Words(d.Site),
			c.Taken.UTC().Format("15:04:05"), figures.Number(c.Air.TemperatureC, 1) + figures.Space + "°C", figures.DB(signal), figures.Number(coherence, 3), figures.Number(f.Averages, 1),
		})
		if !digests[c.SheetDigest] {
			digests[c.SheetDigest] = true
			sheets = append(sheets, coded(c.SheetDigest))
		}
	}
	s.Say("Taken on " + d.Captures[0].Taken.UTC().Format("2 Jan 2006") + " while the sheet " + strings.Join(sheets, ", then ") + " stood. Outputs that are not named as playing were muted.")
	s.Tabulate("", table, "Signal over noise: power over the operating range against the noise of one average. It is low, and so is the coherence, where the array cancels and not because the measurement is bad.")
	return s
}

// verdict is what was judged, claim by claim.
func verdict(d dossier.Dossier) folio.Section {
	s := folio.Section{Heading: "Verdict"}
	if d.Verdict == nil {
		s.Say(desk.Unjudged(d))
		return s
	}
	word, means := figures.OutcomeWords(d.Verdict.Outcome)
	s.Say(word + ". " + means)
	promises := [][]string{{"What", "Predicted", "Measured", "Wanted"}}
	for _, p := range figures.Promises(d.Site, d.Prediction.Summary, d.Verdict.Summary) {
		promises = append(promises, []string{p.What, p.Predicted, p.Measured, p.Wanted})
	}
	s.Tabulate("What was promised", promises, "")
	table := [][]string{{"Claim", "Outcome", "Value", "90 % interval", "99 % interval, which decides", "Limit", "Margin"}}
	table[0][3] = fmt.Sprintf("%d %% interval", verify.LikelyPercent)
	table[0][4] = fmt.Sprintf("%d %% interval, which decides", verify.ConfidencePercent)
	var said folio.Block
	for _, c := range d.Verdict.Claims {
		unit := figures.Space + c.Unit
		if c.Unit == "°" {
			unit = c.Unit
		}
		between := func(low, high float64) string { return figures.Number(low, 2) + " to " + figures.Number(high, 2) }
		table = append(table, []string{c.Name, string(c.Outcome), figures.Number(c.Value, 2) + unit, between(c.Likely[0], c.Likely[1]), between(c.Low, c.High), figures.Number(c.Limit, 2) + unit, figures.Number(c.Margin, 2) + unit})
		words := figures.Capital(c.Name) + ": " + string(c.Outcome) + ". " + figures.Sentence(c.Sentence)
		if c.Decide != "" {
			words += " To decide it: " + figures.Sentence(c.Decide)
		}
		said.List = append(said.List, words)
	}
	s.Tabulate("Claim by claim", table, "Margin: how far the value is on the good side of the limit.")
	s.Add(said)
	return s
}

// causes is what may be wrong, and what would do better.
func causes(d dossier.Dossier) folio.Section {
	s := folio.Section{Heading: "What may be wrong, and what would do better"}
	if d.Diagnosis != nil {
		table := [][]string{{"Probability", "What may be wrong", "What says so"}}
		for _, c := range d.Diagnosis.Causes {
			if c.Probability >= desk.WorthSaying {
				table = append(table, []string{figures.Percent(c.Probability), figures.Sentence(c.Sentence), figures.Sentence(c.Evidence)})
			}
		}
		s.Tabulate("", table, "Causes may be there together, so their probabilities need not add up.")
	}
	if c := d.Correction; c != nil {
		sum := c.Prediction.Summary
		s.Say(fmt.Sprintf("With other settings this rig, as it was measured, would be quietest behind at %s, %s rear against front at %s, and %s short of the sum in front.",
			figures.Hz(sum.NullHz), figures.DB(sum.AtTargetDB), figures.Hz(d.Site.Target.NullHz), figures.DB(sum.SumShortfallDB)))
		if len(c.Unheard) > 0 {
			s.Say("Too faint to be corrected: " + figures.Outputs(c.Unheard) + ".")
		}
		var moves folio.Block
		for _, m := range c.Moves {
			moves.List = append(moves.List, figures.Sentence(m.Sentence))
		}
		if len(moves.List) > 0 {
			s.Add(moves)
		}
		s.Tabulate("Correction: what was sent → what would do better", sheetTable(d.Site, c.Sheet, append([]engine.Setting{}, d.Sheet.Settings...)), "")
	}
	return s
}

// presets are what is stored, as far as that is known.
func presets(b Beside) folio.Section {
	s := folio.Section{Heading: "Presets"}
	if b.Unknown != "" {
		s.Say(figures.Sentence(b.Unknown) + " What stood before the change is in the sheet above.")
		return s
	}
	table := [][]string{{"Name", "Taken", "Digest", "Output", "Delay", "Gain", "Polarity", "Mute"}}
	for _, p := range b.Presets {
		name, taken, digest := p.Name, moment(p.Taken), desk.Words(p.ID())+" ("+p.ID()[:12]+")"
		for _, set := range p.Settings {
			table = append(table, []string{name, taken, digest, fmt.Sprint(set.Output),
				delay(set.DelaySec), gain(set.GainDB), polarity(set.Polarity), mute(set.Muted)})
			name, taken, digest = "", "", ""
		}
	}
	if len(table) == 1 {
		s.Say("None is stored.")
	}
	s.Tabulate("Stored when this report was made", table, "")
	return s
}

// timeline is the journal of a change, oldest first.
func timeline(d dossier.Dossier) folio.Section {
	s := folio.Section{Heading: "Timeline"}
	if len(d.Timeline) == 0 {
		s.Say("The journal has no line of it.")
		return s
	}
	table := [][]string{{"Time (UTC)", "Event", "What the journal says"}}
	for _, e := range d.Timeline {
		table = append(table, []string{strings.TrimSuffix(moment(e.At), figures.Space+"UTC"), figures.Capital(e.Event), figures.Sentence(e.Detail)})
	}
	s.Tabulate("All times are UTC", table, "A time within a line is by the clock of the machine that ran the daemon.")
	return s
}
