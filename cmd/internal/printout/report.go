// Package printout says on paper and screen what was worked out of a site: text
// for a terminal, JSON for programs, pictures for a folder.
package printout

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"hushback/engine"
	"hushback/engine/band"
	"hushback/engine/design"
	"hushback/engine/layout"
	"hushback/engine/solve"
)

// Report says everything of a report on a screen of 80 columns or so; z is nil
// without an aim.
func Report(w io.Writer, r design.Report, z *solve.Zoned, e Erring) error {
	p := &page{w: w}
	p.say("%s", r.Site.Job)
	t := r.Site.Target
	p.say("null wanted at %.1f Hz, range %.0f to %.0f Hz; sound travels %.1f m/s", t.NullHz, t.Range.LowHz, t.Range.HighHz, r.Prediction.SoundSpeed)
	p.head("Settings")
	for _, s := range Rows(r.Site, r.Sheet) {
		p.say("output %-3d %s", s.Output, s)
	}
	p.head("Stake out, from the mark on the ground below the front of " + DatumName(r.Site))
	p.table(StakeTable(r.Site))
	p.head("Predicted")
	sum := r.Prediction.Summary
	p.say("quietest behind at %.1f Hz, %.0f dB below the front; %.0f dB at the target", sum.NullHz, -sum.NullDepthDB, -sum.AtTargetDB)
	p.say("sum in front %.1f dB short of coherent at worst (%.0f Hz); headroom cost %.1f dB", sum.SumShortfallDB, sum.ShortfallAtHz, r.Prediction.HeadroomCostDB)
	if z != nil {
		p.head("Search for the aim" + map[bool]string{false: ", interrupted: the best so far", true: ""}[z.Complete])
		p.say("front over quiet zones %.1f dB; no processing with these sources could exceed %.1f dB within the same headroom", z.Mean, z.Bound)
	}
	p.erring(e)
	p.head("Zones over the range")
	for _, z := range r.Zones {
		p.say("%s", ZoneWords(z))
	}
	p.bands(r.Bands)
	p.head("Worked out")
	p.list(r.Findings)
	if len(r.Warnings) > 0 {
		p.head("Look at this before you go on")
		p.list(r.Warnings)
	}
	p.head(TreatmentHead)
	p.table(TreatmentTable(r.Treated))
	return p.err
}

// DatumName is the source that all is measured from.
func DatumName(site engine.Site) string {
	for _, s := range layout.StakeOut(site) {
		if s.FromDatumM == 0 {
			return s.Source
		}
	}
	return "the rearmost source"
}

// StakeTable is where every source goes, from the datum.
func StakeTable(site engine.Site) [][]string {
	table := [][]string{{"", "ahead", "aside", "straight", "front face up", "faces"}}
	for _, s := range layout.StakeOut(site) {
		table = append(table, []string{s.Source, metres(s.AlongM), aside(s.AsideM), metres(s.FromDatumM), metres(s.HeightM), degrees(s.FacingRad)})
	}
	return table
}

func metres(m float64) string { return strconv.FormatFloat(zero(m, 0.005), 'f', 2, 64) + " m" }

func aside(m float64) string {
	switch m = zero(m, 0.005); {
	case m > 0:
		return metres(m) + " left"
	case m < 0:
		return metres(-m) + " right"
	}
	return metres(0)
}

func degrees(rad float64) string {
	return strconv.FormatFloat(zero(rad*180/math.Pi, 0.5), 'f', 0, 64) + "°"
}

// zero is v, or plain 0 for what would be printed as -0.
func zero(v, below float64) float64 {
	if math.Abs(v) < below {
		return 0
	}
	return v
}

// ZoneWords says what a zone hears over the operating range.
func ZoneWords(z design.Zone) string {
	if z.Kind == engine.ZoneAudience {
		return fmt.Sprintf("%s: %.1f dB below everything in phase on average; 90 of 100 places lie within %.1f dB; deepest dip %.1f dB at %.0f Hz",
			z.Name, -z.MeanDB, z.SpreadDB, -z.WorstDB, z.WorstHz)
	}
	return fmt.Sprintf("%s: %s the audience on average, %s it at its loudest place and frequency (%.0f Hz)",
		z.Name, against(z.MeanDB), against(z.WorstDB), z.WorstHz)
}

// against says where a level is, seen from another.
func against(db float64) string {
	if db > 0 {
		return decibels(db) + " above"
	}
	return decibels(-db) + " below"
}

