package rehearsal

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"hushback/cmd/internal/emulated"
	"hushback/engine"
	"hushback/engine/air"
)

// How far a real crew and a real evening stray from the site file. Uniform
// within plus and minus these; our own figures, no published source.
const (
	scatterMetres = 0.01
	scatterDB     = 0.1
	scatterKelvin = 0.3
)

// Levels. Everything a microphone hears stays below fullScale, even with all
// outputs as loud as they go and in phase; the rest of the way to 1 is left
// for the noise of a deaf microphone. Noise is counted from the front sum: all
// sources in phase at the front microphone, as loud as shows leave their
// outputs, without ground and walls.
const (
	fullScale   = 0.25
	usualGainDB = -6
	noiseDB     = -45
	deafNoiseDB = +20
)

// Truth is what really stands there, which the site file only describes.
type Truth struct {
	Fault      Fault // Output filled in
	Air        engine.Air
	SoundSpeed float64         // m/s
	Sources    []engine.Source // true positions and levels
}

// drawTruth scatters the site a little and puts the fault in.
func drawTruth(site engine.Site, fault Fault, rng *rand.Rand) Truth {
	stray := func(most float64) float64 { return most * (2*rng.Float64() - 1) }
	truth := Truth{Fault: fault, Air: site.Air}
	truth.Air.TemperatureC += stray(scatterKelvin)
	if fault.Kind == Cold {
		truth.Air.TemperatureC -= coldKelvin
	}
	truth.SoundSpeed, _ = air.SoundSpeed(truth.Air)
	for _, source := range site.Sources {
		source.At.X += stray(scatterMetres)
		source.At.Y += stray(scatterMetres)
		source.At.Z += stray(scatterMetres)
		source.LevelDB += stray(scatterDB)
		if fault.Kind == Moved && source.Output == fault.Output {
			source.At.X += movedMetres
		}
		truth.Sources = append(truth.Sources, source)
	}
	return truth
}

// path is one way of the sound from an output through a source to a
// microphone: straight, or by way of the ground and a wall.
type path struct {
	output    int
	gain      float64 // signed; cable, level, reflection and 1/r together
	travelSec float64 // from the output's terminals
	colour    colour  // of the cabinet in the direction that this way leaves it
}

// loudestDB is the most gain that any emulated processor gives: what the
// signal's room for it is reckoned with.
const loudestDB = 10

// space is the simulated air between the sources and the two microphones.
type space struct {
	signal multisine // as sent to the processor
	paths  map[engine.Role][]path
	noise  float64 // standard deviation, the same at both microphones
	reach  float64 // longest travel of any path, seconds
}

// newSpace lays the paths and finds the levels of signal and noise.
func newSpace(site engine.Site, truth Truth, signal multisine) (*space, error) {
	s := &space{paths: map[engine.Role][]path{}}
	loudest := 0.0
	for _, role := range []engine.Role{engine.RoleFront, engine.RoleRear} {
		microphone, found := site.Microphone(role)
		if !found {
			return nil, fmt.Errorf("site %s: no %s microphone", site.Job, role)
		}
		sum := 0.0
		for _, source := range truth.Sources {
			for _, p := range newPaths(site, source, microphone, truth) {
				s.paths[role] = append(s.paths[role], p)
				s.reach = math.Max(s.reach, p.travelSec)
				sum += math.Abs(p.gain) * engine.Ratio(p.colour.most())
			}
		}
		loudest = math.Max(loudest, sum*engine.Ratio(loudestDB))
	}
	s.signal = signal.scaled(math.Min(0.5, fullScale/math.Max(loudest, fullScale)))
	frontSum := 0.0
	front, _ := site.Microphone(engine.RoleFront)
	for _, source := range truth.Sources {
		frontSum += engine.Ratio(source.LevelDB+usualGainDB) / source.At.Distance(front.At)
	}
	level := float64(noiseDB)
	if truth.Fault.Kind == Deaf {
		level = deafNoiseDB
	}
	s.noise = s.signal.rms() * frontSum * engine.Ratio(level)
	return s, nil
}

// newPaths are the ways from a source and from its images to a microphone.
func newPaths(site engine.Site, source engine.Source, microphone engine.Microphone, truth Truth) []path {
	factor, extraSec := truth.Fault.cable(source.Output)
	cabinet, _ := site.Cabinet(source.Cabinet)
	var ways []path
	for _, image := range images(site, source) {
		r := image.at.Distance(microphone.At)
		ways = append(ways, path{
			output:    source.Output,
			gain:      factor * image.factor * engine.Ratio(source.LevelDB) / r,
			travelSec: extraSec + r/truth.SoundSpeed,
			colour:    newColour(cabinet.Directivity, image.off(microphone.At)),
		})
	}
	return ways
}

// hear adds what a microphone hears without its noise to dst, whose first
// sample is at time from. A path's contribution at time t is
// gain · setting · x(t - travel - delay), x coloured by the cabinet, with the
// setting that stood at the output at t - travel, when the sound left it.
func (s *space) hear(role engine.Role, past past, from float64, dst []float64) {
	paths := s.paths[role]
	spans := make([][]span, len(paths))
	cuts := []int{len(dst)}
	for i, p := range paths {
		spans[i] = past.spans(p, from, len(dst))
		for _, sp := range spans[i] {
			cuts = append(cuts, sp.first)
		}
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	for i, first := range cuts[:len(cuts)-1] {
		s.signal.add(dst[first:cuts[i+1]], from+float64(first)/sampleRate, func(omega float64) complex128 {
			return responseAt(paths, spans, first, omega)
		})
	}
}

// responseAt is the sum over the paths at ω with the settings heard at sample i.
func responseAt(paths []path, spans [][]span, i int, omega float64) complex128 {
	var sum complex128
	for k, p := range paths {
		set := spans[k][0].set
		for _, sp := range spans[k] {
			if sp.first <= i {
				set = sp.set
			}
		}
		if set.Muted {
			continue
		}
		level := engine.Ratio(set.GainDB + p.colour.at(omega))
		sum += cmplx.Rect(p.gain*float64(set.Polarity)*level, -omega*(p.travelSec+set.DelaySec))
	}
	return sum
}

// past is what each output was set to, oldest first. The first moment counts
// for all time before it too.
type past map[int][]emulated.Moment

// span is a setting as heard from a sample of a frame on.
type span struct {
	first int
	set   engine.Setting
}

// spans is what a frame of n samples, the first taken at time from, hears of
// one path; the first span starts at sample 0.
func (p past) spans(way path, from float64, n int) []span {
	moments := p[way.output]
	spans := []span{{0, moments[0].Is}}
	for _, m := range moments {
		first := math.Ceil((m.At + way.travelSec - from) * sampleRate)
		switch {
		case first <= 0:
			spans[0].set = m.Is
		case first < float64(n):
			spans = append(spans, span{int(first), m.Is})
		}
	}
	return spans
}
