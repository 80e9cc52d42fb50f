package correct

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
	"hushback/engine/field"
	"hushback/engine/solve"
)

// hand.go corrects a site that is treated by hand: first every output is brought
// to where the design wants it in front, then the rows are set against each other
// behind, from what both really do there.

// longestError is the largest delay error that is looked for, in seconds.
const longestError = 0.05

// off is how an output's sound in front differs from the drawn one's.
type off struct {
	lateSec  float64
	louderDB float64 // against the median of all
	reversed bool
}

// byHand solves the site's treatments for the rig.
func (m rig) byHand(r engine.Ranges) (engine.Sheet, error) {
	sheet, err := solve.Solve(m.site, r)
	if err != nil {
		return engine.Sheet{}, err
	}
	errs, err := m.errors(engine.RoleFront)
	if err != nil {
		return engine.Sheet{}, err
	}
	w := make([]engine.Setting, len(m.outputs))
	for k, o := range m.outputs {
		w[k], _ = sheet.Setting(o.Number)
		w[k].DelaySec -= errs[k].lateSec
		w[k].GainDB = math.Min(w[k].GainDB-errs[k].louderDB, math.Min(o.MaxGainDB, r.GainDB.Max))
		if errs[k].reversed {
			w[k].Polarity = -w[k].Polarity
		}
	}
	groups := m.site.Groups
	if len(groups) == 0 {
		groups = []engine.Group{{Treatment: engine.TreatNull}}
	}
	for _, g := range groups {
		m.oppose(g, w)
	}
	if err := m.onGrid(w, r); err != nil {
		return engine.Sheet{}, err
	}
	for _, g := range groups {
		if g.Treatment == engine.TreatNull {
			m.deepen(g, w, r)
		}
	}
	return m.beside(w), nil
}

// errors compares every output with what the site draws of it at a microphone.
// What all have in common (sensitivity, latency) is taken out as the median of
// their phase factors at each frequency, which one reversed output of several
// does not move.
func (m rig) errors(role engine.Role) ([]off, error) {
	ratios, err := m.ratios(role)
	if err != nil {
		return nil, err
	}
	found := make([]off, len(ratios))
	var levels []float64
	for k, q := range ratios {
		var sum float64
		for _, v := range q {
			sum += 20 * math.Log10(cmplx.Abs(v)) / float64(len(q))
		}
		found[k].louderDB = sum
		levels = append(levels, sum)
	}
	common, median := shared(ratios), middle(levels)
	in := m.inRange()
	for k, q := range ratios {
		lined := func(sec float64) complex128 {
			var sum complex128
			for n, i := range in {
				sum += q[n] / complex(cmplx.Abs(q[n]), 0) * cmplx.Conj(common[n]) * cmplx.Rect(1, 2*math.Pi*m.freq[i]*sec)
			}
			return sum
		}
		late := peak(func(sec float64) float64 { return cmplx.Abs(lined(sec)) }, -longestError, longestError)
		found[k] = off{lateSec: late, louderDB: found[k].louderDB - median, reversed: real(lined(late)) < 0}
	}
	return found, nil
}

// ratios are measured over drawn, [output][line of the range].
func (m rig) ratios(role engine.Role) ([][]complex128, error) {
	mic, _ := m.site.Microphone(role)
	drawn, err := field.ByOutput(m.site, []engine.Point{mic.At}, m.freq)
	if err != nil {
		return nil, err
	}
	all := make([][]complex128, len(m.outputs))
	for k, o := range m.outputs {
		n := slices.IndexFunc(m.site.Outputs, func(s engine.Output) bool { return s.Number == o.Number })
		is, delay := o.front, o.frontDelay
		if role == engine.RoleRear {
			is, delay = o.rear, o.rearDelay
		}
		for _, i := range m.inRange() {
			want := drawn[i][0][n] * cmplx.Rect(1, 2*math.Pi*m.freq[i]*delay)
			if want == 0 || is[i] == 0 {
				return nil, fmt.Errorf("output %d is silent at %g Hz at the %s microphone", o.Number, m.freq[i], role)
			}
			all[k] = append(all[k], is[i]/want)
		}
	}
	return all, nil
}

func (m rig) inRange() []int {
	var all []int
	for i, f := range m.freq {
		if m.site.Target.Range.Contains(f) {
			all = append(all, i)
		}
	}
	return all
}

// shared is the phase factor that outputs have in common, at each line: first
// that of the output that agrees best with the others in whatever polarity, then
// the median around it.
func shared(ratios [][]complex128) []complex128 {
	unit := func(v complex128) complex128 { return v / complex(cmplx.Abs(v), 0) }
	best, agreement := 0, -1.0
	for k, q := range ratios {
		var sum float64
		for _, other := range ratios {
			var line complex128
			for n := range q {
				line += unit(other[n]) * cmplx.Conj(unit(q[n]))
			}
			sum += real(line)
		}
		if sum > agreement {
			best, agreement = k, sum
		}
	}
	common := make([]complex128, len(ratios[0]))
	for n := range common {
		around := unit(ratios[best][n])
		var angles []float64
		for _, q := range ratios {
			angles = append(angles, cmplx.Phase(unit(q[n])*cmplx.Conj(around)))
		}
		common[n] = around * cmplx.Rect(1, middle(angles))
	}
	return common
}

