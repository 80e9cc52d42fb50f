package design

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/stat"

	"hushback/engine"
	"hushback/engine/array"
	"hushback/engine/field"
	"hushback/engine/response"
)

// The range is walked in steps of about rangeStepHz, between rangeLeast and
// rangeMost of them.
const (
	rangeStepHz = 2
	rangeLeast  = 4
	rangeMost   = 24
)

func rangeAxis(b engine.Band) []float64 {
	n := int(math.Ceil((b.HighHz - b.LowHz) / rangeStepHz))
	return response.Steps(b.LowHz, b.HighHz, max(rangeLeast, min(rangeMost, n)))
}

// groundPoints is about how many points all zones together are looked at in.
const groundPoints = 2000

// heard is what one zone hears: its points, the energy that arrives at each and
// the energy that all outputs in phase at their loudest would bring there.
type heard struct {
	zone            engine.Zone
	at              []engine.Point
	energy, inPhase [][]float64 // [frequency][point]
}

// hear listens in a zone under the report's sheet.
func (w *worker) hear(zone engine.Zone, at []engine.Point) (heard, error) {
	h := heard{zone: zone, at: at}
	r, err := response.Listen(w.site, at, w.axis)
	if err != nil {
		return heard{}, err
	}
	p, inPhase := r.Under(w.sheet), r.InPhase(response.Loudest(w.site))
	for i := range w.axis {
		energy, most := make([]float64, len(at)), make([]float64, len(at))
		for j := range at {
			energy[j] = square(cmplx.Abs(p[i][j]))
			most[j] = square(inPhase[i][j])
		}
		h.energy, h.inPhase = append(h.energy, energy), append(h.inPhase, most)
	}
	return h, nil
}

func square(v float64) float64 { return v * v }

// power is an energy ratio in dB.
func power(ratio float64) float64 { return engine.DB(math.Sqrt(ratio)) }

// zones judges all zones of the site.
func (w *worker) zones() ([]Zone, error) {
	var all []heard
	for i, at := range field.Samples(w.site.Zones, groundPoints) {
		h, err := w.hear(w.site.Zones[i], at)
		if err != nil {
			return nil, err
		}
		all = append(all, h)
	}
	crowd := crowdEnergy(all, len(w.axis))
	var zones []Zone
	for _, h := range all {
		if h.zone.Kind == engine.ZoneAudience {
			zones = append(zones, h.audience(w.axis))
		} else {
			zones = append(zones, h.quiet(w.axis, crowd))
		}
	}
	return zones, nil
}

// crowdEnergy is the mean energy over the points of all audience zones, for
// each frequency.
func crowdEnergy(all []heard, frequencies int) []float64 {
	mean := make([]float64, frequencies)
	var points float64
	for _, h := range all {
		if h.zone.Kind == engine.ZoneAudience {
			points += float64(len(h.at))
		}
	}
	for _, h := range all {
		if h.zone.Kind != engine.ZoneAudience {
			continue
		}
		for i, energy := range h.energy {
			for _, e := range energy {
				mean[i] += e / points
			}
		}
	}
	return mean
}

func (h heard) audience(freqHz []float64) Zone {
	z := Zone{Name: h.zone.Name, Kind: h.zone.Kind}
	levels := make([]float64, len(h.at))
	lowest := math.Inf(1)
	var mean float64
	for i := range freqHz {
		for j, e := range h.energy[i] {
			part := e / h.inPhase[i][j]
			mean += part / float64(len(freqHz)*len(h.at))
			levels[j] += e / float64(len(freqHz))
			if part < lowest {
				lowest, z.WorstAt, z.WorstHz = part, h.at[j], freqHz[i]
			}
		}
	}
	z.MeanDB = power(mean)
	z.WorstDB = power(lowest / mean)
	slices.Sort(levels)
	z.SpreadDB = power(stat.Quantile(0.95, stat.Empirical, levels, nil) / stat.Quantile(0.05, stat.Empirical, levels, nil))
	return z
}

