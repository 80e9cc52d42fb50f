package printout

import (
	"encoding/hex"

	"hushback/control"
	"hushback/engine"
)

// ToldDryRun is a dry run as it is printed with --json.
type ToldDryRun struct {
	Job       string         `json:"job"`
	Digest    string         `json:"digest"`
	Outputs   []toldChange   `json:"outputs"`
	Blind     []int          `json:"blind_outputs"` // cannot be read back: before is what they were last sent, as far as that is known
	BackTo    string         `json:"back_to"`       // where the undo leads
	Datagrams []toldDatagram `json:"datagrams"`     // in the order in which they would be sent; none was
}

type toldChange struct {
	Output int             `json:"output"`
	Label  string          `json:"label"`
	Before *engine.Setting `json:"before"` // null: nobody can tell
	After  engine.Setting  `json:"after"`
	Turns  []toldTurn      `json:"turns"`
}

// toldTurn is one value in the words of the processor's profile.
type toldTurn struct {
	Parameter string `json:"parameter"`
	Before    string `json:"before"`
	After     string `json:"after"`
}

type toldDatagram struct {
	Part    control.Part `json:"part"` // "send", "measure" or "undo"
	Output  int          `json:"output"`
	Means   string       `json:"means"`
	Message string       `json:"message"` // address, type tags, arguments
	Hex     string       `json:"hex"`
}

// TellDryRun makes a dry run ready for JSON.
func TellDryRun(site engine.Site, d control.DryRun) ToldDryRun {
	told := ToldDryRun{Job: site.Job, Digest: d.Digest, Blind: append([]int{}, d.Blind...), BackTo: d.Back}
	for _, set := range d.After {
		output, _ := site.Output(set.Output)
		change := toldChange{Output: set.Output, Label: output.Label, After: set}
		if before, known := (engine.Sheet{Settings: d.Before}).Setting(set.Output); known {
			change.Before = &before
		}
		for _, t := range d.Turns {
			if t.Output == set.Output {
				change.Turns = append(change.Turns, toldTurn{t.Param.String(), t.Before, t.After})
			}
		}
		told.Outputs = append(told.Outputs, change)
	}
	for _, s := range d.Steps {
		told.Datagrams = append(told.Datagrams, toldDatagram{s.Part, s.Output, s.Words, s.Message.String(), hex.EncodeToString(s.Bytes)})
	}
	return told
}
