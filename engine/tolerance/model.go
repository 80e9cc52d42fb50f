package tolerance

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strconv"

	"hushback/engine"
	"hushback/engine/field"
)

// cause is one thing that can be off on a rig: the index counts sources,
// microphones or outputs of the site.
type cause struct {
	kind      Kind
	index     int
	of        string
	tolerance float64
}

// model is a site and a sheet that can be built over and over with errors.
type model struct {
	site     engine.Site
	settings []engine.Setting // of the site's outputs, ascending
	mics     [2]int           // the front and the rear microphone, among the site's
	arrival  [2]float64       // at them, without errors
	freqHz   []float64        // the lines that a summary looks at
	causes   []cause
	stepSec  float64
}

func newModel(site engine.Site, sheet engine.Sheet, stepSec float64) (model, error) {
	m := model{site: site, stepSec: stepSec, freqHz: lines(site), causes: causes(site, stepSec)}
	if len(m.freqHz) == 0 {
		return model{}, fmt.Errorf("the test signal has no line near the range %g to %g Hz", site.Target.Range.LowHz, site.Target.Range.HighHz)
	}
	for _, out := range site.OutputNumbers() {
		set, ok := sheet.Setting(out)
		if !ok {
			return model{}, fmt.Errorf("the sheet has no setting for output %d", out)
		}
		m.settings = append(m.settings, set)
	}
	for i, role := range []engine.Role{engine.RoleFront, engine.RoleRear} {
		at := slices.IndexFunc(site.Microphones, func(mic engine.Microphone) bool { return mic.Role == role })
		if at < 0 {
			return model{}, fmt.Errorf("the site has no %s microphone", role)
		}
		var err error
		if m.arrival[i], err = field.Arrival(site, sheet, site.Microphones[at]); err != nil {
			return model{}, err
		}
		m.mics[i] = at
	}
	return m, nil
}

// lines are the test signal's lines inside the range and, around it, more than
// engine.Summarise reads its polynomial through: it finds what it finds on all.
func lines(site engine.Site) []float64 {
	const aroundHz, aroundLines = 3, 3
	all := site.TestSignal.Lines()
	wanted := site.Target.Range
	first := slices.IndexFunc(all, func(f float64) bool { return f >= wanted.LowHz-aroundHz })
	last := len(all) - 1
	for last >= 0 && all[last] > wanted.HighHz+aroundHz {
		last--
	}
	if first < 0 || last < first {
		return nil
	}
	return all[max(0, first-aroundLines):min(len(all), last+1+aroundLines)]
}

func causes(site engine.Site, stepSec float64) []cause {
	var all []cause
	t := site.Tolerance
	for i, src := range site.Sources {
		all = append(all,
			cause{SourceAlong, i, src.Name, t.PositionM},
			cause{SourceAside, i, src.Name, t.PositionM},
			cause{SourceLevel, i, src.Name, t.LevelDB})
	}
	for i, mic := range site.Microphones {
		all = append(all,
			cause{MicrophoneAlong, i, mic.Name, t.MicrophoneM},
			cause{MicrophoneAside, i, mic.Name, t.MicrophoneM})
	}
	for i, out := range site.Outputs {
		all = append(all, cause{DelayStep, i, strconv.Itoa(out.Number), stepSec / 2})
	}
	return append(all, cause{Temperature, 0, "", t.TemperatureC})
}

// built is the rig with one error for each cause.
func (m model) built(errors []float64) (engine.Site, []engine.Setting) {
	site, settings := m.site, slices.Clone(m.settings)
	site.Sources, site.Microphones = slices.Clone(site.Sources), slices.Clone(site.Microphones)
	for i, c := range m.causes {
		switch c.kind {
		case SourceAlong:
			site.Sources[c.index].At.X += errors[i]
		case SourceAside:
			site.Sources[c.index].At.Y += errors[i]
		case SourceLevel:
			site.Sources[c.index].LevelDB += errors[i]
		case MicrophoneAlong:
			site.Microphones[c.index].At.X += errors[i]
		case MicrophoneAside:
			site.Microphones[c.index].At.Y += errors[i]
		case DelayStep:
			settings[c.index].DelaySec += errors[i]
		case Temperature:
			site.Air.TemperatureC += errors[i]
		}
	}
	return site, settings
}

// heard is what arrives at the front and rear microphones of a rig, with the
// arrival times of the rig without errors taken out, and what would arrive in
// front if every output were in phase.
func (m model) heard(errors, freqHz []float64) (front, rear engine.Curve, coherent []float64, err error) {
	site, settings := m.built(errors)
	at := []engine.Point{site.Microphones[m.mics[0]].At, site.Microphones[m.mics[1]].At}
	solo, err := field.ByOutput(site, at, freqHz)
	if err != nil {
		return engine.Curve{}, engine.Curve{}, nil, err
	}
	front = engine.Curve{FreqHz: freqHz, P: make([]complex128, len(freqHz))}
	rear = engine.Curve{FreqHz: freqHz, P: make([]complex128, len(freqHz))}
	coherent = make([]float64, len(freqHz))
	for k, set := range settings {
		if set.Muted {
			continue
		}
		gain := engine.Ratio(set.GainDB)
		for i, f := range freqHz {
			factor := cmplx.Rect(gain*float64(set.Polarity), -2*math.Pi*f*set.DelaySec)
			front.P[i] += factor * solo[i][0][k]
			rear.P[i] += factor * solo[i][1][k]
			coherent[i] += gain * cmplx.Abs(solo[i][0][k])
		}
	}
	return front.Advance(m.arrival[0]), rear.Advance(m.arrival[1]), coherent, nil
}

func (m model) summary(errors []float64) (engine.Summary, error) {
	front, rear, coherent, err := m.heard(errors, m.freqHz)
	if err != nil {
		return engine.Summary{}, err
	}
	return engine.Summarise(front, rear, coherent, m.site.Target)
}
