package desk

import (
	"math"
	"slices"
	"time"

	"hushback/control"
	"hushback/engine"
)

// Standing is a control.State laid flat: where the change stands, with
// whatever its state knows.
type Standing struct {
	Name     string // "idle", "drafted", "sending", "measuring", "held", "kept", "rolled back", "adrift"
	Running  bool   // a change is on its way
	Change   string
	DryRun   *control.DryRun
	Sent     int
	Total    int
	KeepBy   time.Time
	Readings []control.Reading
	To       string
	Reason   string
	Outputs  []int  // in doubt
	Blind    []int  // cannot be read back
	Restores string // what was stored and is restored, "" for a sheet that is measured
}

// Flatten lays a state flat. No state at all is idle.
func Flatten(state control.State) Standing {
	switch s := state.(type) {
	case control.Drafted:
		return Standing{Name: "drafted", DryRun: &s.DryRun}
	case control.Sending:
		return Standing{Name: "sending", Running: true, Change: s.Change, Sent: s.Sent, Total: s.Total, Readings: s.Readings}
	case control.Measuring:
		return Standing{Name: "measuring", Running: true, Change: s.Change, Readings: s.Readings}
	case control.Held:
		st := Standing{Name: "held", Running: true, Change: s.Change, KeepBy: s.KeepBy, Readings: s.Readings}
		st.Blind = blindOf(st)
		return st
	case control.Kept:
		return Standing{Name: "kept", Change: s.Change, Readings: s.Readings, Blind: s.Blind}
	case control.RolledBack:
		return Standing{Name: "rolled back", Change: s.Change, To: s.To, Reason: s.Reason, Readings: s.Readings, Blind: s.Blind}
	case control.Adrift:
		return Standing{Name: "adrift", Change: s.Change, Outputs: s.Outputs, Reason: s.Reason}
	default:
		return Standing{Name: "idle"}
	}
}

// blindOf is the outputs of readings that cannot be read back, ascending.
func blindOf(st Standing) []int {
	var out []int
	for _, r := range st.Readings {
		if r.Blind && !slices.Contains(out, r.Output) {
			out = append(out, r.Output)
		}
	}
	slices.Sort(out)
	return out
}

// ShortCode is the part of an ID that a person tells it by.
func ShortCode(digest string) string {
	if len(digest) < 8 {
		return digest
	}
	return digest[:4] + "-" + digest[4:8]
}

// Back is where the undo of a dry run leads: control.ToBefore or control.ToSafe.
func Back(d control.DryRun) string {
	if d.Back == control.ToSafe {
		return control.ToSafe
	}
	return control.ToBefore
}

// StateName is a state's word on the page, in logs and for programs.
func StateName(state control.State) string { return Flatten(state).Name }

// Report is the JSON object of GET /state.json, for programs on this machine.
// A number that is not known, or not finite, is null.
type Report struct {
	Seq        uint64     `json:"seq"`
	Job        string     `json:"job"`
	Processor  string     `json:"processor"`
	State      string     `json:"state"`  // "idle", "drafted", "sending", "measuring", "held", "kept", "rolled back", "adrift"
	Change     string     `json:"change"` // what /keep and /roll-back want; "" when there is none
	Digest     string     `json:"digest"` // what /confirm wants; "" unless drafted
	Code       string     `json:"code"`   // the words that the page and the terminal show for Digest
	Expires    *time.Time `json:"expires"`
	Sent       int        `json:"sent"`
	Total      int        `json:"total"`
	KeepBy     *time.Time `json:"keep_by"`
	To         string     `json:"rolled_back_to"`
	Reason     string     `json:"reason"`
	InDoubt    []int      `json:"outputs_in_doubt"`
	Doing      string     `json:"doing"`
	Notice     string     `json:"notice"`
	SafeStored bool       `json:"safe_stored"`
	Predicted  Numbers    `json:"predicted"`
	Verdict    *Judgement `json:"verdict"`
	Feeds      []Hearing  `json:"feeds"`
	Restores   string     `json:"restores"`          // what was stored and is restored without measuring, in words; "" for the sheet
	BackTo     string     `json:"back_to"`           // where the undo of the dry run leads; "" unless drafted
	Blind      []int      `json:"blind_outputs"`     // of the dry run or the change: cannot be read back, so /confirm wants blind=yes
	Elsewhere  []Change   `json:"changed_elsewhere"` // what /accept and /put-back are about
	Presets    []Stored   `json:"presets"`           // what /dry-run-preset takes, by name
}

