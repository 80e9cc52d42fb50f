package control

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"hushback/control/processor"
	"hushback/engine"
)

// Describe is the dry run as plain text, for terminal and log: what becomes of
// each output, then every datagram in the order in which it would be sent, by
// part: hex, address, type tags, arguments, meaning. Outputs are the site's, for
// their labels.
func Describe(d DryRun, outputs []engine.Output) string {
	var b strings.Builder
	fmt.Fprintf(&b, "dry run %s\n\n", d.Digest)
	for _, o := range outputs {
		fmt.Fprintf(&b, "output %d (%s): %s\n", o.Number, o.Label, strings.Join(turns(d, o.Number), ", "))
	}
	parts := []struct {
		part Part
		when string
	}{
		{PartSend, "sent once it is confirmed, each read back"},
		{PartMeasure, "sent while it is measured"},
		{PartUndo, "sent only to go back to what stands now"},
	}
	for _, p := range parts {
		fmt.Fprintf(&b, "\n%s:\n", p.when)
		table := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		for _, s := range d.Steps {
			if s.Part == p.part {
				fmt.Fprintf(table, "  %x\t%s\t%s\n", s.Bytes, s.Message, s.Words)
			}
		}
		table.Flush()
	}
	b.WriteString("\nNone of this was sent. A datagram that is not answered is sent again, a few times at most.\n")
	return b.String()
}

// turns is what becomes of each parameter of an output: "delay 0.00 ms → 4.21 ms",
// "open (stays)".
func turns(d DryRun, output int) []string {
	var turns []string
	for _, param := range processor.Params {
		before, after := ends(d, PartUndo, output, param), ends(d, PartSend, output, param)
		if before == after {
			turns = append(turns, after+" (stays)")
			continue
		}
		turns = append(turns, before+" → "+strings.TrimPrefix(after, param.String()+" "))
	}
	return turns
}

// ends is the value with which a part leaves a parameter, in words.
func ends(d DryRun, part Part, output int, param processor.Param) string {
	value := "?"
	for _, s := range d.Steps {
		if s.Part == part && s.Output == output && s.Param == param {
			value = s.value
		}
	}
	return value
}
