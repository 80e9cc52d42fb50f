package diagnose

import (
	"math/rand/v2"
	"testing"

	"hushback/engine"
)

// large is an invented row of pairs: 16 outputs.
func large() layout {
	l := layout{name: "eight pairs", front: point(30, 4, 1.5), rear: point(-15, -3, 1.2), band: engine.Band{LowHz: 32, HighHz: 70}}
	for i := range 8 {
		y := 2.1 * (float64(i) - 3.4)
		l.at = append(l.at, point(0, y, 0.3), point(1.2, y, 0.3))
		l.rows = append(l.rows, engine.RowRear, engine.RowFront)
	}
	return l
}

func benchmark(b *testing.B, l layout, faults ...Kind) {
	rng := rand.New(rand.NewPCG(9, 9))
	site := l.site(rng)
	sheet := l.sheet(site, rng)
	r := rig{site: site, sheet: sheet, signalDB: 40}.clone()
	for _, kind := range faults {
		r.spoil(kind, rng)
	}
	captures, err := r.strayed(rng).measure(sheet, [2]channel{{0.5, 0.01}, {0.5, 0.02}}, rng)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		d, err := Find(site, sheet, captures)
		if err != nil || len(faults) > 0 && len(d.Causes) == 0 {
			b.Fatal(d, err)
		}
	}
}

func BenchmarkFindOneOfFour(b *testing.B)    { benchmark(b, layouts()[0], Polarity) }
func BenchmarkFindTwoOfFour(b *testing.B)    { benchmark(b, layouts()[0], Polarity, Position) }
func BenchmarkFindOneOfSixteen(b *testing.B) { benchmark(b, large(), Delay) }
func BenchmarkFindTwoOfSixteen(b *testing.B) { benchmark(b, large(), Swapped, Position) }
