package optimise

import (
	"context"
	"testing"
)

// How long a search takes and what it finds, in dB of the mean ratio.
func BenchmarkSolve(b *testing.B) {
	layouts := []reference{refer(b, "four"), refer(b, "sixteen"), refer(b, "thirty-two"), sixtyFour(b)}
	for _, r := range layouts {
		b.Run(r.Name, func(b *testing.B) {
			p := stepped(r.problem(), 1e-5, 0.1)
			for b.Loop() {
				got, err := Solve(context.Background(), p, nil)
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(got.Aim, "dB")
				if r.MeanRatioDB > 0 {
					b.ReportMetric(r.MeanRatioDB, "reference-dB")
				}
				b.ReportMetric(got.Bound, "bound-dB")
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/op")
		})
	}
}

// sixtyFour is four bent rows of sixteen before the quiet ground of
// thirty-two, invented; nothing else has searched it.
func sixtyFour(b *testing.B) reference {
	r := refer(b, "thirty-two")
	r.Name, r.Sources, r.MeanRatioDB = "sixty-four", nil, 0
	for row := range 4 {
		for k := range 16 {
			y := (float64(k) - 7.5) * 1.2
			r.Sources = append(r.Sources, [2]float64{1.1*float64(row) - 0.015*y*y, y})
		}
	}
	return r
}
