package air

import (
	"math"
	"testing"

	"hushback/engine"
	"hushback/testdata/published"
)

func outdoors(celsius, humidity, pascals float64) engine.Air {
	return engine.Air{TemperatureC: celsius, Humidity: humidity, PressurePa: pascals}
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.6f, want %.6f within %g", what, got, want, within)
	}
}

// Tables computed from Cramer's coefficients by another program; see the
// source lines in the files. The rows for 314 ppm of carbon dioxide are the
// paper's own air, the others today's.
func TestAgainstTables(t *testing.T) {
	today := 0
	for _, name := range []string{"cramer_table.csv", "cramer_pressure.csv"} {
		for _, row := range published.Table(t, name) {
			p, h := row.Number(t, "p_kpa")*1e3, row.Number(t, "rh_percent")/100
			xw := vapour(row.Number(t, "t_c"), p, h)
			near(t, "water vapour", xw, row.Number(t, "xw"), 1e-9)
			near(t, "speed", cramer(row.Number(t, "t_c"), p, xw, row.Number(t, "co2_ppm")*1e-6), row.Number(t, "c_cramer_m_s"), 1e-5)
			if row.Number(t, "co2_ppm") != 400 {
				continue
			}
			today++
			c, method := SoundSpeed(outdoors(row.Number(t, "t_c"), h, p))
			near(t, "speed today", c, row.Number(t, "c_cramer_m_s"), 1e-5)
			if method != Cramer {
				t.Errorf("%v: got the method %q", row, method)
			}
		}
	}
	if today < 30 {
		t.Errorf("only %d rows for today's air", today)
	}
}

// Points that others read off the paper's Figure 1.
func TestAgainstTheFigure(t *testing.T) {
	for _, row := range published.Table(t, "cramer_figure_1.csv") {
		p := row.Number(t, "p_kpa") * 1e3
		xw := vapour(row.Number(t, "t_c"), p, row.Number(t, "rh_percent")/100)
		near(t, "speed", cramer(row.Number(t, "t_c"), p, xw, row.Number(t, "co2_ppm")*1e-6), row.Number(t, "c_read_off_figure_m_s"), 0.15)
	}
}

// IEC 61094-2:2009 Table F.1, read second-hand. Its saturation pressure is the
// later CIPM-81/91 formula, which shifts the speed by up to 0.0009 m/s; hence
// 0.001 m/s and not the last digit.
func TestAgainstTheMicrophoneStandard(t *testing.T) {
	c, _ := SoundSpeed(outdoors(23, 0.5, 101325))
	near(t, "set A", c, 345.86652, 0.001)
	c, _ = SoundSpeed(outdoors(20, 0.65, 80000))
	near(t, "set B", c, 344.38267, 0.001)

	// With that formula in its place (Davis 1992) the last digit agrees too.
	saturation := func(c float64) float64 {
		k := c + kelvin
		return math.Exp(1.2378847e-5*k*k - 1.9121316e-2*k + 33.93711047 - 6343.1645/k)
	}
	later := func(c, p, h float64) float64 {
		return h * (1.00062 + 3.14e-8*p + 5.6e-7*c*c) * saturation(c) / p
	}
	near(t, "set A, later formula", cramer(23, 101325, later(23, 101325, 0.5), co2), 345.86652, 5.1e-6)
	near(t, "set B, later formula", cramer(20, 80000, later(20, 80000, 0.65), co2), 344.38267, 5.1e-6)
}

// Dry air at 0 °C, 331.45 m/s (Smith & Harlow 1963, second-hand), and a value
// with the vapour given directly, printed in a public port of the equation.
func TestAgainstSingleValues(t *testing.T) {
	c, _ := SoundSpeed(outdoors(0, 0, 101325))
	near(t, "dry air at 0 °C", c, 331.45, 0.1)
	near(t, "vapour given", cramer(20, 101325, 0.01, 0), 343.9366, 5e-5)
}

// Outside the stated range: close to the temperature law of ISO 9613-1:1993
// (A.5), c = 343.2·√(T/293.15), from which only humidity and the constant keep
// it away, by at most 2.5 m/s in the published comparison.
func TestOutsideTheRange(t *testing.T) {
	for _, celsius := range []float64{-40, -20, -0.1, 30.1, 40, 60} {
		for _, humidity := range []float64{0, 0.5, 1} {
			c, method := SoundSpeed(outdoors(celsius, humidity, 101325))
			near(t, "speed", c, 343.2*math.Sqrt((celsius+273.15)/293.15), 2.8)
			if method != Scaled {
				t.Errorf("%g °C: got the method %q", celsius, method)
			}
		}
	}
	// Dry air is an ideal gas for this purpose: the ratio of two speeds is the
	// root of the ratio of two absolute temperatures.
	warm, _ := SoundSpeed(outdoors(0, 0, 101325))
	cold, _ := SoundSpeed(outdoors(-36, 0, 101325))
	near(t, "cold over warm", cold/warm, math.Sqrt(237.15/273.15), 1e-12)
	if _, method := SoundSpeed(outdoors(15, 0.5, 103e3)); method != Scaled {
		t.Errorf("103 kPa: got the method %q", method)
	}
}

// A weather that crosses an edge of the range must not make the null jump.
func TestNothingJumpsAtTheEdges(t *testing.T) {
	const tiny = 1e-7
	for _, humidity := range []float64{0, 0.3, 1} {
		for _, edge := range []struct{ inside, outside engine.Air }{
			{outdoors(0, humidity, 101e3), outdoors(-tiny, humidity, 101e3)},
			{outdoors(30, humidity, 101e3), outdoors(30+tiny, humidity, 101e3)},
			{outdoors(15, humidity, 75e3), outdoors(15, humidity, 75e3-tiny)},
			{outdoors(15, humidity, 102e3), outdoors(15, humidity, 102e3+tiny)},
		} {
			a, first := SoundSpeed(edge.inside)
			b, second := SoundSpeed(edge.outside)
			near(t, "across the edge", b, a, 1e-6)
			if first != Cramer || second != Scaled {
				t.Errorf("%+v: got the methods %q and %q", edge, first, second)
			}
		}
	}
}

// Warmer and moister air is faster, everywhere that a site may be.
func TestWarmerAndMoisterIsFaster(t *testing.T) {
	for celsius := -40.0; celsius < 60; celsius++ {
		for _, humidity := range []float64{0, 0.5, 0.9} {
			for _, pascals := range []float64{50e3, 75e3, 90e3, 101325, 110e3} {
				c, _ := SoundSpeed(outdoors(celsius, humidity, pascals))
				warmer, _ := SoundSpeed(outdoors(celsius+1, humidity, pascals))
				moister, _ := SoundSpeed(outdoors(celsius, humidity+0.1, pascals))
				if !(warmer > c) || !(moister > c) || c < 300 || c > 375 {
					t.Fatalf("%g °C, %g, %g Pa: got %g, warmer %g, moister %g m/s", celsius, humidity, pascals, c, warmer, moister)
				}
			}
		}
	}
}
