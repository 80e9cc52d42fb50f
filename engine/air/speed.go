// Package air says how fast sound travels.
package air

import (
	"math"

	"hushback/engine"
)

// The two ways a speed can come about.
const (
	Cramer = "Cramer 1993"
	Scaled = "Cramer 1993 at the edge of its range, scaled with the square root of absolute temperature"
)

const (
	kelvin = 273.15
	// co2 is the mole fraction of carbon dioxide in outdoor air, 400 ppm. It
	// counts little: 100 ppm more slow sound by about 0.01 m/s.
	co2 = 400e-6
)

// The range that Cramer states for his equation.
const (
	minC, maxC   = 0.0, 30.0
	minPa, maxPa = 75e3, 102e3
)

// SoundSpeed is the speed of sound in m/s at audible frequencies far above the
// relaxation of air's gases, and the method it was found by.
//
// From 0 to 30 °C and 75 to 102 kPa it is equation 15 of O. Cramer, "The
// variation of the specific heat ratio and the speed of sound in air with
// temperature, pressure, humidity, and CO2 concentration", J. Acoust. Soc. Am.
// 93 (1993) 2510-2516, stated good to 300 ppm (0.1 m/s).
//
// Outside, the equation is taken at the nearest edge and scaled with √T, the
// temperature law of an ideal gas that ISO 9613-1:1993 (A.5) uses alone. So
// nothing jumps where the range ends, as it would by up to 1.5 m/s if humidity
// were suddenly left out, and a high-pressure day of 103 kPa costs nothing.
// An Air that Site.Problems refuses gives a number without meaning.
func SoundSpeed(a engine.Air) (c float64, method string) {
	t := math.Max(minC, math.Min(maxC, a.TemperatureC))
	p := math.Max(minPa, math.Min(maxPa, a.PressurePa))
	c = cramer(t, p, vapour(t, p, a.Humidity), co2)
	if t == a.TemperatureC && p == a.PressurePa {
		return c, Cramer
	}
	return c * math.Sqrt((a.TemperatureC+kelvin)/(t+kelvin)), Scaled
}

// cramer is his equation 15 with table III: t in °C, p in Pa, xw and xc the
// mole fractions of water vapour and carbon dioxide.
func cramer(t, p, xw, xc float64) float64 {
	return 331.5024 + 0.603055*t - 0.000528*t*t +
		(51.471935+0.1495874*t-0.000782*t*t)*xw +
		(-1.82e-7+3.73e-8*t-2.93e-10*t*t)*p +
		(-85.20931-0.228525*t+5.91e-5*t*t)*xc -
		2.835149*xw*xw - 2.15e-13*p*p + 29.179762*xc*xc + 0.000486*xw*p*xc
}

// vapour is the mole fraction of water vapour at the relative humidity h, with
// the saturation pressure and enhancement factor of the paper's appendix
// (Giacomo 1982, the CIPM-1981 formula).
func vapour(t, p, h float64) float64 {
	k := t + kelvin
	saturation := math.Exp(1.2811805e-5*k*k - 1.9509874e-2*k + 34.04926034 - 6353.6311/k)
	enhancement := 1.00062 + 3.14e-8*p + 5.6e-7*t*t
	return h * enhancement * saturation / p
}
