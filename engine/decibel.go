package engine

import "math"

// FloorDB is the lowest level that is ever reported. An exact null has no
// level at all, and -Inf can neither be plotted nor sent as JSON.
const FloorDB = -120

// DB is 20·log10 of an amplitude ratio, at least FloorDB.
func DB(ratio float64) float64 { return math.Max(FloorDB, 20*math.Log10(ratio)) }

// Ratio is the amplitude ratio of a level in dB, 10^(db/20).
func Ratio(db float64) float64 { return math.Pow(10, db/20) }
