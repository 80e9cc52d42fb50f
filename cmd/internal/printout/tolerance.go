package printout

import (
	"fmt"
	"strconv"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/tolerance"
)

// costliest is how many errors are listed: more than that nobody measures again.
const costliest = 6

// Erring is what rigs within a site's tolerances do, and the limits that a
// measurement is held to.
type Erring struct {
	Site   engine.Site // as its file has it
	Report tolerance.Report
	Held   engine.Limits // in force
	NoNull error         // why nothing can be in force
}

// Err holds a report against the site that it is about.
func Err(site engine.Site, r tolerance.Report) Erring {
	held, err := r.Hold(site)
	return Erring{site, r, held.Limits, err}
}

func (p *page) erring(e Erring) {
	r := e.Report
	p.head("What errors do")
	p.say("%s", ToleranceWords(e.Site.Tolerance))
	p.table(Intervals(e))
	if !Tells(e) {
		p.say("%s", NoNull)
	}
	p.list([]design.Finding{{Text: r.Advice()}})
	if table := Costs(e); len(table) > 1 {
		p.head(CostHead(e))
		p.table(table)
	}
	p.head("A measurement must clear")
	if e.NoNull != nil {
		p.list([]design.Finding{{Text: e.NoNull.Error()}})
		return
	}
	p.table(LimitTable(e))
}

// NoNull is said where nothing Tells.
const NoNull = "no one frequency is the quietest behind, so where the null lies means nothing"

// ToleranceWords says how far a rig may be from its site file.
func ToleranceWords(t engine.Tolerance) string {
	return fmt.Sprintf("95 of 100 within %s and %s of source and microphone places, %s of levels, %s of the air's temperature",
		tolerance.SourceAlong.Amount(t.PositionM), tolerance.MicrophoneAlong.Amount(t.MicrophoneM),
		tolerance.SourceLevel.Amount(t.LevelDB), tolerance.Temperature.Amount(t.TemperatureC))
}

// CostHead says what Costs shows.
func CostHead(e Erring) string {
	return "Errors that cost most, each alone: what becomes of rear over front at " + hertz(e.Report.TargetHz)
}

// Tells says whether the frequency of the null is one, and not any of the range.
func Tells(e Erring) bool {
	band := e.Site.Target.Range
	return e.Report.NullHz.High-e.Report.NullHz.Low < (band.HighHz-band.LowHz)/2 && band.LowHz < e.Report.NullHz.Median && e.Report.NullHz.Median < band.HighHz
}

// Intervals is where 90 of 100 rigs lie.
func Intervals(e Erring) [][]string {
	r := e.Report
	table := [][]string{{"90 of 100 rigs", "from", "half of them", "to"}}
	add := func(name string, v tolerance.Interval, text func(float64) string) {
		table = append(table, []string{name, text(v.Low), text(v.Median), text(v.High)})
	}
	if Tells(e) {
		add("quietest behind at", r.NullHz, hertz)
		add("rear over front there", r.NullDepthDB, decibels)
	}
	add("rear over front at "+hertz(r.TargetHz), r.AtTargetDB, decibels)
	add("short of a full sum in front, at worst", r.SumShortfallDB, decibels)
	return table
}

// Costs lists the errors that cost most; no line but its head where there is none.
func Costs(e Erring) [][]string {
	head := []string{"", "within", "then", "such as", "then", "null moves"}
	if !Tells(e) {
		head = head[:len(head)-1]
	}
	table := [][]string{head}
	for _, c := range e.Report.Costliest(costliest) {
		line := []string{
			errorName(c), c.Kind.Amount(c.Tolerance), decibels(c.AtToleranceDB), c.Kind.Amount(c.Round), decibels(c.AtRoundDB),
			fmt.Sprintf("%+.1f Hz", zero(c.NullHzPerUnit*c.Round, 0.05)),
		}
		table = append(table, line[:len(head)])
	}
	return table
}

// errorName says what is off, and where.
func errorName(e tolerance.Effect) string {
	switch e.Kind {
	case tolerance.SourceAlong, tolerance.MicrophoneAlong:
		return e.Of + ", forward or back"
	case tolerance.SourceAside, tolerance.MicrophoneAside:
		return e.Of + ", aside"
	case tolerance.SourceLevel:
		return e.Of + ", level"
	case tolerance.DelayStep:
		return "output " + e.Of + ", delay"
	}
	return "temperature of the air"
}

