package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/engine"
	"hushback/verify"
)

// Tables are the numbers of a report for spreadsheets and programs.
type Tables struct {
	Site     engine.Site
	Before   []engine.Setting // nil where there is none to tell of
	Sheet    engine.Sheet
	Captures []verify.Capture
}

// Write puts sheet.csv, captures.csv and captures.json into a folder, which is made
// if it is not there, and lists them. Units stand in the names; numbers have as many
// digits as it takes to read the same bits again.
func (t Tables) Write(folder string) (files []string, err error) {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, fmt.Errorf("--tables: %w", err)
	}
	for _, f := range []struct {
		name string
		text func() ([]byte, error)
	}{{"sheet.csv", t.sheet}, {"captures.csv", t.captures}, {"captures.json", t.capturesJSON}} {
		text, err := f.text()
		if err != nil {
			return files, fmt.Errorf("%s: %w", f.name, err)
		}
		path := filepath.Join(folder, f.name)
		if err := Write(path, text); err != nil {
			return files, err
		}
		files = append(files, path)
	}
	return files, nil
}

// lines is CSV by RFC 4180.
func lines(rows [][]string) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	if err := w.WriteAll(rows); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// words are somebody's free text for a cell. A spreadsheet takes what begins with one
// of these signs for a formula, and runs it; an apostrophe before it makes it text.
func words(text string) string {
	if text != "" && strings.ContainsAny(text[:1], "=+-@\t\r\n|%") {
		return "'" + text
	}
	return text
}

// number is v with all its digits; what has no finite value is an empty cell.
func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

func (t Tables) sheet() ([]byte, error) {
	rows := [][]string{{
		"output", "label", "processor", "channel", "delay_s", "gain_db", "polarity", "muted",
		"before_delay_s", "before_gain_db", "before_polarity", "before_muted",
	}}
	settings := func(s engine.Setting) []string {
		return []string{number(s.DelaySec), number(s.GainDB), strconv.Itoa(s.Polarity), strconv.FormatBool(s.Muted)}
	}
	for _, set := range t.Sheet.Settings {
		o, _ := t.Site.Output(set.Output)
		row := append([]string{strconv.Itoa(set.Output), words(o.Label), words(o.Processor), strconv.Itoa(o.OnChannel())}, settings(set)...)
		before := []string{"", "", "", ""}
		if was, known := (engine.Sheet{Settings: t.Before}).Setting(set.Output); known {
			before = settings(was)
		}
		rows = append(rows, append(row, before...))
	}
	return lines(rows)
}

// capture is one capture made ready for programs. What has no finite value is nil.
type capture struct {
	Capture    int       `json:"capture"` // counted from 1
	Microphone string    `json:"microphone"`
	Role       string    `json:"role"`
	Playing    []int     `json:"playing_outputs"`
	Muted      []int     `json:"muted_outputs"`
	Sheet      string    `json:"sheet_digest"`
	Taken      time.Time `json:"taken_utc"`
	AirC       float64   `json:"air_temperature_c"`
	ArrivalS   float64   `json:"arrival_taken_out_s"`
	LatencyS   float64   `json:"latency_taken_out_s"`
	Averages   float64   `json:"averages"`
	Lines      []point   `json:"lines"`
}

// point is a capture at one frequency.
type point struct {
	FreqHz    float64  `json:"freq_hz"`
	LevelDB   *float64 `json:"level_db"`
	PhaseDeg  *float64 `json:"phase_deg"`
	Coherence *float64 `json:"coherence"`
	LevelLow  *float64 `json:"level_low_90_db"`
	LevelHigh *float64 `json:"level_high_90_db"`
	PhaseLow  *float64 `json:"phase_low_90_deg"`
	PhaseHigh *float64 `json:"phase_high_90_deg"`
	SNR       *float64 `json:"snr_db"`
}

// pointNames are the columns of a point.
func pointNames() []string {
	return []string{"freq_hz", "level_db", "phase_deg", "coherence", "level_low_90_db", "level_high_90_db", "phase_low_90_deg", "phase_high_90_deg", "snr_db"}
}

// all are the captures made ready.
func (t Tables) all() []capture {
	out := []capture{}
	for i, c := range t.Captures {
		one := capture{
			Capture: i + 1, Microphone: c.Microphone, Role: string(c.Role), Playing: []int{}, Muted: []int{}, Sheet: c.SheetDigest, Taken: c.Taken.UTC(),
			AirC: c.Air.TemperatureC, ArrivalS: c.DelaySec, LatencyS: c.LatencySec, Averages: c.Function.Averages, Lines: []point{},
		}
		open := engine.Heard{Row: c.Row, Solo: c.Solo}.Outputs(t.Site)
		for _, o := range t.Site.OutputNumbers() {
			if open == nil || slices.Contains(open, o) {
				one.Playing = append(one.Playing, o)
			} else {
				one.Muted = append(one.Muted, o)
			}
		}
		for k := range c.Function.FreqHz {
			one.Lines = append(one.Lines, pointOf(c, k))
		}
		out = append(out, one)
	}
	return out
}

func pointOf(c verify.Capture, k int) point {
	const degree = 180 / math.Pi
	f := c.Function
	levelLow, levelHigh := f.LevelInterval(k, verify.LikelyPercent)
	phaseLow, phaseHigh := f.PhaseInterval(k, verify.LikelyPercent)
	return point{
		FreqHz: f.FreqHz[k], LevelDB: desk.Finite(20 * math.Log10(cmplx.Abs(f.H[k]))), PhaseDeg: desk.Finite(cmplx.Phase(f.H[k]) * degree), Coherence: desk.Finite(f.Coherence[k]),
		LevelLow: desk.Finite(levelLow), LevelHigh: desk.Finite(levelHigh), PhaseLow: desk.Finite(phaseLow * degree), PhaseHigh: desk.Finite(phaseHigh * degree), SNR: desk.Finite(f.SignalToNoiseDB(k)),
	}
}

func (t Tables) captures() ([]byte, error) {
	rows := [][]string{append([]string{
		"capture", "microphone", "role", "playing_outputs", "muted_outputs", "sheet_digest", "taken_utc", "air_temperature_c",
	}, pointNames()...)}
	for _, c := range t.all() {
		head := []string{
			strconv.Itoa(c.Capture), words(c.Microphone), c.Role, spaced(c.Playing), spaced(c.Muted), c.Sheet, c.Taken.Format(time.RFC3339Nano), number(c.AirC),
		}
		for _, p := range c.Lines {
			row := append(append([]string{}, head...), number(p.FreqHz))
			for _, v := range []*float64{p.LevelDB, p.PhaseDeg, p.Coherence, p.LevelLow, p.LevelHigh, p.PhaseLow, p.PhaseHigh, p.SNR} {
				cell := ""
				if v != nil {
					cell = number(*v)
				}
				row = append(row, cell)
			}
			rows = append(rows, row)
		}
	}
	return lines(rows)
}

// spaced are numbers with spaces between them.
func spaced(all []int) string { return strings.Trim(fmt.Sprint(all), "[]") }

func (t Tables) capturesJSON() ([]byte, error) {
	text, err := json.MarshalIndent(struct {
		Job      string    `json:"job"`
		Captures []capture `json:"captures"`
	}{t.Site.Job, t.all()}, "", " ")
	return append(text, '\n'), err
}
