package rehearsal

import (
	"math"

	"hushback/engine"
)

// image is a source as a microphone meets it: itself, or what it looks like in
// the ground, in a wall, or in both.
type image struct {
	at           engine.Point
	faceX, faceY float64 // unit vector along the way it faces
	factor       float64 // what the reflections leave of the pressure
}

// images lists a source and its mirror images: one in each wall, rigid and of
// first order, and for each of these one in the ground where that reflects.
func images(site engine.Site, source engine.Source) []image {
	sin, cos := math.Sincos(source.FacingRad)
	upright := []image{{source.At, cos, sin, 1}}
	for _, wall := range site.Walls {
		upright = append(upright, upright[0].in(wall))
	}
	all := upright
	if site.Ground != 0 {
		for _, i := range upright {
			i.at.Z, i.factor = -i.at.Z, i.factor*site.Ground
			all = append(all, i)
		}
	}
	return all
}

// in is the mirror image in an upright wall: what points into the wall, along
// its normal, is turned round.
func (i image) in(wall engine.Wall) image {
	normalX, normalY := wall.To.Y-wall.From.Y, wall.From.X-wall.To.X
	length := math.Hypot(normalX, normalY)
	normalX, normalY = normalX/length, normalY/length
	away := (i.at.X-wall.From.X)*normalX + (i.at.Y-wall.From.Y)*normalY
	i.at.X -= 2 * away * normalX
	i.at.Y -= 2 * away * normalY
	towards := i.faceX*normalX + i.faceY*normalY
	i.faceX -= 2 * towards * normalX
	i.faceY -= 2 * towards * normalY
	return i
}

// off is the angle between where the image faces and a point, 0 to π.
func (i image) off(p engine.Point) float64 {
	ahead := (p.X-i.at.X)*i.faceX + (p.Y-i.at.Y)*i.faceY
	aside := (p.Y-i.at.Y)*i.faceX - (p.X-i.at.X)*i.faceY
	return math.Atan2(math.Hypot(aside, p.Z-i.at.Z), ahead)
}

// colour is what a cabinet does to the lines of the signal in one direction: a
// level over frequency, by rising frequency. None is 0 dB everywhere.
type colour []tint

type tint struct{ octaves, levelDB float64 } // the frequency as log2 of hertz

// newColour cuts a directivity table at an angle.
func newColour(d engine.Directivity, angleRad float64) colour {
	var c colour
	for i, levels := range d.LevelDB {
		level := levels[0] // held before the first angle
		for j := 1; j < len(levels); j++ {
			from, to := d.AngleRad[j-1], d.AngleRad[j]
			part := math.Max(0, math.Min(1, (angleRad-from)/(to-from)))
			level += part * (levels[j] - levels[j-1])
		}
		c = append(c, tint{math.Log2(d.FreqHz[i]), level})
	}
	return c
}

// at is the level in dB at ω, straight over the logarithm of the frequency
// between the table's, held outside.
func (c colour) at(omega float64) float64 {
	if len(c) == 0 {
		return 0
	}
	octaves := math.Log2(omega / (2 * math.Pi))
	level := c[0].levelDB
	for i := 1; i < len(c); i++ {
		part := (octaves - c[i-1].octaves) / (c[i].octaves - c[i-1].octaves)
		level += math.Max(0, math.Min(1, part)) * (c[i].levelDB - c[i-1].levelDB)
	}
	return level
}

// most is the loudest of it in dB, 0 where it has no table.
func (c colour) most() float64 {
	most := math.Inf(-1)
	for _, t := range c {
		most = math.Max(most, t.levelDB)
	}
	if len(c) == 0 {
		return 0
	}
	return most
}