// LimitTable shows beside each limit what 95 of 100 rigs clear: a limit that is
// tighter refutes rigs that are as good as the site's tolerances let them be.
func LimitTable(e Erring) [][]string {
	own, clear := e.Site.Limits, e.Report.Limits()
	from := func(limit float64) string {
		if limit == 0 {
			return "worked out"
		}
		return "the site file"
	}
	return [][]string{
		{"", "", "from", "95 of 100 rigs clear"},
		{"rear over front at " + hertz(e.Report.TargetHz), "at most " + decibels(-e.Held.NullDepthDB), from(own.NullDepthDB), decibels(-clear.NullDepthDB)},
		{"quietest behind", "within " + hertz(e.Held.NullOffsetHz) + " of it", from(own.NullOffsetHz), hertz(clear.NullOffsetHz)},
		{"short of a full sum in front", "at most " + decibels(e.Held.SumShortfallDB), from(own.SumShortfallDB), decibels(clear.SumShortfallDB)},
	}
}

func hertz(hz float64) string { return strconv.FormatFloat(hz, 'f', 1, 64) + " Hz" }

// toldErring is Erring as it is printed with --json.
type toldErring struct {
	Tolerance      toldTolerance `json:"two_standard_deviations"`
	NullHz         *toldInterval `json:"null_hz,omitempty"` // only where it means something
	NullDepthDB    *toldInterval `json:"null_depth_db,omitempty"`
	AtTargetDB     *toldInterval `json:"at_target_db"`
	SumShortfallDB *toldInterval `json:"sum_shortfall_db"`
	Advice         string        `json:"advice"`
	Costliest      []toldError   `json:"costliest"`
	Limits         []toldLimit   `json:"limits"`            // in force
	NoNull         string        `json:"no_null,omitempty"` // why none are
}

type toldTolerance struct {
	PositionM    float64 `json:"position_m"`
	MicrophoneM  float64 `json:"microphone_m"`
	LevelDB      float64 `json:"level_db"`
	TemperatureC float64 `json:"temperature_c"`
}

// toldInterval holds 90 of 100 rigs.
type toldInterval struct {
	Low    float64 `json:"low"`
	Median float64 `json:"median"`
	High   float64 `json:"high"`
}

// toldError is in m, dB, s or °C, by its kind.
type toldError struct {
	Kind          tolerance.Kind `json:"kind"`
	Of            string         `json:"of,omitempty"`
	Tolerance     float64        `json:"tolerance"`
	AtToleranceDB float64        `json:"at_tolerance_db"`
	Round         float64        `json:"round"`
	AtRoundDB     float64        `json:"at_round_db"`
	NullHzPerUnit float64        `json:"null_hz_per_unit"`
}

type toldLimit struct {
	Name   string  `json:"name"`
	Value  float64 `json:"value"`
	Worked bool    `json:"worked_out"` // from the tolerances; otherwise the site's own
}

func tellErring(e Erring) *toldErring {
	r, t := e.Report, e.Site.Tolerance
	interval := func(v tolerance.Interval) *toldInterval { return &toldInterval{v.Low, v.Median, v.High} }
	told := &toldErring{
		Tolerance:  toldTolerance{t.PositionM, t.MicrophoneM, t.LevelDB, t.TemperatureC},
		AtTargetDB: interval(r.AtTargetDB), SumShortfallDB: interval(r.SumShortfallDB), Advice: r.Advice(),
		Costliest: []toldError{}, Limits: []toldLimit{},
	}
	if Tells(e) {
		told.NullHz, told.NullDepthDB = interval(r.NullHz), interval(r.NullDepthDB)
	}
	for _, c := range r.Costliest(costliest) {
		told.Costliest = append(told.Costliest, toldError{c.Kind, c.Of, c.Tolerance, c.AtToleranceDB, c.Round, c.AtRoundDB, c.NullHzPerUnit})
	}
	if e.NoNull != nil {
		told.NoNull = e.NoNull.Error()
		return told
	}
	own := e.Site.Limits
	told.Limits = []toldLimit{
		{"null_depth_db", e.Held.NullDepthDB, own.NullDepthDB == 0},
		{"null_offset_hz", e.Held.NullOffsetHz, own.NullOffsetHz == 0},
		{"sum_shortfall_db", e.Held.SumShortfallDB, own.SumShortfallDB == 0},
	}
	return told
}