// Change is a value that somebody else changed.
type Change struct {
	Output    int       `json:"output"`
	Parameter string    `json:"parameter"`
	Before    string    `json:"before"`
	Now       string    `json:"now"`
	Seen      time.Time `json:"first_seen"`
}

// Stored is a preset: what it is called, what its settings are known by, when
// they were taken.
type Stored struct {
	Name  string    `json:"name"`
	ID    string    `json:"id"`
	Taken time.Time `json:"taken"`
}

// Numbers are those of an engine.Summary.
type Numbers struct {
	NullHz         *float64 `json:"null_hz"`
	NullDepthDB    *float64 `json:"null_depth_db"`
	AtTargetDB     *float64 `json:"at_target_db"`
	SumShortfallDB *float64 `json:"sum_shortfall_db"`
}

// Judgement is a verdict.
type Judgement struct {
	Outcome string   `json:"outcome"`
	Reasons []string `json:"reasons"`
	Numbers
}

// Hearing is one microphone's connection.
type Hearing struct {
	Microphone string   `json:"microphone"`
	Role       string   `json:"role"`
	Connected  bool     `json:"connected"`
	LevelDB    *float64 `json:"level_db"`
	FloorDB    *float64 `json:"floor_db"`      // when nothing played
	OverNoise  *float64 `json:"over_noise_db"` // signal over the noise of one average, over the operating range
	Coherence  *float64 `json:"coherence"`     // mean over the operating range
	Clipped    bool     `json:"clipped"`
	Trouble    string   `json:"trouble"`
}

// ReportOf lays a view out for programs.
func ReportOf(v View) Report {
	st := Flatten(v.State)
	r := Report{
		Seq: v.Seq, Job: v.Site.Job, Processor: v.Processor,
		State: st.Name, Change: st.Change, Sent: st.Sent, Total: st.Total,
		To: st.To, Reason: st.Reason, InDoubt: st.Outputs, Doing: v.Doing, Notice: v.Notice,
		SafeStored: v.Safe != nil, Predicted: numbersOf(v.Prediction.Summary), Restores: v.Restores, Blind: st.Blind,
	}
	if st.DryRun != nil {
		r.BackTo, r.Blind = Back(*st.DryRun), st.DryRun.Blind
		r.Digest, r.Code, r.Expires = st.DryRun.Digest, Words(st.DryRun.Digest), &st.DryRun.Expires
	}
	if !st.KeepBy.IsZero() {
		r.KeepBy = &st.KeepBy
	}
	if v.Verdict != nil {
		r.Verdict = &Judgement{Outcome: string(v.Verdict.Outcome), Reasons: v.Verdict.Reasons, Numbers: numbersOf(v.Verdict.Summary)}
	}
	for _, f := range v.Feeds {
		r.Feeds = append(r.Feeds, Hearing{f.Microphone, string(f.Role), f.Connected, Finite(f.LevelDB), Finite(f.FloorDB), Finite(f.OverNoiseDB), Finite(f.Coherence), f.Clipped, f.Trouble})
	}
	for _, s := range v.Strange {
		r.Elsewhere = append(r.Elsewhere, Change{s.Output, s.Param.String(), s.Before, s.Now, s.Seen})
	}
	for _, p := range v.Presets {
		r.Presets = append(r.Presets, Stored{p.Name, p.ID(), p.Taken})
	}
	return r
}

func numbersOf(s engine.Summary) Numbers {
	return Numbers{Finite(s.NullHz), Finite(s.NullDepthDB), Finite(s.AtTargetDB), Finite(s.SumShortfallDB)}
}

// Finite is v, or nil where JSON has no number for it.
func Finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
