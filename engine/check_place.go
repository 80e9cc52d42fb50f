package engine

import (
	"fmt"
	"math"
	"strconv"
)

// walls checks that each wall is one and has all that stands and listens on
// one side, that of the first source. What is wrong with a wall is told once.
func (c *checker) walls(s Site) {
	if len(s.Walls) > maxWalls {
		c.add("walls", strconv.Itoa(len(s.Walls)), fmt.Sprintf("at most %d", maxWalls))
		return
	}
	names := map[string]bool{}
	for i, w := range s.Walls {
		path := at("walls", i)
		c.name(path+".name", w.Name, names)
		if !c.point(path+".from", w.From) || !c.point(path+".to", w.To) {
			continue
		}
		if math.Hypot(w.To.X-w.From.X, w.To.Y-w.From.Y) < minApartM {
			c.add(path+".to", "the place the wall comes from", fmt.Sprintf("a second place, at least %s m away seen from above", num(minApartM)))
			continue
		}
		if len(s.Sources) > 0 && len(s.Sources) <= maxSources {
			c.oneSide(path+".from", w, s)
		}
	}
}

func (c *checker) oneSide(path string, w Wall, s Site) {
	side := math.Copysign(1, w.before(s.Sources[0].At))
	holds := func(p Point, least float64, what string) bool {
		away := side * w.before(p)
		ok := !(away < least) // places that are no numbers are told elsewhere
		switch {
		case ok:
		case least > 0 && away >= 0:
			c.add(path, fmt.Sprintf("wall %q %s m from %s", w.Name, num(away), what), fmt.Sprintf("at least %s m between them", num(least)))
		default:
			c.add(path, fmt.Sprintf("wall %q with %s behind it, seen from source %q", w.Name, what, s.Sources[0].Name),
				"every source, microphone and zone on one side")
		}
		return ok
	}
	for _, src := range s.Sources {
		if !holds(src.At, minApartM, fmt.Sprintf("source %q", src.Name)) {
			return
		}
	}
	for _, m := range s.Microphones[:min(len(s.Microphones), maxSources)] {
		if !holds(m.At, 0, fmt.Sprintf("microphone %q", m.Name)) {
			return
		}
	}
	for _, z := range s.Zones[:min(len(s.Zones), maxSources)] {
		for _, p := range z.Corners[:min(len(z.Corners), maxCorners)] {
			if !holds(p, 0, fmt.Sprintf("zone %q", z.Name)) {
				return
			}
		}
	}
}

// before is how far p is from the wall's plane, positive to the left of the
// way from From to To.
func (w Wall) before(p Point) float64 {
	dx, dy := w.To.X-w.From.X, w.To.Y-w.From.Y
	return (dx*(p.Y-w.From.Y) - dy*(p.X-w.From.X)) / math.Hypot(dx, dy)
}

func (c *checker) microphones(s Site) {
	if !c.few("microphones", len(s.Microphones)) || len(s.Sources) > maxSources {
		return
	}
	names := map[string]bool{}
	roles := map[Role]int{}
	for i, m := range s.Microphones {
		path := at("microphones", i)
		c.name(path+".name", m.Name, names)
		roles[m.Role]++
		if m.Role != RoleFront && m.Role != RoleRear {
			c.add(path+".role", quoted(string(m.Role)), `"front" or "rear"`)
		}
		if c.point(path+".at", m.At) {
			c.apart(path+".at", m.At, s.Sources)
		}
	}
	for _, role := range []Role{RoleFront, RoleRear} {
		if n := roles[role]; n != 1 {
			c.add("microphones", fmt.Sprintf("%d with the role %q", n, role), "exactly one")
		}
	}
}

func (c *checker) zones(zones []Zone) {
	if !c.few("zones", len(zones)) {
		return
	}
	names := map[string]bool{}
	kinds := map[ZoneKind]int{}
	for i, z := range zones {
		path := at("zones", i)
		c.name(path+".name", z.Name, names)
		kinds[z.Kind]++
		if z.Kind != ZoneAudience && z.Kind != ZoneQuiet {
			c.add(path+".kind", quoted(string(z.Kind)), `"audience" or "quiet"`)
		}
		c.number(path+".weight", z.Weight, 0, maxWeight, "")
		c.corners(path+".corners", z.Corners)
	}
	for _, kind := range []ZoneKind{ZoneAudience, ZoneQuiet} {
		if kinds[kind] == 0 {
			c.add("zones", fmt.Sprintf("no zone of the kind %q", kind), "at least one")
		}
	}
}

func (c *checker) corners(path string, corners []Point) {
	if len(corners) < 3 || len(corners) > maxCorners {
		c.add(path, fmt.Sprintf("%d corners", len(corners)), fmt.Sprintf("3 to %d", maxCorners))
		return
	}
	var twice float64 // the enclosed area, by the shoelace formula
	for i, p := range corners {
		if !c.point(at(path, i), p) {
			return
		}
		if p.Z != corners[0].Z {
			c.add(at(path, i), "a height of "+num(p.Z)+" m", "the height of the first corner, "+num(corners[0].Z)+" m")
		}
		next := corners[(i+1)%len(corners)]
		twice += p.X*next.Y - next.X*p.Y
	}
	if math.Abs(twice) < 2*minApartM*minApartM {
		c.add(path, "corners in one line", "corners that enclose some ground")
	}
}

// point holds a place to the site's bounds; below a ground that reflects there
// is nothing.
func (c *checker) point(path string, p Point) bool {
	for _, v := range []float64{p.X, p.Y, p.Z} {
		if !(math.Abs(v) <= maxAwayM) {
			c.add(path, num(v)+" m", fmt.Sprintf("within %d m of the origin along each axis", maxAwayM))
			return false
		}
	}
	if c.ground && p.Z < 0 {
		c.add(path, "a height of "+num(p.Z)+" m", "0 m or more, for the ground at 0 m reflects")
		return false
	}
	return true
}

func (c *checker) apart(path string, p Point, sources []Source) bool {
	for _, src := range sources {
		if d := p.Distance(src.At); d < minApartM {
			c.add(path, fmt.Sprintf("a place %s m from source %q", num(d), src.Name),
				fmt.Sprintf("at least %s m between them", num(minApartM)))
			return false
		}
	}
	return true
}
