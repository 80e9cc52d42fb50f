package report

import (
	"hushback/cmd/internal/figures"
	"hushback/cmd/internal/report/folio"
	"hushback/engine"
)

// caution is a figure of somebody else's, with where it was found. What nobody opened
// says so.
type caution struct{ text, source string }

// exposures are figures to print beside a report, never a test of anything. The words
// "opened" and "from memory" tell how sure they are.
func exposures() []caution {
	return []caution{
		{"WHO Global standard for safe listening venues and events (2022): at most 100 dB LAeq over 15 minutes; limit, live monitoring, venue acoustics, hearing protection, quiet zones and training belong together",
			"listensafe.org and reports of March 2022 (opened); the standard itself was not opened"},
		{"NIOSH recommended exposure limit: 85 dBA as a mean of 8 hours, halved for every 3 dB more: 88 dBA 4 h, 91 dBA 2 h, 94 dBA 60 min, 97 dBA 30 min, 100 dBA 15 min",
			"a mirror of cdc.gov/niosh/topics/noise (opened); criteria document 98-126 was not opened"},
		{"OSHA permissible exposure limit: 90 dBA as a mean of 8 hours, halved for every 5 dB more",
			"the same mirror (opened)"},
		{"WHO Guidelines for Community Noise (1999), Table 4.1: festivals and entertainment events 100 dB LAeq over 4 hours, LAmax,fast 110 dB, fewer than 5 times a year; lower values where low frequencies are strong, and where C lies more than 10 dB above A, an analysis by frequency",
			"a table at qualityplanning.org.nz and a page that quotes sections 4.3 and 4.4 (opened)"},
		{"DIN 15905-5 (Germany): 99 dB(A) over 30 minutes and 135 dB(C) peak",
			"from memory; the standard was not opened"},
		{"Directive 2003/10/EC, for people at work: limit 87 dB(A) over 8 hours and 140 dB(C) peak, action at 85 and 137, and at 80 and 135",
			"from memory; not opened"},
	}
}

// weighting is what A and C take off.
type weighting struct{ hz, a, c float64 }

// weightings are those of IEC 61672-1:2013, Table 3.
func weightings() []weighting {
	return []weighting{
		{20, -50.5, -6.2}, {25, -44.7, -4.4}, {31.5, -39.4, -3}, {40, -34.6, -2}, {50, -30.2, -1.3},
		{63, -26.2, -0.8}, {80, -22.5, -0.5}, {100, -19.1, -0.3}, {125, -16.1, -0.2}, {160, -13.4, -0.1},
	}
}

// cautions are what people must know who stand near, or sign.
func cautions(site engine.Site) folio.Section {
	s := folio.Section{Heading: "Cautions"}
	s.Add(folio.Block{Notice: &folio.Notice{Tone: folio.Care, Word: "Local codes and licensed practice come first", Words: []string{
		"Local codes and licensed practice come before anything in this report. It is about level in front of and behind an array; it never says that a place is safe.",
	}}})
	s.Add(folio.Block{List: []string{
		"Loudness: subwoofers that are driven for a measurement are loud behind as well as in front until the null stands. Keep people away from the cabinets, start low, wear protection.",
		"Stacked and moved cabinets: moving a stack is rigging work. Switch off, secure, lift with enough hands.",
		"Mains power: wiring and earthing are for licensed people.",
	}})
	table := [][]string{{"What others ask for", "Where this was read"}}
	for _, c := range exposures() {
		table = append(table, []string{c.text, figures.Capital(c.source)})
	}
	s.Tabulate("Levels, for comparison; local rules may ask for less", table, "")
	s.Tabulate("What weighting takes off a level", weighed(site.Target.Range),
		"IEC 61672-1:2013, Table 3, read as a data file of a general acoustics library (opened). A limit in dB(A) says almost nothing of the level of subwoofers, behind an array or in front of it.")
	return s
}

// weighed are the thirds of an octave of an operating range, and the ones beside it.
func weighed(r engine.Band) [][]string {
	const third = 1.26
	table := [][]string{{"At", "A", "C"}}
	for _, w := range weightings() {
		if w.hz*third > r.LowHz && w.hz < r.HighHz*third {
			table = append(table, []string{figures.Number(w.hz, 1) + figures.Space + "Hz", figures.DB(w.a), figures.DB(w.c)})
		}
	}
	return table
}
