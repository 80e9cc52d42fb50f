package control

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"hushback/engine"
)

// Describe is the dry run as plain text, for terminal and log: what becomes of
// each output, then every datagram in the order in which it would be sent, by
// part: meaning, address, type tags, arguments, hex. Outputs are the site's, for
// their labels.
func Describe(d DryRun, outputs []engine.Output) string {
	var b strings.Builder
	fmt.Fprintf(&b, "dry run %s\n\n", d.Digest)
	for _, o := range outputs {
		fmt.Fprintf(&b, "output %d (%s): %s\n", o.Number, o.Label, strings.Join(turns(d, o.Number), ", "))
	}
	if len(d.Blind) > 0 {
		fmt.Fprintf(&b, "\noutputs %v cannot be read back: what they hold is what they were last sent, as far as that is known\n", d.Blind)
	}
	parts := []struct {
		part Part
		when string
	}{
		{PartSend, "sent once it is confirmed, each read back"},
		{PartMeasure, "sent while it is measured"},
		{PartUndo, "sent only to go back to " + map[bool]string{true: ToSafe, false: "what stands now"}[d.Back == ToSafe]},
	}
	for _, p := range parts {
		fmt.Fprintf(&b, "\n%s:\n", p.when)
		table := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		for _, s := range d.Steps {
			if s.Part == p.part {
				fmt.Fprintf(table, "  %s\t%s\t%x\n", s.Words, s.Message, s.Bytes)
			}
		}
		table.Flush()
	}
	b.WriteString("\nNone of this was sent. What is not read back is sent again, a few times at most.\n")
	return b.String()
}

// turns is what becomes of each value of an output: "delay 0.00 ms → 4.21 ms",
// "open (stays)".
func turns(d DryRun, output int) []string {
	var turns []string
	for _, t := range d.Turns {
		switch {
		case t.Output != output:
		case t.Before == t.After:
			turns = append(turns, t.After+" (stays)")
		default:
			turns = append(turns, t.Before+" → "+strings.TrimPrefix(t.After, t.Param.String()+" "))
		}
	}
	return turns
}
