// Package correct solves delay, polarity and gain once more, from what was
// measured of each output instead of what the site file says it should do.
package correct

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
	"hushback/engine/field"
	"hushback/engine/optimise"
	"hushback/verify"
)

// Correction is a sheet for the rig as it was measured, and what that rig
// should do with it.
type Correction struct {
	Sheet      engine.Sheet
	Prediction engine.Prediction // of the microphones, from the solos; QuietDB is not known
	FreqHz     []float64         // lines of the range that it was judged at
	RatioDB    []float64         // front over quiet zones there; over the rear microphone without an aim
	BoundDB    []float64         // the most that free complex weights reach there within the same headroom; nil without an aim
	Mean       float64           // of RatioDB; with Aim.Worst the least
	Bound      float64           // the same of BoundDB; 0 without an aim
	Unheard    []int             // outputs that were too faint to be corrected; they stay as they were
	Moves      []Move            // what moving cabinets would do better than any delay, the best first
}

// mostLines is how many lines the search looks at, leastSignalDB how far an
// output must stand above the noise of its capture in the mean over the range
// to be counted on. Common practice, no published source.
const (
	mostLines     = 31
	leastSignalDB = 10
)

// Solve finds the settings for the rig that some captures are of: each output
// alone at both microphones, under a sheet. The aim is the site's own:
//
//   - With an Aim it is the mean ratio of front to quiet zones within its
//     headroom, by the same search. In the zones nothing was measured: what an
//     output does there is what the site says, times what was measured over what
//     the site says at the rear microphone (for audience zones at the front
//     one), which is exact where the fault is one of level, delay or polarity.
//   - Without one it is the treatments: every output is brought to where the
//     design wants it in front, in delay, polarity and, downwards, in level; then
//     the rows are matched and opposed behind by what they really do there. A
//     search would do worse: of one rear microphone it makes a deep hole a
//     hand wide.
//
// Settings are on the processor's grid, none above an output's limit.
//
// Errors: an output that was not heard alone at both microphones, captures
// of another sheet, no output loud enough to count on, conditions for which no
// settings were found. When ctx ends the best so far is returned.
func Solve(ctx context.Context, site engine.Site, sheet engine.Sheet, r engine.Ranges, captures []verify.Capture) (Correction, error) {
	c, err := correction(ctx, site, sheet, r, captures)
	if err != nil {
		return Correction{}, fmt.Errorf("correction: %w", err)
	}
	return c, nil
}

func correction(ctx context.Context, site engine.Site, sheet engine.Sheet, r engine.Ranges, captures []verify.Capture) (Correction, error) {
	m, err := measured(site, sheet, captures)
	if err != nil {
		return Correction{}, err
	}
	c, err := m.settle(ctx, r)
	if err != nil {
		return Correction{}, err
	}
	c.Unheard = m.unheard
	c.Moves, err = m.moves(ctx, r, c)
	return c, err
}

// settle finds a sheet for the rig and what it does.
func (m rig) settle(ctx context.Context, r engine.Ranges) (c Correction, err error) {
	if m.site.Aim != nil {
		found, p, err := m.search(ctx, r)
		if err != nil {
			return c, err
		}
		c = Correction{Sheet: m.sheetOf(found, r), FreqHz: p.FreqHz, RatioDB: found.RatioDB, BoundDB: found.BoundDB, Mean: found.Aim, Bound: found.Bound}
	} else if c.Sheet, err = m.byHand(r); err != nil {
		return c, err
	}
	if c.Prediction, err = m.predict(c.Sheet); err != nil || m.site.Aim != nil {
		return c, err
	}
	for _, i := range m.inRange {
		c.FreqHz = append(c.FreqHz, m.freq[i])
		c.RatioDB = append(c.RatioDB, engine.DB(cmplx.Abs(c.Prediction.Front.P[i])/cmplx.Abs(c.Prediction.Rear.P[i])))
	}
	for _, ratio := range c.RatioDB {
		c.Mean += ratio / float64(len(c.RatioDB))
	}
	return c, nil
}