func middle(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	return (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
}

// peak is where a smooth function is greatest.
func peak(f func(float64) float64, low, high float64) float64 {
	const step = 0.25e-3 // s: a fortieth of the period of 100 Hz
	best := low
	for x := low; x <= high; x += step {
		if f(x) > f(best) {
			best = x
		}
	}
	for width := step / 2; width > 1e-8; width /= 2 {
		for _, x := range []float64{best - width, best + width} {
			if f(x) > f(best) {
				best = x
			}
		}
	}
	return best
}

// row is the outputs of one row of a group, as indices.
func (m rig) row(g engine.Group, front bool) []int {
	var list []int
	for k, o := range m.outputs {
		if o.Group == g.Name && (m.site.Fed(o.Number)[0].Row == engine.RowFront) == front {
			list = append(list, k)
		}
	}
	return list
}

// sum is what some outputs do behind, at one of the lines.
func (m rig) sum(list []int, w []engine.Setting, i int) complex128 {
	var sum complex128
	for _, k := range list {
		sum += m.outputs[k].rear[i] * weight(w[k], m.freq[i])
	}
	return sum
}

// atTarget is what some outputs do behind at the target.
func (m rig) atTarget(list []int, w []engine.Setting) complex128 {
	hz := m.site.Target.NullHz
	behind := m.rearAt(hz)
	var sum complex128
	for _, k := range list {
		sum += behind[k] * weight(w[k], hz)
	}
	return sum
}

// oppose sets the rows of a group against each other behind, by its treatment:
// levels matched at the target, the louder row going down; for a null one delay
// between them that makes them cancel there, the one nearest to the design's;
// for a gradient the one that leaves least over the range.
func (m rig) oppose(g engine.Group, w []engine.Setting) {
	front, rear := m.row(g, true), m.row(g, false)
	if len(front) == 0 || len(rear) == 0 || g.Treatment == engine.TreatPlain {
		return
	}
	ahead, behind := m.atTarget(front, w), m.atTarget(rear, w)
	if ahead == 0 || behind == 0 {
		return
	}
	louder := engine.DB(cmplx.Abs(ahead) / cmplx.Abs(behind))
	room := math.Inf(1) // how much louder the rear row may still go
	for _, k := range rear {
		room = math.Min(room, m.outputs[k].MaxGainDB-w[k].GainDB)
	}
	up := math.Min(math.Max(louder, 0), math.Max(room, 0))
	for _, k := range rear {
		w[k].GainDB += up + math.Min(louder, 0)
	}
	for _, k := range front {
		w[k].GainDB -= math.Max(louder, 0) - up
	}
	late := 0.0
	switch g.Treatment {
	case engine.TreatNull:
		late = -cmplx.Phase(-m.atTarget(front, w)/m.atTarget(rear, w)) / (2 * math.Pi * m.site.Target.NullHz)
	case engine.TreatGradient:
		late = peak(func(sec float64) float64 {
			var left float64
			for _, i := range m.inRange() {
				rest := cmplx.Abs(m.sum(front, w, i) + m.sum(rear, w, i)*cmplx.Rect(1, -2*math.Pi*m.freq[i]*sec))
				left += rest * rest
			}
			return -left
		}, -longestError/10, longestError/10)
	}
	for _, k := range rear {
		w[k].DelaySec += late
	}
}

// onGrid brings settings onto the processor's grid, the least delay being the
// least that it has.
func (m rig) onGrid(w []engine.Setting, r engine.Ranges) error {
	least, most := math.Inf(1), math.Inf(-1)
	for _, set := range w {
		least, most = math.Min(least, set.DelaySec), math.Max(most, set.DelaySec)
	}
	if room := r.DelaySec.Max - r.DelaySec.Min; most-least > room {
		return fmt.Errorf("the outputs need delays %.2f ms apart, the processor has %.2f ms", (most-least)*1e3, room*1e3)
	}
	for k := range w {
		w[k].DelaySec = r.DelaySec.Nearest(w[k].DelaySec - least + r.DelaySec.Min)
		w[k].GainDB = below(w[k].GainDB, m.outputs[k].MaxGainDB, r.GainDB)
	}
	return nil
}

// below is the grid's nearest gain that is not above a limit.
func below(gain, most float64, g engine.Grid) float64 {
	gain = g.Nearest(gain)
	if gain > most+g.Step*1e-6 {
		gain = g.Nearest(gain - g.Step)
	}
	return gain
}

// deepen tries a few steps of delay and gain of the whole rear row, as rounding
// left a residue behind.
func (m rig) deepen(g engine.Group, w []engine.Setting, r engine.Ranges) {
	const few = 3
	front, rear := m.row(g, true), m.row(g, false)
	if len(front) == 0 || len(rear) == 0 {
		return
	}
	best, least := slices.Clone(w), cmplx.Abs(m.atTarget(front, w)+m.atTarget(rear, w))
	for delay := -few; delay <= few; delay++ {
		for gain := -few; gain <= few; gain++ {
			try := slices.Clone(w)
			fits := true
			for _, k := range rear {
				try[k].DelaySec += float64(delay) * r.DelaySec.Step
				try[k].GainDB += float64(gain) * r.GainDB.Step
				fits = fits && try[k].DelaySec >= r.DelaySec.Min && try[k].GainDB <= m.outputs[k].MaxGainDB+r.GainDB.Step*1e-6
			}
			if left := cmplx.Abs(m.atTarget(front, try) + m.atTarget(rear, try)); fits && left < least {
				best, least = try, left
			}
		}
	}
	copy(w, best)
}
