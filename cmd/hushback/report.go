package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"hushback/engine"
	"hushback/engine/coverage"
	"hushback/engine/design"
	"hushback/engine/layout"
	"hushback/engine/solve"
)

// told is a report as it is printed with --json.
type told struct {
	Job        string             `json:"job"`
	TargetHz   float64            `json:"target_hz"`
	SoundSpeed float64            `json:"sound_speed_m_s"`
	Sheet      []row              `json:"sheet"`
	StakeOut   []layout.Stake     `json:"stake_out"`
	Predicted  toldPrediction     `json:"predicted"`
	Findings   []design.Finding   `json:"findings"`
	Warnings   []design.Finding   `json:"warnings"`
	Openings   []coverage.Opening `json:"openings"`
	Triangles  []design.Triangle  `json:"triangles"`
	Zones      []design.Zone      `json:"zones"`
	Sides      []design.Sides     `json:"sides"`
	Treated    []design.Treated   `json:"treatments"`
	Search     *toldSearch        `json:"search,omitempty"` // only of a site with an aim
}

// toldSearch is what the search for an aim found beside what no processing with
// these sources could exceed.
type toldSearch struct {
	MeanDB   float64   `json:"mean_db"`
	BoundDB  float64   `json:"bound_db"`
	Complete bool      `json:"complete"` // false: interrupted, the best so far
	FreqHz   []float64 `json:"freq_hz"`
	RatioDB  []float64 `json:"ratio_db"`
	Bounds   []float64 `json:"bound_at_freq_db"`
	CostDB   []float64 `json:"headroom_cost_db"`
}

type toldPrediction struct {
	predicted
	AtTargetDB     float64 `json:"at_target_db"`
	HeadroomCostDB float64 `json:"headroom_cost_db"`
	QuietDB        float64 `json:"quiet_db"`
}

func tellSite(r design.Report, z *solve.Zoned) told {
	sum := r.Prediction.Summary
	t := told{
		Job: r.Site.Job, TargetHz: r.Site.Target.NullHz, SoundSpeed: r.Prediction.SoundSpeed,
		Sheet: rows(r.Site, r.Sheet), StakeOut: layout.StakeOut(r.Site),
		Predicted: toldPrediction{
			predicted:  predicted{sum.NullHz, sum.NullDepthDB, sum.SumShortfallDB},
			AtTargetDB: sum.AtTargetDB, HeadroomCostDB: r.Prediction.HeadroomCostDB, QuietDB: r.Prediction.QuietDB,
		},
		Findings: r.Findings, Warnings: r.Warnings, Openings: r.Openings, Triangles: r.Triangles,
		Zones: r.Zones, Sides: r.Sides, Treated: r.Treated,
	}
	if z != nil {
		t.Search = &toldSearch{z.Mean, z.Bound, z.Complete, z.FreqHz, z.RatioDB, z.BoundDB, z.CostDB}
	}
	return t
}

// rows are a sheet's settings for people, as far as any processor goes.
func rows(site engine.Site, sheet engine.Sheet) []row {
	all := make([]row, len(sheet.Settings))
	for i, set := range sheet.Settings {
		output, _ := site.Output(set.Output)
		all[i] = row{set.Output, round(set.DelaySec*1000, 3), set.Polarity, round(set.GainDB, 2), output.Label}
	}
	return all
}

type toldComparison struct {
	Names []string     `json:"names"`
	Rows  []design.Row `json:"rows"`
	Sites []told       `json:"sites"`
}

func tellComparison(c design.Comparison) toldComparison {
	t := toldComparison{Names: c.Names, Rows: c.Rows()}
	for _, r := range c.Reports {
		t.Sites = append(t.Sites, tellSite(r, nil))
	}
	return t
}

func printJSON(w io.Writer, v any) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	return encoder.Encode(v)
}

// printReport says everything of a report on a screen of 80 columns or so.
func printReport(w io.Writer, r design.Report, z *solve.Zoned) error {
	p := &page{w: w}
	p.say("%s", r.Site.Job)
	t := r.Site.Target
	p.say("null wanted at %.1f Hz, range %.0f to %.0f Hz; sound travels %.1f m/s", t.NullHz, t.Range.LowHz, t.Range.HighHz, r.Prediction.SoundSpeed)
	p.head("Settings")
	for _, s := range rows(r.Site, r.Sheet) {
		p.say("output %-3d %7.2f ms  %6.1f dB  polarity %-8s  %s", s.Output, s.DelayMS, s.GainDB, polarityWord(s.Polarity), s.label)
	}
	p.head("Stake out, from the mark on the ground below the front of " + datumName(r.Site))
	p.table(stakeTable(r.Site))
	p.head("Predicted")
	sum := r.Prediction.Summary
	p.say("quietest behind at %.1f Hz, %.0f dB below the front; %.0f dB at the target", sum.NullHz, -sum.NullDepthDB, -sum.AtTargetDB)
	p.say("sum in front %.1f dB short of coherent at worst (%.0f Hz); headroom cost %.1f dB", sum.SumShortfallDB, sum.ShortfallAtHz, r.Prediction.HeadroomCostDB)
	if z != nil {
		p.head("Search for the aim" + map[bool]string{false: ", interrupted: the best so far", true: ""}[z.Complete])
		p.say("front over quiet zones %.1f dB; no processing with these sources could exceed %.1f dB within the same headroom", z.Mean, z.Bound)
	}
	p.head("Zones over the range")
	for _, z := range r.Zones {
		p.say("%s", zoneWords(z))
	}
	p.head("Worked out")
	p.list(r.Findings)
	if len(r.Warnings) > 0 {
		p.head("Look at this before you go on")
		p.list(r.Warnings)
	}
	p.head("Treatments of these cabinets where they stand")
	p.table(treatmentTable(r.Treated))
	return p.err
}

func polarityWord(polarity int) string {
	if polarity < 0 {
		return "reversed"
	}
	return "normal"
}

// datumName is the source that all is measured from.
func datumName(site engine.Site) string {
	for _, s := range layout.StakeOut(site) {
		if s.FromDatumM == 0 {
			return s.Source
		}
	}
	return "the rearmost source"
}

func stakeTable(site engine.Site) [][]string {
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

func zoneWords(z design.Zone) string {
	if z.Kind == engine.ZoneAudience {
		return fmt.Sprintf("%s: %.1f dB below everything in phase on average; 90 of 100 places lie within %.1f dB; deepest dip %.1f dB at %.0f Hz",
			z.Name, -z.MeanDB, z.SpreadDB, -z.WorstDB, z.WorstHz)
	}
	return fmt.Sprintf("%s: %.1f dB below the audience on average, %.1f dB at its loudest place and frequency (%.0f Hz)",
		z.Name, -z.MeanDB, -z.WorstDB, z.WorstHz)
}

func treatmentTable(all []design.Treated) [][]string {
	table := [][]string{{"", "quietest", "at target", "mean", "worst", "front down", "first notch", "headroom"}}
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

// printComparison prints the comparison's table, one column for each way.
func printComparison(w io.Writer, c design.Comparison) error {
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
