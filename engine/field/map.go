package field

import (
	"fmt"
	"slices"

	"hushback/engine"
)

// Area is a level rectangle of NX by NY points, the first at the corner MinX,
// MinY and the last at MaxX, MaxY; one point along an axis lies at its Min.
type Area struct {
	MinX, MaxX, MinY, MaxY, Z float64
	NX, NY                    int
}

// maxValues keeps a slip of the pen from eating the machine: 512 MB.
const maxValues = 1 << 25

// Map is the pressure over an area: P[i][iy*NX+ix] belongs to FreqHz[i] and
// Area.At(ix, iy). It holds that and nothing for each source.
type Map struct {
	Area   Area
	FreqHz []float64
	P      [][]complex128

	site  engine.Site
	sheet engine.Sheet
}

// At is the point ix along x and iy along y.
func (a Area) At(ix, iy int) engine.Point {
	on := func(low, high float64, i, n int) float64 { return low + (high-low)*float64(i)/float64(max(1, n-1)) }
	return engine.Point{X: on(a.MinX, a.MaxX, ix, a.NX), Y: on(a.MinY, a.MaxY, iy, a.NY), Z: a.Z}
}

func (a Area) check(frequencies int) error {
	switch {
	case a.NX < 1 || a.NY < 1:
		return fmt.Errorf("area: got %d by %d points, want at least one each way", a.NX, a.NY)
	case a.NX > maxValues || a.NY > maxValues/a.NX || frequencies > maxValues/(a.NX*a.NY):
		return fmt.Errorf("area: got %d by %d points at %d frequencies, want at most %d values in all", a.NX, a.NY, frequencies, maxValues)
	case !finite(a.MinX, a.MaxX, a.MinY, a.MaxY, a.Z):
		return fmt.Errorf("area: got x %g to %g m, y %g to %g m, height %g m, want numbers", a.MinX, a.MaxX, a.MinY, a.MaxY, a.Z)
	case a.MaxX < a.MinX || a.MaxY < a.MinY:
		return fmt.Errorf("area: got x %g to %g m, y %g to %g m, want rising ones", a.MinX, a.MaxX, a.MinY, a.MaxY)
	}
	return nil
}

// NewMap is Pressure over an area. It takes time in proportion to points,
// sources (and their images) and frequencies, and is quickest where the
// frequencies are equally spaced.
func NewMap(site engine.Site, sheet engine.Sheet, area Area, freqHz []float64) (*Map, error) {
	r, err := openAt(site, sheet, freqHz)
	if err != nil {
		return nil, err
	}
	if err := area.check(len(freqHz)); err != nil {
		return nil, err
	}
	m := &Map{Area: area, FreqHz: slices.Clone(freqHz), P: block(len(freqHz), area.NX*area.NY), site: site, sheet: sheet}
	m.add(r)
	return m, nil
}

func (m *Map) add(r *rig) {
	r.addTo(m.P, func(ways []path, i int) []path { return r.paths(ways, m.Area.At(i%m.Area.NX, i/m.Area.NX)) })
}

// Replace puts another source in the place of one, counted as in the site's
// list, and recomputes that one alone: the old one's pressure is taken off, the
// new one's added. What is left of it is the rounding of these sums, a few
// 1e-16 of the loudest that a point has heard, each time: after 1,000 of them
// the map is within 1e-12 of that of a fresh one. After an error the map is as
// it was.
func (m *Map) Replace(source int, with engine.Source) error {
	if source < 0 || source >= len(m.site.Sources) {
		return fmt.Errorf("map: got source %d of %d to replace, counted from 0", source, len(m.site.Sources))
	}
	change := m.site
	change.Sources = []engine.Source{m.site.Sources[source], with}
	r, err := openAt(change, m.sheet, m.FreqHz)
	if err != nil {
		return fmt.Errorf("map: %w", err)
	}
	for i := range r.voices {
		if r.voices[i].source == 0 {
			r.voices[i].amplitude = -r.voices[i].amplitude
		}
	}
	m.add(r)
	m.site.Sources = slices.Clone(m.site.Sources)
	m.site.Sources[source] = with
	return nil
}
