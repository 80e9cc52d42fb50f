package engine

import (
	"fmt"
	"math"
	"strconv"
)

func (c *checker) cabinets(cabinets []Cabinet) {
	if !c.few("cabinets", len(cabinets)) {
		return
	}
	names := map[string]bool{}
	for i, k := range cabinets {
		path := at("cabinets", i)
		c.name(path+".name", k.Name, names)
		for _, v := range []float64{k.WidthM, k.DepthM, k.HeightM} {
			if !(v > 0 && v <= maxSizeM) {
				c.add(path+".size", num(v)+" m", fmt.Sprintf("more than 0 and at most %d m", maxSizeM))
				break
			}
		}
		c.directivity(path+".directivity", k.Directivity)
	}
}

// directivity checks the axes first: a table cannot be held to axes that are
// none.
func (c *checker) directivity(path string, d Directivity) {
	if d.Flat() && len(d.AngleRad)+len(d.LevelDB) == 0 {
		return
	}
	if !c.axis(path+".frequencies", d.FreqHz, 1, 20000, 1, " Hz") || !c.axis(path+".angles", d.AngleRad, 0, math.Pi, 180/math.Pi, "°") {
		return
	}
	const same = 1e-9 // as near as degrees come through radians
	if first, last := d.AngleRad[0], d.AngleRad[len(d.AngleRad)-1]; first > same || last < math.Pi-same {
		c.add(path+".angles", degreeWords(first)+" to "+degreeWords(last), "angles from 0° to 180°")
	}
	if len(d.LevelDB) != len(d.FreqHz) {
		c.add(path+".levels", fmt.Sprintf("%d rows for %d frequencies", len(d.LevelDB), len(d.FreqHz)), "a row for each frequency")
		return
	}
	for i, row := range d.LevelDB {
		if len(row) != len(d.AngleRad) {
			c.add(at(path+".levels", i), fmt.Sprintf("%d levels for %d angles", len(row), len(d.AngleRad)), "a level for each angle")
			return
		}
		for j, v := range row {
			c.number(at(at(path+".levels", i), j), v, -maxLevelDB, maxLevelDB, " dB")
		}
	}
}

// axis checks that values ascend within a range; shown is what to multiply by
// for people.
func (c *checker) axis(path string, values []float64, low, high, shown float64, unit string) bool {
	if !c.count(path, len(values), maxEntries) || len(values) == 0 {
		return false
	}
	for i, v := range values {
		if !(v >= low && v <= high*(1+1e-12)) {
			c.add(at(path, i), num(v*shown)+unit, num(low*shown)+unit+" to "+num(high*shown)+unit)
			return false
		}
		if i > 0 && v <= values[i-1] {
			c.add(at(path, i), num(v*shown)+unit+" after "+num(values[i-1]*shown)+unit, "rising values")
			return false
		}
	}
	return true
}

// room checks that source i's cabinet stands above the ground and in no
// other's place. Cabinets may touch.
func (c *checker) room(path string, s Site, i int) {
	own, ok := s.box(i)
	if !ok {
		return
	}
	if low := own.at.Z - own.half[2]; low < -0.01 {
		c.add(path, "a cabinet "+num(-low)+" m into the ground", "the middle of its front face at least "+num(own.half[2])+" m high, half its height")
	}
	for k := range i {
		other, ok := s.box(k)
		if !ok {
			continue
		}
		if depth := own.into(other); depth > slackM {
			c.add(path, fmt.Sprintf("the cabinet of %q %s m into that of %q", s.Sources[i].Name, strconv.FormatFloat(depth, 'f', 2, 64), s.Sources[k].Name),
				"cabinets that touch at most")
			return
		}
	}
}

// box is the room that a cabinet takes: its middle, half its depth, width and
// height, and the directions of the first two seen from above.
type box struct {
	at   Point
	half [3]float64
	axis [2][2]float64
}

// box is that of a source whose cabinet is known. Its front face stands at the
// source, the rest behind that.
func (s Site) box(source int) (box, bool) {
	src := s.Sources[source]
	k, ok := s.Cabinet(src.Cabinet)
	sin, cos := math.Sincos(src.FacingRad)
	return box{
		at:   Point{src.At.X - cos*k.DepthM/2, src.At.Y - sin*k.DepthM/2, src.At.Z},
		half: [3]float64{k.DepthM / 2, k.WidthM / 2, k.HeightM / 2},
		axis: [2][2]float64{{cos, sin}, {-sin, cos}},
	}, ok
}

// into is the shortest way that separates two boxes, in metres; 0 or less
// where they are separate. Two upright boxes are apart if and only if their
// heights are, or their shadows on one of the four directions of their sides
// (separating axes of convex shapes; the shortest of these ways is the
// shortest of all).
func (b box) into(o box) float64 {
	least := b.half[2] + o.half[2] - math.Abs(b.at.Z-o.at.Z)
	for _, axis := range [][2]float64{b.axis[0], b.axis[1], o.axis[0], o.axis[1]} {
		apart := math.Abs((b.at.X-o.at.X)*axis[0] + (b.at.Y-o.at.Y)*axis[1])
		least = math.Min(least, b.reach(axis)+o.reach(axis)-apart)
	}
	return least
}

// reach is how far the box reaches from its middle along a direction.
func (b box) reach(axis [2]float64) float64 {
	return b.half[0]*math.Abs(b.axis[0][0]*axis[0]+b.axis[0][1]*axis[1]) + b.half[1]*math.Abs(b.axis[1][0]*axis[0]+b.axis[1][1]*axis[1])
}
