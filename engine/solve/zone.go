package solve

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/field"
	"hushback/engine/optimise"
)

// Zoned is a sheet found by search for a site's aim, and how near it is to what
// no processing whatever could exceed with the same sources.
type Zoned struct {
	Sheet    engine.Sheet
	FreqHz   []float64 // lines of the test signal in the range that it was judged at
	RatioDB  []float64 // front microphone over quiet zones at FreqHz; for Worst over their loudest point
	BoundDB  []float64 // the most that free complex weights reach there within the same headroom
	CostDB   []float64 // headroom cost at FreqHz
	SpreadDB []float64 // of the audience's levels, 5th to 95th percentile, where the aim limits it
	Mean     float64   // the aim, dB: the mean of RatioDB, or the least
	Bound    float64   // the same of BoundDB
	Complete bool      // false: cut short, the best so far
}

// What is looked at: enough lines that nothing happens between them, and
// enough points that a subwoofer's wave does not slip through.
const (
	mostLines      = 31
	quietPoints    = 300
	audiencePoints = 100
)

// SolveZone finds the settings that make the mean over the range of front
// microphone over quiet zones greatest, or the least of it, within the site's
// aim: see package optimise. Every quiet zone counts by its weight whatever its
// size, each of its points alike; audience zones are one crowd.
//
// A robust aim judges the expected energies instead of the perfect case's:
// errors of place and level are independent from source to source and have a
// closed form (optimise.Scatter), with a phase variance of (2πf/c·σ)²; the
// air's temperature is the same for all and enters behind by three values and
// the weights of Gauss and Hermite. In front, where all is nearly in phase, it
// changes nothing worth reckoning. Tolerance holds two standard deviations.
//
// The null that is held is one at the rear microphone, exact but for the grid.
// The headroom limit holds at all lines of the range as field.Predict shows
// them. When ctx ends, the best so far comes back with Complete false.
//
// The site must have an aim and no Problems. Errors: zones or an array that
// cannot be reckoned, or a condition that no settings were found for; what was
// found then comes with the error.
func SolveZone(ctx context.Context, site engine.Site, r engine.Ranges, progress func(optimise.Progress)) (Zoned, error) {
	if site.Aim == nil {
		return Zoned{}, errors.New("solving for the quiet zones: the site has no aim")
	}
	z, err := zone(ctx, site, r, progress)
	if err != nil {
		return z, fmt.Errorf("solving for the quiet zones: %w", err)
	}
	return z, nil
}

func zone(ctx context.Context, site engine.Site, r engine.Ranges, progress func(optimise.Progress)) (Zoned, error) {
	p, err := problem(site, r)
	if err != nil {
		return Zoned{}, err
	}
	const tries = 3
	for try := 1; ; try++ {
		found, err := optimise.Solve(ctx, p, progress)
		z := zoned(site, r, p, found)
		if err != nil {
			return z, err
		}
		seen, err := field.Predict(site, z.Sheet)
		if err != nil {
			return z, err
		}
		over := seen.HeadroomCostDB - site.Aim.HeadroomDB
		if over > 1e-9 && try < tries && found.Complete { // between the lines that were looked at
			p.HeadroomDB = math.Max(1e-3, p.HeadroomDB-over-1e-3)
			continue
		}
		if over > 1e-9 && found.Complete {
			return z, fmt.Errorf("the headroom cost comes down to %.2f dB only, want at most %g dB", seen.HeadroomCostDB, site.Aim.HeadroomDB)
		}
		if site.Aim.HoldNull && seen.Summary.AtTargetDB > -site.Limits.NullDepthDB {
			return z, fmt.Errorf("the null at %g Hz comes down to %.1f dB only within %g dB of headroom, want %g dB",
				site.Target.NullHz, seen.Summary.AtTargetDB, site.Aim.HeadroomDB, -site.Limits.NullDepthDB)
		}
		return z, nil
	}
}

func zoned(site engine.Site, r engine.Ranges, p optimise.Problem, found optimise.Result) Zoned {
	z := Zoned{
		FreqHz: p.FreqHz, RatioDB: found.RatioDB, BoundDB: found.BoundDB, CostDB: found.CostDB, SpreadDB: found.SpreadDB,
		Mean: found.Aim, Bound: found.Bound, Complete: found.Complete,
	}
	for i, set := range found.Settings {
		z.Sheet.Settings = append(z.Sheet.Settings, engine.Setting{
			Output:   site.Outputs[i].Number,
			DelaySec: r.DelaySec.Nearest(set.DelaySec),
			Polarity: set.Polarity,
			GainDB:   r.GainDB.Nearest(set.GainDB),
		})
	}
	return z
}

