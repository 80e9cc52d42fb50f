package engine

import (
	"math"
	"math/cmplx"
)

// Curve is a complex response over frequency. P[i] belongs to FreqHz[i], which
// ascends. The unit is the pressure of one source at 0 dB, 1 m away, so a
// level in dB is 20·log10|P|.
type Curve struct {
	FreqHz []float64
	P      []complex128
}

// Solo is what one output does alone at the two microphones.
type Solo struct {
	Output      int
	Front, Rear Curve
}

// Summary is the three numbers that a design stands or falls by, computed the
// same way from predicted and from measured curves (see Summarise).
type Summary struct {
	NullHz         float64 // where rear relative to front is lowest, inside the range
	NullDepthDB    float64 // rear relative to front there; negative is quieter
	AtTargetDB     float64 // rear relative to front at the wanted frequency
	SumShortfallDB float64 // coherent sum minus sum in front, worst in the range
	ShortfallAtHz  float64 // where that worst is
}

// Prediction is what a sheet should do on a site. All curves share one
// frequency axis, the lines of the test signal, and hold the true phase with
// every travel time and delay in it.
type Prediction struct {
	SoundSpeed     float64 // m/s
	Front, Rear    Curve
	Solos          []Solo // ascending by output
	Summary        Summary
	HeadroomCostDB float64 // front sum below everything at its loudest in phase, worst in the range
	QuietDB        float64 // mean level of the quiet zones relative to the audience zones at the target
}

// Advance takes a pure delay out of a curve: the result is what would be heard
// sec seconds earlier, P·e^{+jω·sec}. The receiver is left as it was.
func (c Curve) Advance(sec float64) Curve {
	out := Curve{FreqHz: c.FreqHz, P: make([]complex128, len(c.P))}
	for i, p := range c.P {
		out.P[i] = p * cmplx.Rect(1, 2*math.Pi*c.FreqHz[i]*sec)
	}
	return out
}
