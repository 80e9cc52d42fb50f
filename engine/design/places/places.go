// Package places says what a sheet does where people are: in the zones, and along
// the width of the audience where a left and a right meet.
package places

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

// Zone is what one zone hears over the operating range: energy means over its
// points and over equal steps of frequency.
//
// An audience's levels are against every output arriving in phase at its
// loudest at the very point, so that distance is no dip: MeanDB their energy
// mean, WorstDB the deepest of them against that mean. SpreadDB is between the
// 5th and the 95th percentile of the points' levels themselves, distance
// included.
//
// A quiet zone's levels are against the audience zones' mean, negative is
// quieter: MeanDB over the whole range, WorstDB the loudest point at its loudest
// frequency against the audience at the same frequency. SpreadDB is 0.
type Zone struct {
	Name     string          `json:"name"`
	Kind     engine.ZoneKind `json:"kind"`
	MeanDB   float64         `json:"mean_db"`
	SpreadDB float64         `json:"spread_db"`
	WorstDB  float64         `json:"worst_db"`
	WorstAt  engine.Point    `json:"worst_at"`
	WorstHz  float64         `json:"worst_hz"`
}

// Sides is the interplay of a left and a right at one frequency, along the
// width of the audience half way back: where the two cancel, and how deep,
// against the point on the axis. Distance is taken out of both.
type Sides struct {
	FreqHz  float64      `json:"freq_hz"`
	DipDB   float64      `json:"dip_db"` // as set; 0 or less
	DipAt   engine.Point `json:"dip_at"`
	AloneDB float64      `json:"alone_db"` // the same with the rear rows muted
	AloneAt engine.Point `json:"alone_at"`
}

// Points is about how many points all zones together are looked at in.
const Points = 2000

// heard is what one zone hears: its points, the energy that arrives at each and
// the energy that all outputs in phase at their loudest would bring there.
type heard struct {
	zone            engine.Zone
	at              []engine.Point
	energy, inPhase [][]float64 // [frequency][point]
}

// hear listens in a zone.
func hear(site engine.Site, sheet engine.Sheet, zone engine.Zone, at []engine.Point, freqHz []float64) (heard, error) {
	h := heard{zone: zone, at: at}
	r, err := response.Listen(site, at, freqHz)
	if err != nil {
		return heard{}, err
	}
	p, inPhase := r.Under(sheet), r.InPhase(response.Loudest(site))
	for i := range freqHz {
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

// Judge says what all zones of a site hear at some frequencies in equal steps.
// Errors are those of the field.
func Judge(site engine.Site, sheet engine.Sheet, freqHz []float64) ([]Zone, error) {
	var all []heard
	for i, at := range field.Samples(site.Zones, Points) {
		h, err := hear(site, sheet, site.Zones[i], at, freqHz)
		if err != nil {
			return nil, err
		}
		all = append(all, h)
	}
	crowd := crowdEnergy(all, len(freqHz))
	var zones []Zone
	for _, h := range all {
		if h.zone.Kind == engine.ZoneAudience {
			zones = append(zones, h.audience(freqHz))
		} else {
			zones = append(zones, h.quiet(freqHz, crowd))
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

// Interplay walks the width of the audience, half way back, and looks for the
// deepest dip at the bottom of the range, the target and the top. It is nothing
// where no array stands wholly to the left and one wholly to the right. Errors are
// those of the field.
func Interplay(site engine.Site, sheet engine.Sheet, arrays []array.Array) ([]Sides, error) {
	if !twoSided(arrays) {
		return nil, nil
	}
	line, middle := across(site.Zones)
	if line == nil {
		return nil, nil
	}
	band := site.Target
	freq := slices.Compact([]float64{band.Range.LowHz, band.NullHz, band.Range.HighHz})
	r, err := response.Listen(site, append([]engine.Point{middle}, line...), freq)
	if err != nil {
		return nil, err
	}
	inPhase := r.InPhase(response.Loudest(site))
	set, alone := r.Under(sheet), r.Under(rearMuted(site, sheet))
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
	db = engine.DB(lowest / axis)
	if math.IsNaN(db) || db > 0 { // silence on the axis too is no dip
		return 0, at
	}
	return math.Max(engine.FloorDB, db), at
}

// twoSided reports whether some array stands wholly to the left and one wholly
// to the right.
func twoSided(arrays []array.Array) bool {
	var left, right bool
	for _, a := range arrays {
		left = left || a.At.Y-a.HalfWidthM() >= array.ClearM
		right = right || a.At.Y+a.HalfWidthM() <= -array.ClearM
	}
	return left && right
}

// across is the width of the audience half way back, and the point of that
// line on the x axis. Nil where no audience lies there.
func across(zones []engine.Zone) (line []engine.Point, middle engine.Point) {
	var x []float64
	for _, z := range zones {
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
	for _, z := range zones {
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
func rearMuted(site engine.Site, sheet engine.Sheet) engine.Sheet {
	settings := slices.Clone(sheet.Settings)
	for i, set := range settings {
		fed := site.Fed(set.Output)
		settings[i].Muted = set.Muted || len(fed) > 0 && fed[0].Row == engine.RowRear
	}
	return engine.Sheet{Settings: settings}
}