func (h heard) quiet(freqHz, crowd []float64) Zone {
	z := Zone{Name: h.zone.Name, Kind: h.zone.Kind}
	loudest := -1.0
	var here, there float64
	for i := range freqHz {
		for j, e := range h.energy[i] {
			here += e / float64(len(h.at))
			if part := e / crowd[i]; part > loudest {
				loudest, z.WorstAt, z.WorstHz = part, h.at[j], freqHz[i]
			}
		}
		there += crowd[i]
	}
	z.MeanDB = power(here / there)
	z.WorstDB = power(loudest)
	return z
}

// acrossPoints is how finely the audience's width is walked.
const acrossPoints = 200

// interplay walks the width of the audience, half way back, and looks for the
// deepest dip at the bottom of the range, the target and the top.
func (w *worker) interplay() ([]Sides, error) {
	if !w.twoSided() {
		return nil, nil
	}
	line, middle := w.across()
	if line == nil {
		return nil, nil
	}
	band := w.site.Target
	freq := slices.Compact([]float64{band.Range.LowHz, band.NullHz, band.Range.HighHz})
	r, err := response.Listen(w.site, append([]engine.Point{middle}, line...), freq)
	if err != nil {
		return nil, err
	}
	inPhase := r.InPhase(response.Loudest(w.site))
	set, alone := r.Under(w.sheet), r.Under(w.rearMuted())
	var all []Sides
	for i, f := range freq {
		s := Sides{FreqHz: f}
		s.DipDB, s.DipAt = deepest(line, set[i], inPhase[i])
		s.AloneDB, s.AloneAt = deepest(line, alone[i], inPhase[i])
		all = append(all, s)
	}
	return all, nil
}

// deepest is the least level along a line against the first one, which is on
// the axis; distance is taken out of both by what all in phase would bring.
func deepest(line []engine.Point, p []complex128, inPhase []float64) (db float64, at engine.Point) {
	axis := cmplx.Abs(p[0]) / inPhase[0]
	lowest := math.Inf(1)
	for j, q := range line {
		if part := cmplx.Abs(p[j+1]) / inPhase[j+1]; part < lowest {
			lowest, at = part, q
		}
	}
	return math.Min(0, bounded(engine.DB(lowest/axis))), at
}

// twoSided reports whether some array stands wholly to the left and one wholly
// to the right.
func (w *worker) twoSided() bool {
	var left, right bool
	for _, a := range w.arrays {
		left = left || a.At.Y-a.HalfWidthM() >= array.ClearM
		right = right || a.At.Y+a.HalfWidthM() <= -array.ClearM
	}
	return left && right
}

// across is the width of the audience half way back, and the point of that
// line on the x axis. Nil where no audience lies there.
func (w *worker) across() (line []engine.Point, middle engine.Point) {
	var x []float64
	for _, z := range w.site.Zones {
		if z.Kind == engine.ZoneAudience {
			for _, p := range z.Corners {
				x = append(x, p.X)
				middle.Z = p.Z
			}
		}
	}
	if x == nil {
		return nil, middle
	}
	middle.X = (slices.Min(x) + slices.Max(x)) / 2
	low, high := math.Inf(1), math.Inf(-1)
	for _, z := range w.site.Zones {
		if z.Kind == engine.ZoneAudience {
			for _, y := range crossings(z.Corners, middle.X) {
				low, high = math.Min(low, y), math.Max(high, y)
			}
		}
	}
	if low >= high {
		return nil, middle
	}
	for _, y := range response.Steps(low, high, acrossPoints) {
		line = append(line, engine.Point{X: middle.X, Y: y, Z: middle.Z})
	}
	return line, middle
}

// crossings are where the edges of a polygon cross a line of constant x.
func crossings(corners []engine.Point, x float64) []float64 {
	var y []float64
	for i, p := range corners {
		q := corners[(i+1)%len(corners)]
		if (p.X > x) != (q.X > x) {
			y = append(y, p.Y+(x-p.X)/(q.X-p.X)*(q.Y-p.Y))
		}
	}
	return y
}

// rearMuted is the sheet with the outputs of the rear rows muted.
func (w *worker) rearMuted() engine.Sheet {
	settings := slices.Clone(w.sheet.Settings)
	for i, set := range settings {
		fed := w.site.Fed(set.Output)
		settings[i].Muted = set.Muted || len(fed) > 0 && fed[0].Row == engine.RowRear
	}
	return engine.Sheet{Settings: settings}
}
