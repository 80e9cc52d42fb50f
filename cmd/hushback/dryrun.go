package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/printout"
	"hushback/control"
	"hushback/engine"
)

func newDryRun() *cobra.Command {
	var processorAt string
	var asJSON bool
	c := &cobra.Command{
		Use:   "dry-run SITE",
		Short: "Show what would be sent to the processor, sending none of it",
		Long: `Solves the site, asks the processor what it holds now (queries only) and prints,
for each output, before and after in plain words and every datagram in hex.
Confirming is done on the daemon's page, for a dry run of its own.`,
		Example: `  hushback dry-run mysite.yaml
  hushback dry-run mysite.yaml --json`,
		Args: usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		RunE: func(c *cobra.Command, args []string) error {
			site, profiles, err := openSite(args[0], "", processorAt)
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(c.Context(), 30*time.Second)
			defer cancel()
			run, err := daemon.DryRun(ctx, site, profiles)
			if err != nil {
				return err
			}
			if asJSON {
				return printout.JSON(c.OutOrStdout(), tellDryRun(site, run))
			}
			_, err = fmt.Fprint(c.OutOrStdout(), control.Describe(run, site.Outputs))
			return err
		},
	}
	c.Flags().StringVar(&processorAt, "processor", "", "`host:port` of the processor, instead of the site's")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// toldDryRun is a dry run as it is printed with --json.
type toldDryRun struct {
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

func tellDryRun(site engine.Site, d control.DryRun) toldDryRun {
	told := toldDryRun{Job: site.Job, Digest: d.Digest, Blind: append([]int{}, d.Blind...), BackTo: d.Back}
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
