package field

import (
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"

	"hushback/engine"
)

// Pressure is what all open outputs do at a point at one frequency in hertz,
// complex: Σ A·D·R·e^{-jωt} over the sources and their images, where A is level
// and gain times polarity over distance (held to at least 0.1 m), D the
// directivity towards the point, R the reflection that an image stands for, and
// t the travel time plus the output's delay. One source at 0 dB in free space,
// 1 m ahead, gives magnitude 1.
//
// Errors, here and wherever a site and a sheet are taken: a site without
// sources, a source on an output that the sheet does not set or with a cabinet
// that the site does not have, a frequency that is not above 0, a wall without
// a direction, air without a speed of sound, and what is not a number.
func Pressure(site engine.Site, sheet engine.Sheet, at engine.Point, freqHz float64) (complex128, error) {
	p, err := Along(site, sheet, []engine.Point{at}, []float64{freqHz})
	if err != nil {
		return 0, err
	}
	return p[0][0], nil
}

// Along is Pressure at many points and frequencies, [frequency][point].
func Along(site engine.Site, sheet engine.Sheet, at []engine.Point, freqHz []float64) ([][]complex128, error) {
	r, err := openAt(site, sheet, freqHz)
	if err != nil {
		return nil, err
	}
	return r.along(at)
}

func (r *rig) along(at []engine.Point) ([][]complex128, error) {
	if err := places(at); err != nil {
		return nil, err
	}
	p := block(len(r.axis.freqHz), len(at))
	r.addTo(p, func(ways []path, i int) []path { return r.paths(ways, at[i]) })
	return p, nil
}

// FarField is the array's own pattern in the horizontal plane at angles
// counter-clockwise from +x, [frequency][angle]: Σ A·D·e^{+jk(x·cos θ + y·sin θ)}·e^{-jωτ},
// where A is level and gain times polarity, D the directivity towards θ and τ
// the output's delay. Ground, walls and heights are left out. It is the limit of
// r·e^{jkr} times the pressure at the distance r from the origin.
func FarField(site engine.Site, sheet engine.Sheet, angleRad, freqHz []float64) ([][]complex128, error) {
	site.Ground, site.Walls = 0, nil
	r, err := openAt(site, sheet, freqHz)
	if err != nil {
		return nil, err
	}
	for i, angle := range angleRad {
		if !finite(angle) {
			return nil, fmt.Errorf("angle %d of %d: got %g, want a number", i+1, len(angleRad), angle)
		}
	}
	p := block(len(freqHz), len(angleRad))
	r.addTo(p, func(ways []path, i int) []path { return r.farPaths(ways, angleRad[i]) })
	return p, nil
}

// ByOutput is what each output of the site does alone at some points, at 0 dB,
// without delay and not reversed: [frequency][point][output], ascending by
// output. Any sheet's pressure is a weighted sum of it.
func ByOutput(site engine.Site, at []engine.Point, freqHz []float64) ([][][]complex128, error) {
	r, err := openAt(site, as(site, func(engine.Output) float64 { return 0 }), freqHz)
	if err != nil {
		return nil, err
	}
	if err := places(at); err != nil {
		return nil, err
	}
	parts := r.byOutput(site.OutputNumbers())
	n := len(parts)
	alone := block(len(freqHz), len(at)*n)
	r.addTo(alone, func(ways []path, i int) []path { return parts[i%n].paths(ways, at[i/n]) })
	p := make([][][]complex128, len(freqHz))
	for i := range p {
		p[i] = make([][]complex128, len(at))
		for j := range at {
			p[i][j] = alone[i][j*n : (j+1)*n : (j+1)*n]
		}
	}
	return p, nil
}

// as is a sheet that sets every output to a gain and nothing else.
func as(site engine.Site, gainDB func(engine.Output) float64) engine.Sheet {
	var sheet engine.Sheet
	for _, out := range site.Outputs {
		sheet.Settings = append(sheet.Settings, engine.Setting{Output: out.Number, Polarity: 1, GainDB: gainDB(out)})
	}
	return sheet
}

func places(at []engine.Point) error {
	for i, p := range at {
		if !finite(p.X, p.Y, p.Z) {
			return fmt.Errorf("point %d of %d: got (%g, %g, %g) m, want numbers", i+1, len(at), p.X, p.Y, p.Z)
		}
	}
	return nil
}

// block is rows of equal length in one piece of memory.
func block(rows, columns int) [][]complex128 {
	all := make([]complex128, rows*columns)
	p := make([][]complex128, rows)
	for i := range p {
		p[i] = all[i*columns : (i+1)*columns : (i+1)*columns]
	}
	return p
}

// chunk is how many points are taken at a time, enough for the taking to cost
// nothing.
const chunk = 256

// addTo adds to p, [frequency][point], what comes to each point along the
// paths that ways appends, on all cores. Points do not know of each other, so
// the result is the same bits on any number of cores.
func (r *rig) addTo(p [][]complex128, ways func(buffer []path, point int) []path) {
	n := len(p[0])
	var next atomic.Int64
	work := func() {
		sum := make([]complex128, len(p))
		buffer := make([]path, 0, len(r.voices))
		for {
			from := int(next.Add(chunk)) - chunk
			if from >= n {
				return
			}
			for i := from; i < min(from+chunk, n); i++ {
				clear(sum)
				r.axis.add(sum, ways(buffer, i))
				for f, v := range sum {
					p[f][i] += v
				}
			}
		}
	}
	var others sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), (n+chunk-1)/chunk) - 1 {
		others.Go(work)
	}
	work()
	others.Wait()
}
