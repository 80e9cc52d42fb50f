package printout

import (
	"encoding/json"
	"fmt"
	"io"
	"math"

	"hushback/engine"
	"hushback/engine/band"
	"hushback/engine/coverage"
	"hushback/engine/design"
	"hushback/engine/layout"
	"hushback/engine/solve"
)

// Told is a report as it is printed with --json.
type Told struct {
	Job        string             `json:"job"`
	TargetHz   float64            `json:"target_hz"`
	SoundSpeed float64            `json:"sound_speed_m_s"`
	Sheet      []Row              `json:"sheet"`
	StakeOut   []layout.Stake     `json:"stake_out"`
	Predicted  toldPrediction     `json:"predicted"`
	Findings   []design.Finding   `json:"findings"`
	Warnings   []design.Finding   `json:"warnings"`
	Openings   []coverage.Opening `json:"openings"`
	Triangles  []design.Triangle  `json:"triangles"`
	Zones      []design.Zone      `json:"zones"`
	Bands      []band.Level       `json:"bands"`
	Sides      []design.Sides     `json:"sides"`
	Treated    []design.Treated   `json:"treatments"`
	Search     *toldSearch        `json:"search,omitempty"` // only of a site with an aim
	Errors     *toldErring        `json:"errors,omitempty"` // only of a site by itself
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
	Predicted
	AtTargetDB     float64 `json:"at_target_db"`
	HeadroomCostDB float64 `json:"headroom_cost_db"`
	QuietDB        float64 `json:"quiet_db"`
}

// TellSite makes a report ready for JSON; z is nil without an aim, e in a
// comparison.
func TellSite(r design.Report, z *solve.Zoned, e *Erring) Told {
	sum := r.Prediction.Summary
	t := Told{
		Job: r.Site.Job, TargetHz: r.Site.Target.NullHz, SoundSpeed: r.Prediction.SoundSpeed,
		Sheet: Rows(r.Site, r.Sheet), StakeOut: layout.StakeOut(r.Site),
		Predicted: toldPrediction{
			Predicted:  Predicted{sum.NullHz, sum.NullDepthDB, sum.SumShortfallDB},
			AtTargetDB: sum.AtTargetDB, HeadroomCostDB: r.Prediction.HeadroomCostDB, QuietDB: r.Prediction.QuietDB,
		},
		Findings: list(r.Findings), Warnings: list(r.Warnings), Openings: list(r.Openings), Triangles: list(r.Triangles),
		Zones: list(r.Zones), Bands: list(r.Bands), Sides: list(r.Sides), Treated: list(r.Treated),
	}
	if z != nil {
		t.Search = &toldSearch{z.Mean, z.Bound, z.Complete, z.FreqHz, z.RatioDB, z.BoundDB, z.CostDB}
	}
	if e != nil {
		t.Errors = tellErring(*e)
	}
	return t
}

// Rows are a sheet's settings for people, as far as any processor goes.
func Rows(site engine.Site, sheet engine.Sheet) []Row {
	all := make([]Row, len(sheet.Settings))
	for i, set := range sheet.Settings {
		output, _ := site.Output(set.Output)
		all[i] = RowOf(set, output.Label)
	}
	return all
}

// RowOf is one output's settings for people, label and all.
func RowOf(set engine.Setting, label string) Row {
	return Row{set.Output, Round(set.DelaySec*1000, 3), set.Polarity, Round(set.GainDB, 2), label}
}

// ToldComparison is a comparison as it is printed with --json.
type ToldComparison struct {
	Names []string     `json:"names"`
	Rows  []design.Row `json:"rows"`
	Sites []Told       `json:"sites"`
}

// TellComparison makes a comparison ready for JSON.
func TellComparison(c design.Comparison) ToldComparison {
	t := ToldComparison{Names: c.Names, Rows: c.Rows()}
	for _, r := range c.Reports {
		t.Sites = append(t.Sites, TellSite(r, nil, nil))
	}
	return t
}

// list is one that programs find empty, not null, where there is nothing in it.
func list[T any](all []T) []T { return append([]T{}, all...) }

// JSON prints v as one indented object.
func JSON(w io.Writer, v any) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	return encoder.Encode(v)
}

// Row is one output's settings as people read them.
type Row struct {
	Output   int     `json:"output"`
	DelayMS  float64 `json:"delay_ms"`
	Polarity int     `json:"polarity"`
	GainDB   float64 `json:"gain_db"`
	label    string
}

// String is the settings as words, without the output's number.
func (r Row) String() string {
	polarity := "normal"
	if r.Polarity < 0 {
		polarity = "reversed"
	}
	return fmt.Sprintf("%7.2f ms  %6.1f dB  polarity %-8s  %s", r.DelayMS, r.GainDB, polarity, r.label)
}

// Predicted is what the microphones should find.
type Predicted struct {
	NullHz      float64 `json:"null_hz"`
	NullDepthDB float64 `json:"null_depth_db"`
	ShortfallDB float64 `json:"sum_shortfall_db"`
}

// Round is v to so many decimal places.
func Round(v float64, digits int) float64 {
	scale := math.Pow10(digits)
	return math.Round(v*scale) / scale
}
