package preset

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"hushback/engine"
)

// format names the file that a preset is exported as.
const format = "hushback preset 1"

// exported is that file, JSON that a person can read.
type exported struct {
	Format   string            `json:"format"`
	Name     string            `json:"name"`
	Taken    time.Time         `json:"taken"`
	ID       string            `json:"id"` // SHA-256 over the settings: a changed digit is noticed
	Settings []exportedSetting `json:"settings"`
}

// exportedSetting has its numbers as they are stored, in full.
type exportedSetting struct {
	Output   int     `json:"output"`
	DelaySec float64 `json:"delay_s"`
	Polarity int     `json:"polarity"`
	GainDB   float64 `json:"gain_db"`
	Muted    bool    `json:"muted"`
}

// Export spells a preset as a file to carry elsewhere or to keep.
func Export(p Preset) ([]byte, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	file := exported{Format: format, Name: p.Name, Taken: p.Taken, ID: p.ID()}
	for _, set := range p.Settings {
		file.Settings = append(file.Settings, exportedSetting(set))
	}
	body, err := json.MarshalIndent(file, "", "  ")
	return append(body, '\n'), err
}

// Import reads a preset from such a file. Errors: anything that is not exactly
// one such file, or settings that are not those of its ID.
func Import(file []byte) (Preset, error) {
	decoder := json.NewDecoder(bytes.NewReader(file))
	decoder.DisallowUnknownFields()
	var e exported
	if err := decoder.Decode(&e); err != nil {
		return Preset{}, fmt.Errorf("preset file: %w", err)
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return Preset{}, errors.New("preset file: there is more in it after the preset")
	}
	if e.Format != format {
		return Preset{}, fmt.Errorf("preset file: format: got %q, want %q", e.Format, format)
	}
	p := Preset{Name: e.Name, Taken: e.Taken}
	for _, set := range e.Settings {
		p.Settings = append(p.Settings, engine.Setting(set))
	}
	if err := p.check(); err != nil {
		return Preset{}, fmt.Errorf("preset file: %w", err)
	}
	if p.ID() != e.ID {
		return Preset{}, fmt.Errorf("preset file: the settings are not those of its id, %.8s: it was changed after it was exported", e.ID)
	}
	return p, nil
}

// Difference is an output that two presets set differently, or that only one
// of them knows.
type Difference struct {
	Output int
	A, B   *engine.Setting // nil: that preset does not know the output
}

// Compare lists where two presets differ, ascending by output. Values that
// differ in any digit are different.
func Compare(a, b Preset) []Difference {
	var all []Difference
	other := engine.Sheet{Settings: b.Settings}
	own := engine.Sheet{Settings: a.Settings}
	i, j := 0, 0
	for i < len(a.Settings) || j < len(b.Settings) {
		var output int
		switch {
		case j == len(b.Settings) || i < len(a.Settings) && a.Settings[i].Output <= b.Settings[j].Output:
			output = a.Settings[i].Output
		default:
			output = b.Settings[j].Output
		}
		d := Difference{Output: output}
		if set, ok := own.Setting(output); ok {
			d.A = &set
			i++
		}
		if set, ok := other.Setting(output); ok {
			d.B = &set
			j++
		}
		if d.A == nil || d.B == nil || *d.A != *d.B {
			all = append(all, d)
		}
	}
	return all
}
