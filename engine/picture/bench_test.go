package picture

import (
	"bytes"
	"testing"

	"hushback/engine/design"
	"hushback/engine/field"
	"hushback/engine/picture/paper"
)

// From a report to a PNG for a phone: coarse as while a finger moves, and sharp.
func BenchmarkScreen(b *testing.B) {
	for _, c := range []struct {
		name string
		site func() (design.Report, error)
	}{{"4", fair}, {"15", func() (design.Report, error) { return design.Work(many(), ranges) }}} {
		r, err := c.site()
		if err != nil {
			b.Fatal(err)
		}
		target := r.Site.Target
		for _, one := range []struct {
			name string
			draw func(points int) (*Drawing, error)
		}{
			{"map", func(points int) (*Drawing, error) {
				m, err := field.NewMap(r.Site, r.Sheet, around(points), []float64{target.NullHz})
				if err != nil {
					return nil, err
				}
				return LevelMap("", r, m)
			}},
			{"polar", func(int) (*Drawing, error) {
				return Polar("", r, []float64{target.Range.LowHz, target.NullHz, target.Range.HighHz})
			}},
			{"responses", func(int) (*Drawing, error) { return Responses("", r) }},
		} {
			for _, s := range []paper.Screen{{PerPoint: 1}, {PerPoint: 2, Dark: true}} {
				b.Run(c.name+"/"+one.name+"/"+[]string{"", "coarse", "sharp"}[s.PerPoint], func(b *testing.B) {
					var written bytes.Buffer
					for b.Loop() {
						d, err := one.draw(50 * s.PerPoint)
						if err != nil {
							b.Fatal(err)
						}
						written.Reset()
						if err := d.Untitled().Show(&written, s); err != nil {
							b.Fatal(err)
						}
					}
					b.ReportMetric(float64(written.Len())/1000, "kB")
				})
			}
		}
	}
}