// problem states a site's aim in numbers.
func problem(site engine.Site, r engine.Ranges) (optimise.Problem, error) {
	p := optimise.Problem{FreqHz: lines(site), HeadroomDB: site.Aim.HeadroomDB, Worst: site.Aim.Worst, EvennessDB: site.Aim.EvennessDB}
	if len(p.FreqHz) == 0 {
		return p, fmt.Errorf("no line of the test signal lies between %g and %g Hz", site.Target.Range.LowHz, site.Target.Range.HighHz)
	}
	for _, out := range site.Outputs {
		if len(site.Fed(out.Number)) == 0 {
			return p, fmt.Errorf("output %d feeds no source", out.Number)
		}
		gains, ok := r.GainDB.UpTo(out.MaxGainDB)
		if !ok {
			return p, fmt.Errorf("output %d: it may play at %g dB at most, the processor goes down to %g dB only", out.Number, out.MaxGainDB, r.GainDB.Min)
		}
		p.Outputs = append(p.Outputs, optimise.Output{DelaySec: optimise.Range(r.DelaySec), GainDB: optimise.Range(gains)})
	}
	s := apart(site)
	if i := slices.Index(s.output, -1); i >= 0 {
		return p, fmt.Errorf("source %q plays on output %d, which the site does not have", site.Sources[i].Name, site.Sources[i].Output)
	}
	if err := s.ahead(&p); err != nil {
		return p, err
	}
	if err := s.behind(&p); err != nil {
		return p, err
	}
	return p, s.conditions(&p)
}

// lines are those of the test signal in the range, or as many of them as are
// needed, spread over it with both ends.
func lines(site engine.Site) []float64 {
	all := slices.DeleteFunc(site.TestSignal.Lines(), func(f float64) bool { return !site.Target.Range.Contains(f) })
	if len(all) <= mostLines {
		return all
	}
	var some []float64
	for k := range mostLines {
		some = append(some, all[k*(len(all)-1)/(mostLines-1)])
	}
	return some
}

// stage is a site, and the same with every source on an output of its own, the
// outputs in the order of the sources.
type stage struct {
	site, sources engine.Site
	output        []int // of each source, as an index
}

func apart(site engine.Site) stage {
	s := stage{site: site, sources: site}
	s.sources.Sources, s.sources.Outputs = slices.Clone(site.Sources), nil
	for i, src := range site.Sources {
		s.output = append(s.output, slices.Index(site.OutputNumbers(), src.Output))
		s.sources.Sources[i].Output = i + 1
		s.sources.Outputs = append(s.sources.Outputs, engine.Output{Number: i + 1})
	}
	return s
}

// wired adds up the sources of each output.
func (s stage) wired(bySource []complex128) []complex128 {
	sum := make([]complex128, len(s.site.Outputs))
	for i := range s.output {
		sum[s.output[i]] += bySource[i]
	}
	return sum
}

// ahead is what arrives at the front microphone.
func (s stage) ahead(p *optimise.Problem) error {
	mic, ok := s.site.Microphone(engine.RoleFront)
	if !ok {
		return errors.New("the site has no front microphone")
	}
	by, err := field.ByOutput(s.sources, []engine.Point{mic.At}, p.FreqHz)
	if err != nil {
		return err
	}
	for f := range p.FreqHz {
		var full float64
		for i, src := range s.site.Sources {
			out, _ := s.site.Output(src.Output)
			full += math.Sqrt(power(by[f][0][i])) * engine.Ratio(out.MaxGainDB)
		}
		p.Front = append(p.Front, s.wired(by[f][0]))
		p.FullFront = append(p.FullFront, full)
		if s.site.Aim.Robust {
			part, err := s.scatter(p.FreqHz[f])
			if err != nil {
				return err
			}
			p.FrontScatter = append(p.FrontScatter, s.alone(by[f], []float64{part}))
		}
	}
	return nil
}

func power(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }

