// Package field adds up what point sources in free space do at a point.
package field

import (
	"fmt"
	"math"
	"math/cmplx"

	"hushback/engine"
	"hushback/engine/air"
)

// minRangeM is the least distance reckoned with. Closer than a cabinet is big,
// 1/r means nothing and only makes numbers explode.
const minRangeM = 0.1

// Pressure is what all open outputs do at a point at one frequency, complex,
// Σ A·e^{-jωt} over the sources, where A is level and gain times polarity over
// distance (held to at least 0.1 m) and t the travel time plus the output's
// delay. One source at 0 dB, 1 m away, gives magnitude 1.
func Pressure(site engine.Site, sheet engine.Sheet, at engine.Point, freqHz float64) (complex128, error) {
	c, err := speed(site.Air)
	if err != nil {
		return 0, err
	}
	ways, err := paths(site, sheet, at, c)
	if err != nil {
		return 0, err
	}
	return sum(ways, freqHz), nil
}

// path is the way of one source to one point.
type path struct {
	output    int
	amplitude float64 // negative when reversed
	sec       float64
}

// paths lists the way of every source to p, in the order of the site's
// sources, at the speed of sound c in m/s. Sources on muted outputs are left
// out. An error names the output that the sheet does not set.
func paths(site engine.Site, sheet engine.Sheet, p engine.Point, c float64) ([]path, error) {
	ways := make([]path, 0, len(site.Sources))
	for _, src := range site.Sources {
		set, ok := sheet.Setting(src.Output)
		if !ok {
			return nil, fmt.Errorf("source %q: the sheet has no setting for output %d", src.Name, src.Output)
		}
		if set.Muted {
			continue
		}
		r := math.Max(minRangeM, src.At.Distance(p))
		ways = append(ways, path{
			output:    src.Output,
			amplitude: engine.Ratio(src.LevelDB+set.GainDB) * float64(set.Polarity) / r,
			sec:       set.DelaySec + r/c,
		})
	}
	return ways, nil
}

func sum(ways []path, freqHz float64) complex128 {
	var p complex128
	for _, path := range ways {
		p += cmplx.Rect(path.amplitude, -2*math.Pi*freqHz*path.sec)
	}
	return p
}

// Arrival is when sound arrives at a microphone, in seconds: the mean over the
// open sources, each counted by its amplitude there. Taken out of a curve with
// Curve.Advance, predicted or measured, it leaves a phase that turns slowly,
// which is what engine.Summarise wants; the same delay must come out of both.
// It is 0 when everything is muted.
func Arrival(site engine.Site, sheet engine.Sheet, mic engine.Microphone) (float64, error) {
	c, err := speed(site.Air)
	if err != nil {
		return 0, err
	}
	ways, err := paths(site, sheet, mic.At, c)
	if err != nil {
		return 0, err
	}
	return centre(ways), nil
}

// speed is the speed of sound, refused where the air makes none.
func speed(a engine.Air) (float64, error) {
	c, _ := air.SoundSpeed(a)
	if !(c > 0) || math.IsInf(c, 1) {
		return 0, fmt.Errorf("air at %g °C, humidity %g, %g Pa has no speed of sound", a.TemperatureC, a.Humidity, a.PressurePa)
	}
	return c, nil
}

func centre(ways []path) float64 {
	var weight, moment float64
	for _, p := range ways {
		weight += math.Abs(p.amplitude)
		moment += math.Abs(p.amplitude) * p.sec
	}
	if weight == 0 {
		return 0
	}
	return moment / weight
}

// response is the pressure of some paths along an axis.
func response(ways []path, freq []float64) engine.Curve {
	curve := engine.Curve{FreqHz: freq, P: make([]complex128, len(freq))}
	for i, f := range freq {
		curve.P[i] = sum(ways, f)
	}
	return curve
}

// of keeps the paths of one output.
func of(ways []path, output int) []path {
	var own []path
	for _, p := range ways {
		if p.output == output {
			own = append(own, p)
		}
	}
	return own
}
