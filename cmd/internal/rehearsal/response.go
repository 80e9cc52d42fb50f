package rehearsal

import (
	"math"

	"hushback/engine"
)

// Response is the closed form of what a microphone hears of the reference with
// the given settings standing still, without noise: the sum over the sources
// of
//
//	±1 · 10^{(gain+level)/20} · e^{-j2πf(delay + r/c)} / r
//
// with the true positions, levels and speed of sound, and the fault in. It
// shares no arithmetic with the signals that the microphones send, so that
// tests can hold one against the other. Outputs without a setting are silent;
// a role without a microphone hears nothing.
func (r *Rig) Response(role engine.Role, settings []engine.Setting, freqHz []float64) []complex128 {
	p := make([]complex128, len(freqHz))
	microphone, found := r.site.Microphone(role)
	if !found {
		return p
	}
	for _, source := range r.truth.Sources {
		set, found := engine.Sheet{Settings: settings}.Setting(source.Output)
		if !found || set.Muted {
			continue
		}
		dx, dy, dz := source.At.X-microphone.At.X, source.At.Y-microphone.At.Y, source.At.Z-microphone.At.Z
		distance := math.Hypot(math.Hypot(dx, dy), dz)
		factor, extraSec := r.truth.Fault.cable(source.Output)
		amplitude := factor * float64(set.Polarity) * math.Pow(10, (set.GainDB+source.LevelDB)/20) / distance
		seconds := set.DelaySec + extraSec + distance/r.truth.SoundSpeed
		for i, f := range freqHz {
			sin, cos := math.Sincos(2 * math.Pi * f * seconds)
			p[i] += complex(amplitude*cos, -amplitude*sin)
		}
	}
	return p
}
