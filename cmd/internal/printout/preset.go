package printout

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"hushback/control/preset"
	"hushback/engine"
)

// ToldPreset is a preset as it is printed with --json.
type ToldPreset struct {
	Name     string           `json:"name"`
	ID       string           `json:"id"`
	Taken    time.Time        `json:"taken"`
	Settings []engine.Setting `json:"settings"`
}

// TellPreset makes a preset ready for JSON.
func TellPreset(p preset.Preset) ToldPreset { return ToldPreset{p.Name, p.ID(), p.Taken, p.Settings} }

// Presets lists what is stored.
func Presets(w io.Writer, all []preset.Preset, asJSON bool) error {
	told := []ToldPreset{}
	for _, p := range all {
		told = append(told, TellPreset(p))
	}
	if asJSON {
		return JSON(w, told)
	}
	if len(all) == 0 {
		_, err := fmt.Fprintln(w, "no preset is stored yet")
		return err
	}
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, p := range told {
		fmt.Fprintf(table, "%s\t%.12s\t%s\t%d outputs\n", p.Name, p.ID, p.Taken.Local().Format("2 Jan 2006 15:04:05"), len(p.Settings))
	}
	return table.Flush()
}

// SettingWords is what a preset does to one output; nil: nothing.
func SettingWords(s *engine.Setting) string {
	switch {
	case s == nil:
		return "not in this preset"
	case s.Muted:
		return RowOf(*s, "").String() + "muted"
	}
	return RowOf(*s, "").String() + "open"
}
