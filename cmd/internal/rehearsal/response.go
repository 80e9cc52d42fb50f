package rehearsal

import (
	"math"
	"math/cmplx"

	"hushback/engine"
)

// Response is the closed form of what a microphone hears of the reference with
// the given settings standing still, without noise: the sum over the sources
// of
//
//	±1 · 10^{(gain+level+directivity)/20} · e^{-j2πf(delay + r/c)} / r
//
// with the true positions, levels and speed of sound, and the fault in, heard
// from the microphone's place and, by reciprocity, from its mirror images in
// the ground and the walls. The signals that the microphones send are made the
// other way round, from images of the sources, with arithmetic of their own,
// so that tests can hold one against the other. Outputs without a setting are
// silent; a role without a microphone hears nothing.
func (r *Rig) Response(role engine.Role, settings []engine.Setting, freqHz []float64) []complex128 {
	p := make([]complex128, len(freqHz))
	microphone, found := r.site.Microphone(role)
	if !found {
		return p
	}
	for _, ear := range ears(r.site, microphone.At) {
		for _, source := range r.truth.Sources {
			set, found := engine.Sheet{Settings: settings}.Setting(source.Output)
			if found && !set.Muted {
				r.addTo(p, freqHz, source, set, ear)
			}
		}
	}
	return p
}

// addTo adds what one source does at one ear.
func (r *Rig) addTo(p []complex128, freqHz []float64, source engine.Source, set engine.Setting, at ear) {
	dx, dy, dz := at.X-source.At.X, at.Y-source.At.Y, at.Z-source.At.Z
	distance := math.Hypot(math.Hypot(dx, dy), dz)
	forward := dx*math.Cos(source.FacingRad) + dy*math.Sin(source.FacingRad)
	angle := math.Acos(math.Max(-1, math.Min(1, forward/distance)))
	cabinet, _ := r.site.Cabinet(source.Cabinet)
	factor, extraSec := r.truth.Fault.cable(source.Output)
	amplitude := factor * at.factor * float64(set.Polarity) * math.Pow(10, (set.GainDB+source.LevelDB)/20) / distance
	seconds := set.DelaySec + extraSec + distance/r.truth.SoundSpeed
	for i, f := range freqHz {
		sin, cos := math.Sincos(2 * math.Pi * f * seconds)
		coloured := amplitude * cabinet.Directivity.Ratio(angle, f)
		p[i] += complex(coloured*cos, -coloured*sin)
	}
}

// ear is a place to hear from: the microphone or one of its mirror images.
type ear struct {
	engine.Point
	factor float64 // what the reflection leaves of the pressure
}

// ears mirrors the microphone in each wall, and all of that in the ground. In
// a wall through the complex numbers a and b, z becomes a + u²·conj(z-a) with
// u the direction from a to b.
func ears(site engine.Site, p engine.Point) []ear {
	all := []ear{{p, 1}}
	for _, wall := range site.Walls {
		a := complex(wall.From.X, wall.From.Y)
		along := complex(wall.To.X, wall.To.Y) - a
		z := a + along/cmplx.Conj(along)*cmplx.Conj(complex(p.X, p.Y)-a)
		all = append(all, ear{engine.Point{X: real(z), Y: imag(z), Z: p.Z}, 1})
	}
	for _, upright := range all {
		upright.Z = -upright.Z
		all = append(all, ear{upright.Point, site.Ground})
	}
	return all
}
