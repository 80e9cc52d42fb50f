package coverage

import (
	"math"
	"math/cmplx"
	"strconv"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/layout"
)

// practiceC is the speed of sound that the tables and the trade's sums use.
const practiceC = 343.2

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.12g, want %.12g within %g", what, got, want, within)
	}
}

func rad(deg float64) float64 { return deg * math.Pi / 180 }

// yardAir is an ordinary evening; yardC the speed of sound in it.
func yardAir() engine.Air { return engine.Air{TemperatureC: 17, Humidity: 0.6, PressurePa: 101e3} }

func yardC() float64 {
	c, _ := air.SoundSpeed(yardAir())
	return c
}

// yard is an invented array: equal sources at points, each on its own output
// with its own delay (none: 0) and polarity +1.
func yard(at []engine.Point, delays ...float64) (engine.Site, engine.Sheet) {
	site, sheet := engine.Site{Job: "lime yard (invented)", Air: yardAir()}, engine.Sheet{}
	for i, p := range at {
		n := i + 1
		set := engine.Setting{Output: n, Polarity: 1}
		if delays != nil {
			set.DelaySec = delays[i]
		}
		site.Sources = append(site.Sources, engine.Source{Name: strconv.Itoa(n), At: p, Output: n})
		site.Outputs = append(site.Outputs, engine.Output{Number: n})
		sheet.Settings = append(sheet.Settings, set)
	}
	return site, sheet
}

// staked is a Row as a site.
func staked(r Row) (engine.Site, engine.Sheet) {
	if r.Delayed {
		return yard(layout.Row(r.Count, r.SpacingM, 0), layout.Bend(r.Count, r.SpacingM, r.ArcRad, yardC())...)
	}
	return yard(layout.Row(r.Count, r.SpacingM, r.ArcRad))
}

// turtle is the arc another way, from its right end: walk one spacing, turn,
// walk again, so that the steps as a whole lie square to the axis.
func turtle(count int, spacing, arc float64) []complex128 {
	turn := arc / math.Max(1, float64(count-1))
	heading := math.Pi/2 - turn*float64(count-2)/2
	at := complex(0, 0)
	places := []complex128{at}
	for range count - 1 {
		at += cmplx.Rect(spacing, heading)
		places = append(places, at)
		heading += turn
	}
	return places
}

// looked is the pattern of a row by plain sums, no symmetry, against the axis,
// every half degree from 0 to 180 degrees.
func looked(r Row, hz, c float64) []float64 {
	bent := turtle(r.Count, r.SpacingM, r.ArcRad)
	levels := make([]float64, 361)
	for i := range levels {
		turn := rad(float64(i) / 2)
		var sum complex128
		for n, p := range bent {
			way := real(p)*math.Cos(turn) + imag(p)*math.Sin(turn)
			if r.Delayed {
				way = real(p) + r.SpacingM*float64(n)*math.Sin(turn)
			}
			sum += cmplx.Exp(complex(0, 2*math.Pi*hz/c*way))
		}
		levels[i] = cmplx.Abs(sum)
	}
	for i := len(levels) - 1; i >= 0; i-- {
		levels[i] = 20 * math.Log10(levels[i]/levels[0])
	}
	return levels
}