// bands says how levels are by thirds of an octave.
func (p *page) bands(levels []band.Level) {
	table, beyond := BandTable(levels)
	if len(table) == 0 {
		return
	}
	p.head(BandHead)
	p.table(table)
	if beyond != "" {
		p.say("  %s", beyond)
	}
}

// BandHead says what BandTable shows.
const BandHead = "By thirds of an octave (IEC 61260-1), each its mean of energy; zones below the audience"

// BandTable says in each third of an octave what is missing in front, and how far the
// rear microphone is below the front one and the quiet zones below the audience.
// beyond says what a star stands for, "" where there is none.
func BandTable(levels []band.Level) (table [][]string, beyond string) {
	if len(levels) == 0 {
		return nil, ""
	}
	head := []string{"", "from", "to", "short in front", "rear below front"}
	for _, q := range levels[0].Quiet {
		head = append(head, q.Name)
	}
	table = [][]string{head}
	for _, l := range levels {
		name := strconv.FormatFloat(l.NominalHz, 'f', -1, 64) + " Hz"
		if l.Beyond {
			name, beyond = name+" *", "* reaches beyond the operating range, and is taken whole"
		}
		line := []string{name, hertz(l.LowHz), hertz(l.HighHz), decibels(-l.FrontDB), decibels(-l.RearDB)}
		for _, q := range l.Quiet {
			line = append(line, decibels(-q.DB))
		}
		table = append(table, line)
	}
	return table, beyond
}

// TreatmentHead says what TreatmentTable shows.
const TreatmentHead = "Treatments of these cabinets where they stand: rear below front, then what it costs in front"

// TreatmentTable sets the treatments side by side, a line each.
func TreatmentTable(all []design.Treated) [][]string {
	table := [][]string{{"", "quietest", "at target", "mean", "worst", "short in front", "first notch", "headroom"}}
	for _, t := range all {
		notch := "none"
		if t.FirstNotchHz > 0 {
			notch = fmt.Sprintf("%.0f Hz", t.FirstNotchHz)
		}
		table = append(table, []string{
			string(t.Treatment), fmt.Sprintf("%.1f Hz", t.NullHz), decibels(-t.AtTargetDB), decibels(t.MeanRejectDB), decibels(t.WorstRejectDB),
			decibels(t.NotchInRangeDB), notch, decibels(t.HeadroomCostDB),
		})
	}
	return table
}

func decibels(db float64) string { return strconv.FormatFloat(zero(db, 0.05), 'f', 1, 64) + " dB" }

// Comparison prints the comparison's table, one column for each way.
func Comparison(w io.Writer, c design.Comparison) error {
	p := &page{w: w}
	p.say("%s", c.Reports[0].Site.Job)
	table := [][]string{append([]string{""}, c.Names...)}
	for _, r := range c.Rows() {
		line := []string{r.Label}
		for i, v := range r.Values {
			cell := "none"
			if r.Has[i] {
				cell = strconv.FormatFloat(zero(v, 0.05), 'f', 1, 64) + " " + r.Unit
				cell = strings.Replace(cell, " °", "°", 1)
			}
			line = append(line, cell)
		}
		table = append(table, line)
	}
	p.table(table)
	for i, r := range c.Reports {
		if len(r.Warnings) > 0 {
			p.head("Look at this before you choose " + c.Names[i])
			p.list(r.Warnings)
		}
	}
	return p.err
}

// page is text on its way to a terminal; the first fault in writing stays.
type page struct {
	w   io.Writer
	err error
}

func (p *page) say(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format+"\n", args...)
	}
}

func (p *page) head(text string) { p.say("\n%s", text) }

// list prints findings, folded to the width of a terminal.
func (p *page) list(findings []design.Finding) {
	const width = 96
	for _, f := range findings {
		line := " "
		mark := "-"
		for _, word := range strings.Fields(f.Text) {
			if len([]rune(line))+len([]rune(word))+1 > width {
				p.say("%s", line)
				line = "   "
			}
			if mark != "" {
				line, mark = line+mark, ""
			}
			line += " " + word
		}
		p.say("%s", line)
	}
}

// table prints lines in columns, the first of them to the left.
func (p *page) table(lines [][]string) {
	t := tabwriter.NewWriter(p.w, 0, 0, 2, ' ', tabwriter.AlignRight)
	widest := 0
	for _, line := range lines {
		widest = max(widest, len([]rune(line[0])))
	}
	for _, line := range lines {
		fmt.Fprintf(t, "%-*s\t%s\t\n", widest, line[0], strings.Join(line[1:], "\t"))
	}
	if err := t.Flush(); p.err == nil {
		p.err = err
	}
}
