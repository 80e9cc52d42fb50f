package correct

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"hushback/engine"
	"hushback/engine/field"
	"hushback/engine/optimise"
)

// Samples of the zones, as the solver's.
const (
	quietPoints    = 300
	audiencePoints = 100
)

// search solves for a site's own aim.
func (m rig) search(ctx context.Context, r engine.Ranges) (optimise.Result, optimise.Problem, error) {
	p, err := m.problem(r)
	if err != nil {
		return optimise.Result{}, p, err
	}
	found, err := optimise.Solve(ctx, p, nil)
	return found, p, err
}

// problem states the aim in what was measured.
func (m rig) problem(r engine.Ranges) (optimise.Problem, error) {
	aim := m.site.Aim
	p := optimise.Problem{HeadroomDB: aim.HeadroomDB, Worst: aim.Worst, EvennessDB: aim.EvennessDB}
	for _, o := range m.outputs {
		gains, ok := r.GainDB.UpTo(o.MaxGainDB)
		if !ok {
			return p, fmt.Errorf("output %d may play at %g dB at most, the processor goes down to %g dB only", o.Number, o.MaxGainDB, r.GainDB.Min)
		}
		p.Outputs = append(p.Outputs, optimise.Output{DelaySec: optimise.Range(r.DelaySec), GainDB: optimise.Range(gains)})
	}
	for _, i := range m.lines() {
		p.FreqHz = append(p.FreqHz, m.freq[i])
		p.Front = append(p.Front, m.at(i, engine.RoleFront))
	}
	if len(p.FreqHz) == 0 {
		return p, fmt.Errorf("no line of the captures lies between %g and %g Hz", m.site.Target.Range.LowHz, m.site.Target.Range.HighHz)
	}
	if aim.HoldNull {
		p.Null = &optimise.Null{FreqHz: m.site.Target.NullHz, Rear: m.rearAt(m.site.Target.NullHz)}
	}
	return p, m.zones(&p)
}

// lines are the captures' in the range, or as many of them as are needed.
func (m rig) lines() []int {
	all := m.inRange
	if len(all) <= mostLines {
		return all
	}
	var some []int
	for k := range mostLines {
		some = append(some, all[k*(len(all)-1)/(mostLines-1)])
	}
	return some
}

func (m rig) at(i int, role engine.Role) []complex128 {
	row := make([]complex128, len(m.outputs))
	for k, o := range m.outputs {
		if row[k] = o.front[i]; role == engine.RoleRear {
			row[k] = o.rear[i]
		}
	}
	return row
}

// rearAt is the rear microphone between two lines, by a straight line through
// the complex plane.
func (m rig) rearAt(hz float64) []complex128 {
	i, _ := slices.BinarySearch(m.freq, hz)
	i = min(max(i, 1), len(m.freq)-1)
	share := complex((hz-m.freq[i-1])/(m.freq[i]-m.freq[i-1]), 0)
	row := m.at(i-1, engine.RoleRear)
	for k, v := range m.at(i, engine.RoleRear) {
		row[k] = row[k]*(1-share) + v*share
	}
	return row
}

// zones puts the site's zones in the place of the rear microphone: what the
// site says of each point, times what was measured over what it says at a
// microphone.
func (m rig) zones(p *optimise.Problem) error {
	quiet, weight := m.points(engine.ZoneQuiet, quietPoints)
	if len(quiet) == 0 {
		return errors.New("the site has no quiet zone")
	}
	p.QuietWeight = weight
	var err error
	if p.Quiet, err = m.scaled(quiet, p.FreqHz, engine.RoleRear); err != nil || p.EvennessDB == 0 {
		return err
	}
	crowd, _ := m.points(engine.ZoneAudience, audiencePoints)
	p.Audience, err = m.scaled(crowd, p.FreqHz, engine.RoleFront)
	return err
}

func (m rig) points(kind engine.ZoneKind, count int) (at []engine.Point, weight []float64) {
	zones := slices.DeleteFunc(slices.Clone(m.site.Zones), func(z engine.Zone) bool { return z.Kind != kind })
	for i, points := range field.Samples(zones, count) {
		at = append(at, points...)
		for range points {
			weight = append(weight, cmp.Or(zones[i].Weight, 1)/float64(len(points)))
		}
	}
	return at, weight
}

// scaled is what the heard outputs do at points, [frequency][point][output].
func (m rig) scaled(at []engine.Point, freqHz []float64, role engine.Role) ([][][]complex128, error) {
	mic, _ := m.site.Microphone(role)
	drawn, err := field.ByOutput(m.site, append([]engine.Point{mic.At}, at...), freqHz)
	if err != nil {
		return nil, err
	}
	out := make([][][]complex128, len(freqHz))
	for f, hz := range freqHz {
		i, _ := slices.BinarySearch(m.freq, hz)
		is := m.at(i, role)
		for _, row := range drawn[f][1:] {
			heard := make([]complex128, len(m.outputs))
			for k, o := range m.outputs {
				n := slices.IndexFunc(m.site.Outputs, func(s engine.Output) bool { return s.Number == o.Number })
				heard[k] = row[n] * is[k] / drawn[f][0][n]
			}
			out[f] = append(out[f], heard)
		}
	}
	return out, nil
}
