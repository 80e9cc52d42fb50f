package whatif

import (
	"math"

	"hushback/engine"
	"hushback/engine/picture/paper"
)

func number(v float64, digits int) string { return paper.Number(v, digits) }
func hertz(v float64) string              { return paper.Hertz(v) }
func decibels(db float64) string          { return number(db, 1) + "\u00a0dB" }

// deepestDB: what is quieter than that outdoors is a number of the model's alone.
const deepestDB = -40

// decibel is an amplitude ratio in dB, without the unit.
func decibel(ratio float64) string {
	if db := engine.DB(ratio); db >= deepestDB {
		return number(db, 1)
	}
	return "under " + number(deepestDB, 0)
}

// spread is the energy mean, the greatest and the least of some levels.
func spread(level func(int) float64, from, n int) (mean, loudest, quietest float64) {
	quietest = math.Inf(1)
	for i := from; i < from+n; i++ {
		l := level(i)
		mean += l * l / float64(n)
		loudest, quietest = math.Max(loudest, l), math.Min(quietest, l)
	}
	return math.Sqrt(mean), loudest, quietest
}
