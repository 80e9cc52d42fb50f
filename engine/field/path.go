// Package field adds up what point sources do at a point: directly, by way of
// the ground and by way of rigid walls.
//
// A reflection is a mirror image: a source of the same drive behind the plane,
// times the plane's reflection. The ground is the plane z = 0 with the site's
// reflection, walls reflect all, and each once: the image in a wall is mirrored
// in the ground, not in another wall. Behind a wall and under a ground that
// reflects the sums still have a value, but it means nothing.
package field

import (
	"errors"
	"fmt"
	"math"

	"hushback/engine"
	"hushback/engine/air"
)

// minRangeM is the least distance reckoned with. Closer than a cabinet is big,
// 1/r means nothing and only makes numbers explode.
const minRangeM = 0.1

// rig is the open sources of a site and their mirror images.
type rig struct {
	c        float64 // speed of sound, m/s
	voices   []voice // in the order of the sources, each followed by its images
	patterns map[string]*pattern
	axis     axis // set by tune
}

// voice is one source under its output's setting, or one image of it.
type voice struct {
	source, output int // place in the site's list, number
	at             engine.Point
	cos, sin       float64 // of where it faces
	amplitude      float64 // 1 m ahead of it; negative when reversed
	sec            float64 // the output's delay
	pattern        *pattern
}

// path is the way of one voice to one point.
type path struct {
	amplitude float64 // there, were it heard on its axis; negative when reversed
	sec       float64
	pattern   *pattern
	angle     float64 // between where it faces and where the path goes, 0 to π
}

// open reads a site and a sheet. Sources on muted outputs are left out.
func open(site engine.Site, sheet engine.Sheet) (*rig, error) {
	c, err := speed(site.Air)
	if err != nil {
		return nil, err
	}
	if len(site.Sources) == 0 {
		return nil, errors.New("the site has no sources")
	}
	if err := mirrors(site); err != nil {
		return nil, err
	}
	r := &rig{c: c, patterns: map[string]*pattern{}}
	for i, src := range site.Sources {
		v, muted, err := voiceOf(site, sheet, src, r.patterns)
		if err != nil {
			return nil, fmt.Errorf("source %q: %w", src.Name, err)
		}
		if !muted {
			v.source = i
			r.voices = append(r.voices, v)
			r.voices = append(r.voices, v.images(site)...)
		}
	}
	return r, nil
}

// tune readies the rig for an axis of frequencies.
func (r *rig) tune(freqHz []float64) error {
	var err error
	if r.axis, err = newAxis(freqHz); err != nil {
		return err
	}
	for _, p := range r.patterns {
		p.tune(freqHz)
	}
	return nil
}

// openAt is open and tune.
func openAt(site engine.Site, sheet engine.Sheet, freqHz []float64) (*rig, error) {
	r, err := open(site, sheet)
	if err != nil {
		return nil, err
	}
	return r, r.tune(freqHz)
}

// byOutput is the rig with nothing but one output's voices, for each.
func (r *rig) byOutput(numbers []int) []rig {
	parts := make([]rig, len(numbers))
	for i, number := range numbers {
		parts[i] = r.only(func(v voice) bool { return v.output == number })
	}
	return parts
}

// bySource is the rig with nothing but one source and its images, for each that
// is open.
func (r *rig) bySource() []rig {
	var parts []rig
	for i, v := range r.voices {
		if i == 0 || v.source != r.voices[i-1].source {
			parts = append(parts, r.only(func(other voice) bool { return other.source == v.source }))
		}
	}
	return parts
}

func (r *rig) only(wanted func(voice) bool) rig {
	part := *r
	part.voices = nil
	for _, v := range r.voices {
		if wanted(v) {
			part.voices = append(part.voices, v)
		}
	}
	return part
}

// mirrors refuses a ground and walls that nothing can be mirrored in.
func mirrors(site engine.Site) error {
	if !(site.Ground >= 0 && site.Ground <= 1) {
		return fmt.Errorf("ground: got a reflection of %g, want 0 to 1", site.Ground)
	}
	for _, w := range site.Walls {
		if along := math.Hypot(w.To.X-w.From.X, w.To.Y-w.From.Y); !(along > 0) || math.IsInf(along, 1) {
			return fmt.Errorf("wall %q: got no direction from (%g, %g) m to (%g, %g) m, want two places", w.Name, w.From.X, w.From.Y, w.To.X, w.To.Y)
		}
	}
	return nil
}

