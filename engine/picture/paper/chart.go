package paper

import (
	"math"

	"gonum.org/v1/plot"
)

// Chart is a plot in our type, without data yet.
func Chart() *plot.Plot {
	p := plot.New()
	for _, axis := range []*plot.Axis{&p.X, &p.Y} {
		axis.Label.TextStyle.Font = Lettering(Small).Font
		axis.Label.TextStyle.Handler = Lettering(Small).Handler
		axis.Tick.Label.Font = Lettering(Small).Font
		axis.Tick.Label.Handler = Lettering(Small).Handler
		axis.Tick.Length = 3
		axis.Label.Padding = 2
		axis.Padding = 0
	}
	return p
}

// Every marks an axis at multiples of step, ends included.
func Every(low, high, step float64, label func(float64) string) plot.ConstantTicks {
	var marks plot.ConstantTicks
	for k := math.Ceil(low/step - 1e-9); k <= math.Floor(high/step+1e-9); k++ {
		marks = append(marks, plot.Tick{Value: k * step, Label: label(k * step)})
	}
	return marks
}

// RoundStep is the least of 1, 2, 5 times a power of ten that divides span into at most
// most steps.
func RoundStep(span float64, most int) float64 {
	power := math.Pow(10, math.Floor(math.Log10(span/float64(most))))
	for _, m := range []float64{1, 2, 5} {
		if span/(m*power) <= float64(most)+1e-9 {
			return m * power
		}
	}
	return 10 * power
}
