package report

import (
	"fmt"

	"hushback/cmd/internal/figures"
	"hushback/cmd/internal/planning"
	"hushback/cmd/internal/printout"
	"hushback/cmd/internal/report/folio"
	"hushback/engine/design"
	"hushback/engine/solve"
)

// Site is the report of a design: nothing was sent, nothing was measured. layout is
// the name of the layout it is of, "" for none.
func Site(found planning.WorkedOut, layout string, by Signed) folio.Document {
	r := found.Report
	about := "Report of a design, " + moment(by.At)
	if layout != "" {
		about += ", layout " + layout
	}
	d := folio.Document{Title: r.Site.Job, About: about, Made: by.At}
	predicted := folio.Section{Heading: "What is predicted"}
	foretold(&predicted, r, found.Zoned)
	erring(&predicted, found.Erring)
	predicted.Tabulate("A measurement must clear", cells(named(limits(found.Erring), "what")), "")
	heard(&predicted, r)
	reasons := folio.Section{Heading: "Why it is set up like this", Blocks: []folio.Block{sentences(r.Findings)}}
	reasons.Tabulate(printout.TreatmentHead, cells(named(printout.TreatmentTable(r.Treated), "treatment")), "")
	settings := folio.Section{Heading: "Sheet"}
	settings.Tabulate("", sheetTable(r.Site, r.Sheet, nil), "")
	settings.Add(facts([]string{"Digest", coded(r.Sheet.Digest())}))
	d.Sections = []folio.Section{siteSummary(found, by), stakeOut(r), settings, predicted, pictures(r), reasons, cautions(r.Site), signatures()}
	return d
}

func siteSummary(found planning.WorkedOut, by Signed) folio.Section {
	r := found.Report
	s := folio.Section{Heading: "In short"}
	words := []string{
		"Nothing was sent and nothing was measured: what stands here is worked out.",
		predictedWords(r),
	}
	words = append(words, figures.Sentence(found.Erring.Report.Advice()))
	s.Add(folio.Block{Notice: &folio.Notice{Tone: folio.Plain, Word: "A design: nothing was measured", Words: words}})
	if found.Zoned != nil && !found.Zoned.Complete {
		s.Add(folio.Block{Notice: &folio.Notice{Tone: folio.Care, Word: "Not finished", Words: []string{figures.Sentence(planning.ErrCutShort.Error())}}})
	}
	rows := append([][]string{{"Job", r.Site.Job}}, jobFacts(r.Site)...)
	rows = append(rows, processors(r.Site)...)
	s.Add(facts(append(rows, []string{"Worked out", moment(by.At)}, []string{"Software", by.Software})...))
	warned(&s, r)
	return s
}

// warned is what should be changed, or at least known.
func warned(s *folio.Section, r design.Report) {
	if len(r.Warnings) > 0 {
		s.Add(folio.Block{Notice: &folio.Notice{Tone: folio.Care, Word: "Look at this before you go on", Words: sentences(r.Warnings).List}})
	}
}

// predictedWords is the prediction in a sentence.
func predictedWords(r design.Report) string {
	sum := r.Prediction.Summary
	return fmt.Sprintf("The rear should be quietest against the front at %s, %s there and %s at the target of %s; in front the sum falls up to %s short of all outputs in phase, at %s.",
		figures.Hz(sum.NullHz), figures.DB(sum.NullDepthDB), figures.DB(sum.AtTargetDB), figures.Hz(r.Site.Target.NullHz), figures.DB(sum.SumShortfallDB), figures.Hz(sum.ShortfallAtHz))
}

// foretold is what microphones should find; z is nil without an aim.
func foretold(s *folio.Section, r design.Report, z *solve.Zoned) {
	s.Say(predictedWords(r) + " Headroom cost: " + figures.DB(r.Prediction.HeadroomCostDB) + ", which is how far the sum in front lies below all sources at their loudest in phase.")
	if z != nil {
		s.Say(fmt.Sprintf("Search for the aim: front over quiet zones %s; no processing with these sources could exceed %s within the same headroom.", figures.DB(z.Mean), figures.DB(z.Bound)))
	}
}

// erring is what the errors of a real rig do.
func erring(s *folio.Section, e printout.Erring) {
	note := ""
	if !printout.Tells(e) {
		note = figures.Sentence(printout.NoNull)
	}
	s.Say(figures.Sentence("a rig is never quite what its site file says; "+printout.ToleranceWords(e.Site.Tolerance)) + " " + figures.Sentence(e.Report.Advice()))
	s.Tabulate("Where 90 of 100 rigs within tolerance lie", cells(named(printout.Intervals(e), "what")), note)
	s.Tabulate(figures.Minus(printout.CostHead(e)), cells(named(printout.Costs(e), "what")), "")
}

// limits are what a measurement is held to.
func limits(e printout.Erring) [][]string {
	if e.NoNull != nil {
		return [][]string{{"Limits"}, {figures.Sentence(e.NoNull.Error())}}
	}
	table := printout.LimitTable(e)
	table[0][1] = "limit"
	return table
}

// heard is what zones and thirds of an octave come to.
func heard(s *folio.Section, r design.Report) {
	var zones folio.Block
	for _, z := range r.Zones {
		zones.List = append(zones.List, figures.Sentence(printout.ZoneWords(z)))
	}
	if len(zones.List) > 0 {
		s.Say("Zones over the operating range:")
		s.Add(zones)
	}
	table, beyond := printout.BandTable(r.Bands)
	s.Tabulate(printout.BandHead, cells(named(table, "third")), beyond)
}
