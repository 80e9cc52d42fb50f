package coverage

import (
	"testing"
)

// BenchmarkLimits16 is everything that a report wants to know about a row of
// 16: 31 opening angles of it as a site, and its limits as a row. It is to stay
// under 50 ms.
func BenchmarkLimits16(b *testing.B) {
	const spacing = 1.91
	freq := make([]float64, 31)
	for i := range freq {
		freq[i] = 30 + float64(i)
	}
	site, sheet := staked(Row{Count: 16, SpacingM: spacing, ArcRad: rad(40)})
	row := Row{Count: 16, SpacingM: spacing}
	late := Row{Count: 16, SpacingM: spacing, Delayed: true}
	c := yardC()
	openings := func() error { _, err := Openings(site, sheet, 0, freq); return err }
	asRow := func() error {
		for _, f := range freq {
			row.bent(rad(40)).Opening(f, c)
		}
		return nil
	}
	widest := func() error { row.WidestArc(45, c); return nil }
	arcs := func() error {
		if _, err := row.ArcFor(rad(90), 45, c); err != nil {
			return err
		}
		_, err := late.ArcFor(rad(90), 45, c)
		return err
	}
	lobes := func() error { row.LobeSpacing(60, -6, c); return nil }
	for _, part := range []struct {
		name string
		work []func() error
	}{
		{"all", []func() error{openings, widest, arcs, lobes}},
		{"openings", []func() error{openings}},
		{"openings-of-row", []func() error{asRow}},
		{"widest", []func() error{widest}},
		{"arcs", []func() error{arcs}},
		{"lobes", []func() error{lobes}},
	} {
		b.Run(part.name, func(b *testing.B) {
			for b.Loop() {
				for _, work := range part.work {
					if err := work(); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
	}
}