// rig is what was measured of the outputs that were heard.
type rig struct {
	site    engine.Site
	sheet   engine.Sheet // what stood
	freq    []float64    // all lines of the captures
	inRange []int        // those of them in the operating range, as indices
	outputs []solo       // ascending, those that were heard
	unheard []int
}

// solo is one output at 0 dB, without delay, of normal polarity, at the two
// microphones. Each microphone's arrival is taken out, of all outputs alike.
type solo struct {
	engine.Output
	front, rear           []complex128
	frontDelay, rearDelay float64 // that were taken out
}

func measured(site engine.Site, sheet engine.Sheet, captures []verify.Capture) (rig, error) {
	m := rig{site: site, sheet: sheet}
	for _, o := range site.Outputs {
		s := solo{Output: o}
		heard := true
		for _, role := range []engine.Role{engine.RoleFront, engine.RoleRear} {
			i := slices.IndexFunc(captures, func(c verify.Capture) bool { return c.Solo == o.Number && c.Role == role })
			if i < 0 {
				return rig{}, fmt.Errorf("output %d was not heard alone at the %s microphone", o.Number, role)
			}
			c := captures[i]
			if c.SheetDigest != sheet.Digest() {
				return rig{}, fmt.Errorf("output %d was heard under another sheet", o.Number)
			}
			if m.freq == nil {
				m.freq = c.Function.FreqHz
			}
			if !slices.Equal(c.Function.FreqHz, m.freq) {
				return rig{}, fmt.Errorf("output %d was heard at other frequencies than the ones before it", o.Number)
			}
			set, _ := sheet.Setting(o.Number)
			unit := undo(c, set)
			if role == engine.RoleFront {
				s.front, s.frontDelay = unit, c.DelaySec
			} else {
				s.rear, s.rearDelay = unit, c.DelaySec
			}
			heard = heard && signalDB(c, site.Target.Range) >= leastSignalDB
		}
		if heard {
			m.outputs = append(m.outputs, s)
		} else {
			m.unheard = append(m.unheard, o.Number)
		}
	}
	for i, f := range m.freq {
		if site.Target.Range.Contains(f) {
			m.inRange = append(m.inRange, i)
		}
	}
	if len(m.outputs) == 0 {
		return rig{}, errors.New("no output stands 10 dB above the noise at both microphones")
	}
	return m, nil
}

// undo takes a setting out of a capture.
func undo(c verify.Capture, set engine.Setting) []complex128 {
	unit := make([]complex128, len(c.Function.H))
	for i, h := range c.Function.H {
		unit[i] = h / set.Factor(c.Function.FreqHz[i])
	}
	return unit
}

// signalDB is a capture's power over that of its noise, in the range.
func signalDB(c verify.Capture, in engine.Band) float64 {
	var signal, noise float64
	for i, f := range c.Function.FreqHz {
		if in.Contains(f) {
			h, s := c.Function.H[i], c.Function.Sigma[i]
			signal += real(h)*real(h) + imag(h)*imag(h)
			noise += 2 * s * s
		}
	}
	return 10 * math.Log10(signal/noise)
}