// voiceOf is a source under its output's setting. Sources of one kind of
// cabinet share its pattern.
func voiceOf(site engine.Site, sheet engine.Sheet, src engine.Source, patterns map[string]*pattern) (v voice, muted bool, err error) {
	set, ok := sheet.Setting(src.Output)
	switch {
	case !ok:
		return voice{}, false, fmt.Errorf("the sheet has no setting for output %d", src.Output)
	case set.Muted:
		return voice{}, true, nil
	case !finite(src.At.X, src.At.Y, src.At.Z, src.FacingRad, src.LevelDB):
		return voice{}, false, errors.New("place, facing and level must be numbers")
	case !finite(set.DelaySec, set.GainDB):
		return voice{}, false, fmt.Errorf("delay and gain of output %d must be numbers", src.Output)
	}
	if _, known := patterns[src.Cabinet]; !known {
		if patterns[src.Cabinet], err = patternOf(site, src.Cabinet); err != nil {
			return voice{}, false, err
		}
	}
	sin, cos := math.Sincos(src.FacingRad)
	return voice{
		output: src.Output, at: src.At, cos: cos, sin: sin,
		amplitude: engine.Ratio(src.LevelDB+set.GainDB) * float64(set.Polarity),
		sec:       set.DelaySec,
		pattern:   patterns[src.Cabinet],
	}, false, nil
}

// images are the voice in each wall and, where the ground reflects, the voice
// and each of those in the ground.
func (v voice) images(site engine.Site) []voice {
	var all []voice
	for _, w := range site.Walls {
		all = append(all, v.inWall(w))
	}
	if site.Ground == 0 {
		return all
	}
	for _, above := range append([]voice{v}, all...) {
		above.at.Z = -above.at.Z
		above.amplitude *= site.Ground
		all = append(all, above)
	}
	return all
}

// inWall mirrors place and facing in an upright plane along the direction d:
// whatever is along d stays, whatever is across it turns round.
func (v voice) inWall(w engine.Wall) voice {
	dx, dy := w.To.X-w.From.X, w.To.Y-w.From.Y
	along := math.Hypot(dx, dy)
	dx, dy = dx/along, dy/along
	mirrored := func(x, y float64) (float64, float64) {
		across := 2 * (y*dx - x*dy)
		return x + across*dy, y - across*dx
	}
	x, y := mirrored(v.at.X-w.From.X, v.at.Y-w.From.Y)
	v.at.X, v.at.Y = w.From.X+x, w.From.Y+y
	v.cos, v.sin = mirrored(v.cos, v.sin)
	return v
}

// paths appends the way of every voice to p. Distances are held to minRangeM.
func (r *rig) paths(ways []path, p engine.Point) []path {
	for i := range r.voices {
		v := &r.voices[i]
		d := max(minRangeM, v.at.Distance(p))
		way := path{amplitude: v.amplitude / d, sec: v.sec + d/r.c}
		if v.pattern != nil {
			way.pattern, way.angle = v.pattern, v.off(p.X-v.at.X, p.Y-v.at.Y, p.Z-v.at.Z)
		}
		ways = append(ways, way)
	}
	return ways
}

// farPaths appends the way of every voice into the distance at an angle, as
// the phase of the array's own origin and an amplitude 1 m away have it.
func (r *rig) farPaths(ways []path, angleRad float64) []path {
	sin, cos := math.Sincos(angleRad)
	for _, v := range r.voices {
		ways = append(ways, path{
			amplitude: v.amplitude, sec: v.sec - (v.at.X*cos+v.at.Y*sin)/r.c,
			pattern: v.pattern, angle: v.off(cos, sin, 0),
		})
	}
	return ways
}

// loudest is the magnitude of what comes along the path.
func (w *path) loudest(freqHz float64) float64 {
	if w.pattern == nil {
		return math.Abs(w.amplitude)
	}
	return math.Abs(w.amplitude) * w.pattern.Ratio(w.angle, freqHz)
}

// off is the angle between where the voice faces, which is level, and (x, y, z).
// The arc tangent of across over along is exact where an arc cosine is not.
func (v *voice) off(x, y, z float64) float64 {
	return math.Atan2(math.Hypot(y*v.cos-x*v.sin, z), x*v.cos+y*v.sin)
}

// speed is the speed of sound, refused where the air makes none.
func speed(a engine.Air) (float64, error) {
	c, _ := air.SoundSpeed(a)
	if !(c > 0) || math.IsInf(c, 1) {
		return 0, fmt.Errorf("air at %g °C, humidity %g, %g Pa has no speed of sound", a.TemperatureC, a.Humidity, a.PressurePa)
	}
	return c, nil
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