// alone is each output's Σ weight·|response|² over its sources and some points.
func (s stage) alone(bySource [][]complex128, weight []float64) []float64 {
	sum := make([]float64, len(s.site.Outputs))
	for k, row := range bySource {
		for i := range s.output {
			sum[s.output[i]] += weight[k] * power(row[i])
		}
	}
	return sum
}

// scatter is what errors of place and level add to each source's own energy.
func (s stage) scatter(freqHz float64) (float64, error) {
	c, _ := air.SoundSpeed(s.site.Air)
	if !(c > 0) {
		return 0, errors.New("the air has no speed of sound")
	}
	phase := 2 * math.Pi * freqHz / c * s.site.Tolerance.PositionM / 2
	level := s.site.Tolerance.LevelDB / 2 * math.Ln10 / 20
	return optimise.Scatter(phase*phase, level*level), nil
}

// behind is what arrives in the quiet zones.
func (s stage) behind(p *optimise.Problem) error {
	zones := s.zones(engine.ZoneQuiet)
	if len(zones) == 0 {
		return errors.New("the site has no quiet zone")
	}
	var at []engine.Point
	var weight []float64
	for i, points := range field.Samples(zones, quietPoints) {
		w := zones[i].Weight
		if w == 0 {
			w = 1
		}
		for range points {
			weight = append(weight, w/float64(len(points)))
		}
		at = append(at, points...)
	}
	p.Quiet = make([][][]complex128, len(p.FreqHz))
	p.QuietScatter = nil
	for _, air := range s.airs() {
		warm := s.sources
		warm.Air.TemperatureC = air.temperatureC
		by, err := field.ByOutput(warm, at, p.FreqHz)
		if err != nil {
			return err
		}
		for _, w := range weight {
			p.QuietWeight = append(p.QuietWeight, w*air.weight)
		}
		for f := range p.FreqHz {
			for _, row := range by[f] {
				p.Quiet[f] = append(p.Quiet[f], s.wired(row))
			}
		}
		if s.site.Aim.Robust && air.temperatureC == s.site.Air.TemperatureC {
			if err := s.scattered(p, by, weight); err != nil {
				return err
			}
		}
	}
	return nil
}

// scattered is the errors' share behind, in the parts that the points have of
// their mean.
func (s stage) scattered(p *optimise.Problem, by [][][]complex128, weight []float64) error {
	var sum float64
	for _, w := range weight {
		sum += w
	}
	for f, hz := range p.FreqHz {
		part, err := s.scatter(hz)
		if err != nil {
			return err
		}
		parts := make([]float64, len(weight))
		for k, w := range weight {
			parts[k] = part * w / sum
		}
		p.QuietScatter = append(p.QuietScatter, s.alone(by[f], parts))
	}
	return nil
}

// warmth is one temperature that the air may have, and how much it counts.
type warmth struct{ temperatureC, weight float64 }

func (s stage) airs() []warmth {
	t, sd := s.site.Air.TemperatureC, s.site.Tolerance.TemperatureC/2
	if !s.site.Aim.Robust || sd == 0 {
		return []warmth{{t, 1}}
	}
	far := math.Sqrt(3) * sd
	return []warmth{{t - far, 1.0 / 6}, {t, 2.0 / 3}, {t + far, 1.0 / 6}}
}

// conditions are the audience's evenness and the null.
func (s stage) conditions(p *optimise.Problem) error {
	if s.site.Aim.EvennessDB > 0 {
		at := slices.Concat(field.Samples(s.zones(engine.ZoneAudience), audiencePoints)...)
		if len(at) == 0 {
			return errors.New("the site has no audience zone to be even in")
		}
		by, err := field.ByOutput(s.site, at, p.FreqHz)
		if err != nil {
			return err
		}
		p.Audience = by
	}
	if s.site.Aim.HoldNull {
		mic, ok := s.site.Microphone(engine.RoleRear)
		if !ok {
			return errors.New("the site has no rear microphone to hold a null at")
		}
		by, err := field.ByOutput(s.site, []engine.Point{mic.At}, []float64{s.site.Target.NullHz})
		if err != nil {
			return err
		}
		p.Null = &optimise.Null{FreqHz: s.site.Target.NullHz, Rear: by[0][0]}
	}
	return nil
}

func (s stage) zones(kind engine.ZoneKind) []engine.Zone {
	return slices.DeleteFunc(slices.Clone(s.site.Zones), func(z engine.Zone) bool { return z.Kind != kind })
}
