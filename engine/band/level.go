package band

import (
	"fmt"
	"math"
	"slices"

	"hushback/engine"
	"hushback/engine/field"
)

// Level is what an array does in one third of an octave. Values are energies in
// dB, each the mean over the band's eight twenty-fourths of an octave, which
// weighs every part of an octave alike, and over the points of a zone.
type Level struct {
	Band
	Beyond  bool     `json:"beyond_range"` // an edge lies outside the operating range
	RearDB  float64  `json:"rear_db"`      // rear microphone against the front one
	FrontDB float64  `json:"front_db"`     // front microphone against its outputs in phase, each as loud as it is set
	Quiet   []OfZone `json:"quiet"`        // each quiet zone, in the site's order
}

// OfZone is one quiet zone against the audience zones, or against the front
// microphone where the site has none.
type OfZone struct {
	Name string  `json:"name"`
	DB   float64 `json:"db"`
}

// zonePoints is about how many points all zones together are looked at in.
const zonePoints = 1000

// Levels judges a sheet in the thirds of an octave whose middle lies in the
// operating range, each of them whole, as an analyser measures it; there may be
// none in a narrow range. The site must have no Problems. Errors are
// engine/field's.
func Levels(site engine.Site, sheet engine.Sheet) ([]Level, error) {
	bands, err := thirds(site.Target.Range)
	if err != nil {
		return nil, err
	}
	var levels []Level
	for _, b := range bands {
		l, err := level(site, sheet, b)
		l.Beyond = b.LowHz < site.Target.Range.LowHz || b.HighHz > site.Target.Range.HighHz
		if err != nil {
			return nil, fmt.Errorf("band of %g Hz: %w", b.NominalHz, err)
		}
		levels = append(levels, l)
	}
	return levels, nil
}

// thirds are the bands whose middle lies in a range, by what it is or by what it
// is called: a range that is written as up to 63 Hz has the band of 63 Hz, the
// middle of which is 63.1 Hz.
func thirds(r engine.Band) ([]Band, error) {
	const near = 1.02 // more than middle and name ever differ
	bands, err := Within(3, r.LowHz/near, r.HighHz*near)
	return slices.DeleteFunc(bands, func(b Band) bool { return !r.Contains(b.MidHz) && !r.Contains(b.NominalHz) }), err
}

func level(site engine.Site, sheet engine.Sheet, b Band) (Level, error) {
	l := Level{Band: b}
	fine := b.Fine(24)
	front, err := energyAt(site, sheet, engine.RoleFront, fine)
	if err != nil {
		return l, err
	}
	rear, err := energyAt(site, sheet, engine.RoleRear, fine)
	if err != nil {
		return l, err
	}
	l.RearDB = decibels(rear / front)
	if l.FrontDB, err = short(site, sheet, fine, front); err != nil {
		return l, err
	}
	crowd, points := 0.0, 0
	var quiet []float64
	for i, at := range field.Samples(site.Zones, zonePoints) {
		sum, err := energy(site, sheet, at, fine)
		switch {
		case err != nil:
			return l, err
		case site.Zones[i].Kind == engine.ZoneAudience:
			crowd, points = crowd+sum*float64(len(at)), points+len(at)
		default:
			l.Quiet = append(l.Quiet, OfZone{Name: site.Zones[i].Name})
			quiet = append(quiet, sum)
		}
	}
	against := front
	if points > 0 {
		against = crowd / float64(points)
	}
	for i := range l.Quiet {
		l.Quiet[i].DB = decibels(quiet[i] / against)
	}
	return l, nil
}

func energyAt(site engine.Site, sheet engine.Sheet, role engine.Role, freqHz []float64) (float64, error) {
	mic, ok := site.Microphone(role)
	if !ok {
		return 0, fmt.Errorf("the site has no %s microphone", role)
	}
	return energy(site, sheet, []engine.Point{mic.At}, freqHz)
}

// energy is the mean of |p|² over frequencies and points.
func energy(site engine.Site, sheet engine.Sheet, at []engine.Point, freqHz []float64) (float64, error) {
	p, err := field.Along(site, sheet, at, freqHz)
	if err != nil {
		return 0, err
	}
	var sum float64
	for _, row := range p {
		for _, v := range row {
			sum += real(v)*real(v) + imag(v)*imag(v)
		}
	}
	return sum / float64(len(freqHz)*len(at)), nil
}

// short is the front microphone's energy against that of all outputs in phase.
func short(site engine.Site, sheet engine.Sheet, freqHz []float64, front float64) (float64, error) {
	mic, _ := site.Microphone(engine.RoleFront)
	by, err := field.ByOutput(site, []engine.Point{mic.At}, freqHz)
	if err != nil {
		return 0, err
	}
	var sum float64
	for f := range freqHz {
		var together float64
		for i, number := range site.OutputNumbers() {
			if set, ok := sheet.Setting(number); ok && !set.Muted {
				v := by[f][0][i]
				together += engine.Ratio(set.GainDB) * math.Hypot(real(v), imag(v))
			}
		}
		sum += together * together
	}
	return decibels(front * float64(len(freqHz)) / sum), nil
}

// decibels is an energy ratio in dB, at least engine.FloorDB.
func decibels(ratio float64) float64 { return engine.DB(math.Sqrt(ratio)) }
