// Package model says how probable captures are when the rig is as some
// hypothesis has it, and how far off its parts then have to be.
//
// A capture is what the open sources do at a microphone, times what that
// microphone's channel does to all of them alike. Everything that is uncertain,
// by the site's tolerance or by the hypothesis, is one entry of a vector with a
// normal prior around 0; the most probable vector is found by Gauss and Newton's
// steps, and the probability of the captures by Laplace's integral around it.
// Pressures come from engine/field; between its values their logarithms are
// straight lines.
package model

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"sync"

	"hushback/engine"
	"hushback/engine/field"
	"hushback/verify"
)

// Model is what all hypotheses share.
type Model struct {
	Layout
	FreqHz   []float64 // the lines that are looked at
	SignalDB [2]float64

	site     engine.Site
	mics     [2]engine.Point
	settings []engine.Setting // by place in site.Outputs
	fed      []int            // by source: place of its output in site.Outputs
	omega    []float64
	basis    [Degrees][]float64
	takes    [2][]take // as captured; and with reference and microphone exchanged
	loudest  [2][]float64
	lock     sync.Mutex // of locals: hypotheses are fitted at the same time
	locals   map[place]*local
}

// New reads a site, the sheet that stood and the captures taken under it.
// Errors: no captures, captures of two sheets, axes or of another sheet than
// this, of an output, row or microphone that the site does not have, twice the
// same, not finite, fewer than three lines in the operating range; a site that
// engine/field cannot predict.
func New(site engine.Site, sheet engine.Sheet, captures []verify.Capture) (*Model, error) {
	m := &Model{Layout: Layout{Sources: len(site.Sources), Outputs: len(site.Outputs)}, site: site}
	if m.Sources == 0 || m.Outputs == 0 {
		return nil, errors.New("the site has no sources or no outputs")
	}
	for mic, role := range roles {
		place, ok := site.Microphone(role)
		if !ok {
			return nil, fmt.Errorf("the site has no %s microphone", role)
		}
		m.mics[mic] = place.At
	}
	for _, o := range site.Outputs {
		set, ok := sheet.Setting(o.Number)
		if !ok {
			return nil, fmt.Errorf("the sheet has no setting for output %d", o.Number)
		}
		m.settings = append(m.settings, set)
	}
	for _, src := range site.Sources {
		k := slices.IndexFunc(site.Outputs, func(o engine.Output) bool { return o.Number == src.Output })
		if k < 0 {
			return nil, fmt.Errorf("source %q: the site has no output %d", src.Name, src.Output)
		}
		m.fed = append(m.fed, k)
	}
	if err := m.read(sheet, captures); err != nil {
		return nil, err
	}
	m.axis()
	return m, m.survey()
}

var roles = [2]engine.Role{engine.RoleFront, engine.RoleRear}

// axis makes what depends on the lines alone. The basis is Legendre's
// polynomials of the logarithm of frequency, from the first degree on.
func (m *Model) axis() {
	low, high := math.Log(m.FreqHz[0]), math.Log(m.FreqHz[len(m.FreqHz)-1])
	for _, f := range m.FreqHz {
		m.omega = append(m.omega, 2*math.Pi*f)
		u := (2*math.Log(f) - low - high) / (high - low)
		before, now := 1.0, u
		for n := range Degrees {
			m.basis[n] = append(m.basis[n], now)
			before, now = now, (float64(2*n+3)*u*now-float64(n+1)*before)/float64(n+2)
		}
	}
}

// survey asks engine/field for every source at every microphone.
func (m *Model) survey() error {
	m.locals = map[place]*local{}
	for s := range m.Sources {
		for mic := range m.mics {
			if _, err := m.around(s, mic, [geometry]float64{}); err != nil {
				return err
			}
		}
	}
	return nil
}

// place is what a local belongs to.
type place struct {
	source, mic int
	at          [geometry]float64
}

// home is the local where the site has a source and a microphone.
func (m *Model) home(source, mic int) *local {
	return m.known(place{source: source, mic: mic})
}

func (m *Model) known(at place) *local {
	m.lock.Lock()
	defer m.lock.Unlock()
	return m.locals[at]
}

// around is the local around some coordinates, kept for the next who asks:
// hypotheses start from few places.
func (m *Model) around(source, mic int, at [geometry]float64) (*local, error) {
	for c := range at {
		at[c] = math.Max(-far[c], math.Min(far[c], at[c]))
	}
	key := place{source, mic, at}
	if l := m.known(key); l != nil {
		return l, nil
	}
	l, err := m.slopes(source, mic, at) // should two do it at once, both come to the same
	m.lock.Lock()
	defer m.lock.Unlock()
	m.locals[key] = l
	return l, err
}

