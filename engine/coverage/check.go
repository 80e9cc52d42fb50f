package coverage

import (
	"fmt"
	"math"

	"hushback/engine/air"
)

// What is worked out at most, so that nothing takes for ever.
const (
	maxSources     = 64   // as many as a site may hold
	maxWavelengths = 1000 // across a site
	maxRowLength   = 40   // wavelengths; a row's arcs are tried one by one
)

// turns are the angles from the axis out to end that the pattern is looked at.
// Two sources D apart ripple at most D/λ times in a radian, at right angles to
// the line through them. At least every degree, for the cabinets' own
// directivity.
func (v view) turns(freqHz []float64, end float64) ([]float64, error) {
	if err := v.check(freqHz); err != nil {
		return nil, err
	}
	var wavelengths float64
	for _, f := range freqHz {
		wavelengths = math.Max(wavelengths, v.wavelengths(f))
	}
	return steps(end, wavelengths, int(math.Ceil(end*180/math.Pi))), nil
}

func (v view) check(freqHz []float64) error {
	if n := len(v.site.Sources); n < 1 || n > maxSources {
		return fmt.Errorf("got %d sources, want 1 to %d", n, maxSources)
	}
	if c, _ := air.SoundSpeed(v.site.Air); !(c > 0 && finite(c)) {
		return fmt.Errorf("air at %g °C, humidity %g, %g Pa has no speed of sound", v.site.Air.TemperatureC, v.site.Air.Humidity, v.site.Air.PressurePa)
	}
	if !finite(v.axisRad) {
		return fmt.Errorf("axis: got %g rad, want an angle", v.axisRad)
	}
	for _, f := range freqHz {
		if err := frequency(f); err != nil {
			return err
		}
		if across := v.wavelengths(f); !(across <= maxWavelengths) {
			return fmt.Errorf("the array is %.4g wavelengths across at %g Hz, want at most %d", across, f, maxWavelengths)
		}
	}
	return nil
}

// wavelengths is the diagonal of the rectangle that all sources stand in.
func (v view) wavelengths(freqHz float64) float64 {
	c, _ := air.SoundSpeed(v.site.Air)
	low, high := v.site.Sources[0].At, v.site.Sources[0].At
	for _, s := range v.site.Sources {
		low.X, high.X = math.Min(low.X, s.At.X), math.Max(high.X, s.At.X)
		low.Y, high.Y = math.Min(low.Y, s.At.Y), math.Max(high.Y, s.At.Y)
	}
	return math.Hypot(high.X-low.X, high.Y-low.Y) * freqHz / c
}

// Check says what keeps a row from being worked out at a frequency and a speed
// of sound; the row's other methods answer NaN then.
func (r Row) Check(freqHz, c float64) error {
	switch {
	case r.Count < 1 || r.Count > maxSources:
		return fmt.Errorf("row: got %d sources, want 1 to %d", r.Count, maxSources)
	case r.Count > 1 && !(r.SpacingM > 0 && finite(r.SpacingM)):
		return fmt.Errorf("row: got a spacing of %g m, want more than 0 m", r.SpacingM)
	case !(r.ArcRad >= 0 && r.ArcRad <= MaxArcRad):
		return fmt.Errorf("row: got an arc of %.4g°, want 0° to %.4g°", degrees(r.ArcRad), degrees(MaxArcRad))
	case !(c > 0 && finite(c)):
		return fmt.Errorf("row: got a speed of sound of %g m/s, want more than 0 m/s", c)
	case frequency(freqHz) != nil:
		return fmt.Errorf("row: %w", frequency(freqHz))
	case r.wavelengths(freqHz, c) > maxRowLength:
		return fmt.Errorf("row: it is %.4g wavelengths long at %g Hz, want at most %d", r.wavelengths(freqHz, c), freqHz, maxRowLength)
	}
	return nil
}

func frequency(hz float64) error {
	if !(hz > 0 && finite(hz)) {
		return fmt.Errorf("got a frequency of %g Hz, want more than 0 Hz", hz)
	}
	return nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func degrees(rad float64) float64 { return rad * 180 / math.Pi }
