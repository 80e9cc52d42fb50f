package model

import (
	"math"
	"slices"

	"hushback/engine"
)

// Degrees of the polynomials that describe what all captures have in common.
const Degrees = 5

// Layout says where each uncertain quantity stands in the vector.
type Layout struct{ Sources, Outputs int }

// Of a source, in metres, metres and dB.
func (l Layout) SourceX(s int) int     { return 3 * s }
func (l Layout) SourceY(s int) int     { return 3*s + 1 }
func (l Layout) SourceLevel(s int) int { return 3*s + 2 }

// Of an output, in seconds and dB.
func (l Layout) Delay(k int) int { return 3*l.Sources + k }
func (l Layout) Level(k int) int { return 3*l.Sources + l.Outputs + k }

// Of a microphone's place, in metres.
func (l Layout) MicrophoneX(mic int) int { return 3*l.Sources + 2*l.Outputs + 2*mic }
func (l Layout) MicrophoneY(mic int) int { return l.MicrophoneX(mic) + 1 }

// Of a microphone's channel: a common level in nepers, phase in radians and
// latency in seconds, none of which anybody knows before.
func (l Layout) channel(mic int) int { return 3*l.Sources + 2*l.Outputs + 4 + 3*mic }

// Warmer is the air, in kelvin; Limiter is what everything open falls short by, in dB.
func (l Layout) Warmer() int  { return 3*l.Sources + 2*l.Outputs + 10 }
func (l Layout) Limiter() int { return l.Warmer() + 1 }

// CommonLevel and CommonPhase are the shape of what all captures have in
// common, in dB and radians, by degree from 0 (the first) to 4.
func (l Layout) CommonLevel(degree int) int { return l.Limiter() + 1 + degree }
func (l Layout) CommonPhase(degree int) int { return l.Limiter() + 1 + Degrees + degree }

// Size is the length of the vector.
func (l Layout) Size() int { return l.CommonPhase(Degrees) }

// Rig is a hypothesis: how the parts are connected, and how far off each
// quantity may be.
type Rig struct {
	Feeds     []int     // by source: place of the output that really feeds it
	DelaySec  []float64 // by output: what it is really set to
	Amplitude []float64 // by output: gain and polarity; 0 is dead
	Exchanged bool      // the front microphone stands behind and the rear one in front
	Inverted  bool      // reference and microphone channel exchanged
	Error     float64   // of the model itself, as a ratio, at each line by itself
	Sigma     []float64 // standard deviation of each quantity; 0 holds it at 0
	Doubted   []bool    // by output: not to be started from
	Late      []bool    // by output: delay to be looked for
}

// Errors that the model has by itself: what slopes, thinning and rounding leave.
const modelError = 0.01

// What every loudspeaker of the rig may do alike, its own response: ours, no
// published source.
const (
	responseDB     = 1
	responseRad    = 0.1
	responseDegree = 3
)

// Healthy is the rig as the site and the sheet have it: nothing is off by more
// than half of the site's tolerance as a standard deviation.
func (m *Model) Healthy() Rig {
	r := Rig{
		Feeds: m.fed, Error: modelError, Sigma: make([]float64, m.Size()),
		Doubted: make([]bool, m.Outputs), Late: make([]bool, m.Outputs),
	}
	for _, set := range m.settings {
		amplitude := engine.Ratio(set.GainDB) * float64(set.Polarity)
		if set.Muted {
			amplitude = 0
		}
		r.DelaySec = append(r.DelaySec, set.DelaySec)
		r.Amplitude = append(r.Amplitude, amplitude)
	}
	t := m.site.Tolerance
	for s := range m.Sources {
		r.Sigma[m.SourceX(s)], r.Sigma[m.SourceY(s)] = t.PositionM/2, t.PositionM/2
		r.Sigma[m.SourceLevel(s)] = t.LevelDB / 2
	}
	for mic := range m.mics {
		r.Sigma[m.MicrophoneX(mic)], r.Sigma[m.MicrophoneY(mic)] = t.MicrophoneM/2, t.MicrophoneM/2
		at := m.channel(mic)
		r.Sigma[at], r.Sigma[at+1], r.Sigma[at+2] = 2, 2, 0.01
	}
	r.Sigma[m.Warmer()] = t.TemperatureC / 2
	for n := range responseDegree {
		r.Sigma[m.CommonLevel(n)] = responseDB
		if n > 0 { // the first degree of the phase is a latency, near enough
			r.Sigma[m.CommonPhase(n)] = responseRad
		}
	}
	return r
}

// Clone is a rig that can be changed without changing r.
func (r Rig) Clone() Rig {
	r.Feeds, r.DelaySec, r.Amplitude = slices.Clone(r.Feeds), slices.Clone(r.DelaySec), slices.Clone(r.Amplitude)
	r.Sigma, r.Doubted, r.Late = slices.Clone(r.Sigma), slices.Clone(r.Doubted), slices.Clone(r.Late)
	return r
}

// coordinates are where the vector has a source, a microphone and the air.
func (l Layout) coordinates(theta []float64, s, mic int) [geometry]float64 {
	return [geometry]float64{
		theta[l.SourceX(s)], theta[l.SourceY(s)], theta[l.MicrophoneX(mic)], theta[l.MicrophoneY(mic)], theta[l.Warmer()],
	}
}

// at lists where the coordinates of a source at a microphone stand in the vector.
func (l Layout) at(s, mic int) [geometry]int {
	return [geometry]int{l.SourceX(s), l.SourceY(s), l.MicrophoneX(mic), l.MicrophoneY(mic), l.Warmer()}
}

const neper = 20 / math.Ln10 // in dB
