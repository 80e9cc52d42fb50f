package field

import (
	"fmt"
	"math"
	"sort"

	"hushback/engine"
)

// pattern is a cabinet's directivity, drawn up for an axis of frequencies.
// Where it is a table, the logarithm of the ratio is linear in the angle between
// the table's angles at any frequency, so a row of logarithms for each frequency
// holds all of it; a nil pattern plays the same in all directions.
type pattern struct {
	engine.Directivity
	log [][]float64 // [frequency of the axis][angle of the table]
}

// patternOf is the pattern of one of the site's cabinets, nil for the name ""
// and for a flat one.
func patternOf(site engine.Site, name string) (*pattern, error) {
	if name == "" {
		return nil, nil
	}
	cabinet, ok := site.Cabinet(name)
	if !ok {
		return nil, fmt.Errorf("the site has no cabinet %q", name)
	}
	d := cabinet.Directivity
	if d.Flat() {
		return nil, nil
	}
	whole := len(d.AngleRad) > 0 && len(d.LevelDB) == len(d.FreqHz) && finite(d.AngleRad...) && finite(d.FreqHz...)
	for _, row := range d.LevelDB {
		whole = whole && len(row) == len(d.AngleRad) && finite(row...)
	}
	if !whole {
		return nil, fmt.Errorf("cabinet %q: the directivity table must have a number for each of %d frequencies at each of %d angles",
			name, len(d.FreqHz), len(d.AngleRad))
	}
	return &pattern{Directivity: d}, nil
}

func (p *pattern) tune(freqHz []float64) {
	if p == nil {
		return
	}
	p.log = make([][]float64, len(freqHz))
	for i, f := range freqHz {
		p.log[i] = make([]float64, len(p.AngleRad))
		for j, angle := range p.AngleRad {
			p.log[i][j] = math.Log(p.Ratio(angle, f))
		}
	}
}

// between is where an angle lies in the table: after entry j, and how far on
// the way to the next, 0 to 1. Beyond its ends the table is held.
func (p *pattern) between(angle float64) (j int, part float64) {
	axis := p.AngleRad
	j = sort.SearchFloat64s(axis, angle)
	switch {
	case j == 0:
		return 0, 0
	case j == len(axis):
		return j - 1, 0
	}
	return j - 1, (angle - axis[j-1]) / (axis[j] - axis[j-1])
}

// ratio is Ratio at frequency i of the axis and at a place that between found.
func (p *pattern) ratio(i, j int, part float64) float64 {
	row := p.log[i]
	return math.Exp(row[j]*(1-part) + row[min(j+1, len(row)-1)]*part)
}
