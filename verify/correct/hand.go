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

// nearError is how wrong the first look at it may be, in seconds: well below half
// a period, for another half period is the other polarity.
const nearError = 3e-3

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
// What all have in common (sensitivity, latency) cannot be told and does not
// matter: one output is the measure of the others at first, then the mean of all
// once they are lined up, which is less noisy.
func (m rig) errors(role engine.Role) ([]off, error) {
	ratios, err := m.ratios(role)
	if err != nil {
		return nil, err
	}
	found := make([]off, len(ratios))
	var levels []float64
	for k, q := range ratios {
		for n, v := range q {
			found[k].louderDB += 20 * math.Log10(cmplx.Abs(v)) / float64(len(q))
			q[n] = v / complex(cmplx.Abs(v), 0) // from here on the phase counts
		}
		levels = append(levels, found[k].louderDB)
	}
	common := ratios[0]
	for k, q := range ratios {
		// How fast the phase turns says roughly how late, whatever the polarity;
		// the phase itself then says it exactly.
		late := peak(func(sec float64) float64 { return cmplx.Abs(m.lined(q, common, sec)) }, -longestError, longestError)
		found[k].reversed = real(m.lined(q, common, late)) < 0
		found[k].lateSec = m.near(q, common, late, found[k].reversed)
	}
	common = make([]complex128, len(ratios[0]))
	for k, q := range ratios {
		for n, i := range m.inRange {
			common[n] += q[n] * cmplx.Rect(sign(found[k].reversed), 2*math.Pi*m.freq[i]*found[k].lateSec)
		}
	}
	for n, v := range common {
		common[n] = v / complex(cmplx.Abs(v), 0)
	}
	for k, q := range ratios {
		found[k].lateSec = m.near(q, common, found[k].lateSec, found[k].reversed)
		found[k].louderDB -= middle(levels)
	}
	return found, nil
}

// lined is how well a phase factor, some time earlier, agrees with another.
func (m rig) lined(q, with []complex128, sec float64) complex128 {
	var sum complex128
	for n, i := range m.inRange {
		sum += q[n] * cmplx.Conj(with[n]) * cmplx.Rect(1, 2*math.Pi*m.freq[i]*sec)
	}
	return sum
}

// near is the delay close to another that lines a ratio up with a polarity.
func (m rig) near(q, with []complex128, about float64, reversed bool) float64 {
	return peak(func(sec float64) float64 { return sign(reversed) * real(m.lined(q, with, sec)) }, about-nearError, about+nearError)
}

func sign(reversed bool) float64 {
	if reversed {
		return -1
	}
	return 1
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
		for _, i := range m.inRange {
			want := drawn[i][0][n] * cmplx.Rect(1, 2*math.Pi*m.freq[i]*delay)
			if want == 0 || is[i] == 0 {
				return nil, fmt.Errorf("output %d is silent at %g Hz at the %s microphone", o.Number, m.freq[i], role)
			}
			all[k] = append(all[k], is[i]/want)
		}
	}
	return all, nil
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
		sum += m.outputs[k].rear[i] * w[k].Factor(m.freq[i])
	}
	return sum
}

// atTarget is what some outputs do behind at the target.
func (m rig) atTarget(list []int, w []engine.Setting) complex128 {
	hz := m.site.Target.NullHz
	behind := m.rearAt(hz)
	var sum complex128
	for _, k := range list {
		sum += behind[k] * w[k].Factor(hz)
	}
	return sum
}

// oppose sets the rows of a group against each other behind, by its treatment:
// levels matched, the louder row going down, and one delay between them. For a
// null and end-fire the levels are those at the target, and a null's delay is the
// one nearest to the design's that cancels there; a gradient's level and delay are
// those that leave least over the range.
func (m rig) oppose(g engine.Group, w []engine.Setting) {
	front, rear := m.row(g, true), m.row(g, false)
	if len(front) == 0 || len(rear) == 0 || g.Treatment == engine.TreatPlain {
		return
	}
	ahead, behind := m.atTarget(front, w), m.atTarget(rear, w)
	if ahead == 0 || behind == 0 {
		return
	}
	louder, late := engine.DB(cmplx.Abs(ahead)/cmplx.Abs(behind)), 0.0
	if g.Treatment == engine.TreatGradient {
		louder, late = m.least(front, rear, w)
	}
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
	if g.Treatment == engine.TreatNull {
		late = -cmplx.Phase(-m.atTarget(front, w)/m.atTarget(rear, w)) / (2 * math.Pi * m.site.Target.NullHz)
	}
	for _, k := range rear {
		w[k].DelaySec += late
	}
}

// least is the gain in dB and the delay of the rear row that leave least energy
// behind over the range. For a delay the gain has a closed form: with F and R for
// what the rows do, |F + g·R|² is least at g = -Re Σ conj(R)·F / Σ|R|².
func (m rig) least(front, rear []int, w []engine.Setting) (gainDB, lateSec float64) {
	gain := func(sec float64) (g, left float64) {
		var cross, own, all float64
		for _, i := range m.inRange {
			f, r := m.sum(front, w, i), m.sum(rear, w, i)*cmplx.Rect(1, -2*math.Pi*m.freq[i]*sec)
			cross += real(cmplx.Conj(r) * f)
			own += real(r)*real(r) + imag(r)*imag(r)
			all += real(f)*real(f) + imag(f)*imag(f)
		}
		g = math.Max(-cross/own, 0)
		return g, all + 2*g*cross + g*g*own
	}
	lateSec = peak(func(sec float64) float64 { _, left := gain(sec); return -left }, -longestError/10, longestError/10)
	g, _ := gain(lateSec)
	return engine.DB(g), lateSec
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