// The coordinates that a pressure depends on: how far the source and the
// microphone are from where the site has them, in metres, and how much warmer
// the air is.
const (
	sourceX = iota
	sourceY
	microphoneX
	microphoneY
	warmer
	geometry
)

// local is a source's pressure at a microphone, its output at 0 dB without
// delay, around some coordinates: p·exp(Σ slope·(coordinate - at)).
type local struct {
	at    [geometry]float64
	p     []complex128
	slope [geometry][]complex128
}

// small is the step that slopes are taken over, far below what matters and far
// above what a float64 cannot tell.
var small = [geometry]float64{0.01, 0.01, 0.01, 0.01, 0.1}

// far is where the model stops believing in a coordinate.
var far = [geometry]float64{20, 20, 20, 20, 40}

func (m *Model) slopes(source, mic int, at [geometry]float64) (*local, error) {
	l := &local{at: at}
	var err error
	if l.p, err = m.pressure(source, mic, at); err != nil {
		return nil, err
	}
	for c := range l.slope {
		up, down := at, at
		up[c] += small[c]
		down[c] -= small[c]
		above, err := m.pressure(source, mic, up)
		if err != nil {
			return nil, err
		}
		below, err := m.pressure(source, mic, down)
		if err != nil {
			return nil, err
		}
		l.slope[c] = make([]complex128, len(l.p))
		for i, p := range l.p {
			if p != 0 {
				l.slope[c][i] = (above[i] - below[i]) / (p * complex(2*small[c], 0))
			}
		}
	}
	return l, nil
}

// pressure is one source alone at one microphone, by engine/field.
func (m *Model) pressure(source, mic int, at [geometry]float64) ([]complex128, error) {
	src, point, air := m.site.Sources[source], m.mics[mic], m.site.Air
	src.At.X += at[sourceX]
	src.At.Y += at[sourceY]
	point.X += at[microphoneX]
	point.Y += at[microphoneY]
	air.TemperatureC += at[warmer]
	alone := engine.Site{Air: air, Ground: m.site.Ground, Walls: m.site.Walls, Cabinets: m.site.Cabinets, Sources: []engine.Source{src}}
	open := engine.Sheet{Settings: []engine.Setting{{Output: src.Output, Polarity: 1}}}
	rows, err := field.Along(alone, open, []engine.Point{point}, m.FreqHz)
	if err != nil {
		return nil, err
	}
	p := make([]complex128, len(rows))
	for i, row := range rows {
		p[i] = row[0]
	}
	return p, nil
}

// value is the pressure at other coordinates, on line i.
func (l *local) value(at *[geometry]float64, i int) complex128 {
	var turn complex128
	for c := range at {
		if d := at[c] - l.at[c]; d != 0 {
			turn += l.slope[c][i] * complex(d, 0)
		}
	}
	if turn == 0 {
		return l.p[i]
	}
	return l.p[i] * cmplx.Exp(turn)
}

// signal notes how far a microphone's loudest capture stands above the noise of
// one average, |H|²/(2·Sigma²·Averages), in dB, in the middle of its lines.
func (m *Model) signal(mic int, c *verify.Capture, kept []int) {
	if m.loudest[mic] == nil {
		m.loudest[mic] = make([]float64, len(kept))
	}
	averages := math.Max(1, c.Function.Averages)
	for k, i := range kept {
		noise := 2 * pooled(c.Function.Sigma, i) * averages
		m.loudest[mic][k] = math.Max(m.loudest[mic][k], power(c.Function.H[i])/math.Max(noise, 1e-300))
	}
	sorted := slices.Sorted(slices.Values(m.loudest[mic]))
	m.SignalDB[mic] = 10 * math.Log10(math.Max(1e-12, sorted[len(sorted)/2]))
}

// PlausibleChi2 is the most that Chi2 should be of a hypothesis that explains the
// captures: what their noise makes of it, three standard deviations more, and a
// little of the model's own error.
func (m *Model) PlausibleChi2() float64 {
	var noise, values float64
	for i := range m.takes[0] {
		t := &m.takes[0][i]
		for j, n := range t.noise2 {
			noise += 2 * n / (n + modelError*modelError*t.size2[j])
			values += 2
		}
	}
	return noise + 3*math.Sqrt(2*noise) + 0.05*values
}