// predict is what the rig does with another sheet.
func (m rig) predict(sheet engine.Sheet) (engine.Prediction, error) {
	drawn, err := field.Predict(m.site, sheet)
	if err != nil {
		return engine.Prediction{}, err
	}
	p := engine.Prediction{SoundSpeed: drawn.SoundSpeed, HeadroomCostDB: math.Inf(-1), QuietDB: math.NaN()}
	p.Front = engine.Curve{FreqHz: m.freq, P: make([]complex128, len(m.freq))}
	p.Rear = engine.Curve{FreqHz: m.freq, P: make([]complex128, len(m.freq))}
	coherent, full := make([]float64, len(m.freq)), make([]float64, len(m.freq))
	var frontDelay, rearDelay float64
	for _, o := range m.outputs {
		set, _ := sheet.Setting(o.Number)
		frontDelay, rearDelay = o.frontDelay, o.rearDelay
		s := engine.Solo{Output: o.Number, Front: o.playing(o.front, m.freq, set), Rear: o.playing(o.rear, m.freq, set)}
		for i := range m.freq {
			p.Front.P[i] += s.Front.P[i]
			p.Rear.P[i] += s.Rear.P[i]
			coherent[i] += cmplx.Abs(s.Front.P[i])
			full[i] += cmplx.Abs(o.front[i]) * engine.Ratio(o.MaxGainDB)
		}
		s.Front, s.Rear = s.Front.Advance(-frontDelay), s.Rear.Advance(-rearDelay)
		p.Solos = append(p.Solos, s)
	}
	if p.Summary, err = engine.Summarise(p.Front, p.Rear, coherent, m.site.Target); err != nil {
		return engine.Prediction{}, err
	}
	for _, i := range m.inRange {
		p.HeadroomCostDB = math.Max(p.HeadroomCostDB, engine.DB(full[i]/cmplx.Abs(p.Front.P[i])))
	}
	p.Front, p.Rear = p.Front.Advance(-frontDelay), p.Rear.Advance(-rearDelay)
	p.Solos = append(p.Solos, m.supposed(drawn, p.Solos)...)
	slices.SortFunc(p.Solos, func(a, b engine.Solo) int { return a.Output - b.Output })
	return p, nil
}

// supposed is what the outputs that were not heard should do: as drawn, on the
// scale of the others. A verdict wants to know it of each output.
func (m rig) supposed(drawn engine.Prediction, heard []engine.Solo) []engine.Solo {
	var is, should float64
	for _, s := range drawn.Solos {
		for _, h := range heard {
			if h.Output == s.Output {
				is, should = is+size(h.Front), should+size(s.Front)
			}
		}
	}
	var solos []engine.Solo
	for _, s := range drawn.Solos {
		if slices.Contains(m.unheard, s.Output) {
			solos = append(solos, engine.Solo{Output: s.Output, Front: scaled(s.Front, is/should), Rear: scaled(s.Rear, is/should)})
		}
	}
	return solos
}

func size(c engine.Curve) float64 {
	var sum float64
	for _, p := range c.P {
		sum += cmplx.Abs(p)
	}
	return sum
}

func scaled(c engine.Curve, by float64) engine.Curve {
	out := engine.Curve{FreqHz: c.FreqHz, P: make([]complex128, len(c.P))}
	for i, p := range c.P {
		out.P[i] = p * complex(by, 0)
	}
	return out
}

func (s solo) playing(unit []complex128, freq []float64, set engine.Setting) engine.Curve {
	out := engine.Curve{FreqHz: freq, P: make([]complex128, len(freq))}
	for i, h := range unit {
		out.P[i] = h * set.Factor(freq[i])
	}
	return out
}

// sheetOf is a search's result as a sheet.
func (m rig) sheetOf(found optimise.Result, r engine.Ranges) engine.Sheet {
	w := make([]engine.Setting, len(m.outputs))
	for k, o := range m.outputs {
		set := found.Settings[k]
		w[k] = engine.Setting{Output: o.Number, DelaySec: r.DelaySec.Nearest(set.DelaySec), Polarity: set.Polarity, GainDB: r.GainDB.Nearest(set.GainDB)}
	}
	return m.beside(w)
}

// beside puts settings beside those of the outputs that stay as they were.
func (m rig) beside(w []engine.Setting) engine.Sheet {
	sheet := engine.Sheet{Settings: slices.Clone(m.sheet.Settings)}
	for _, set := range w {
		k := slices.IndexFunc(sheet.Settings, func(s engine.Setting) bool { return s.Output == set.Output })
		set.Muted = sheet.Settings[k].Muted
		sheet.Settings[k] = set
	}
	return sheet
}
