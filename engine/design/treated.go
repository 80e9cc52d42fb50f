package design

import (
	"math"
	"math/cmplx"

	"hushback/engine"
	"hushback/engine/array"
	"hushback/engine/field"
	"hushback/engine/response"
	"hushback/engine/solve"
)

// What goes wrong on a site without anybody noticing: a tape read 10 cm off, an
// evening 10 °C off the afternoon.
const (
	slipM = 0.1
	slipC = 10
)

// A notch in front is looked for from the bottom of the range up to
// notchHighHz, in steps of about 1 Hz.
const (
	notchHighHz = 300
	notchSteps  = 280
	notchRatio  = 0.5 // 6 dB down
)

// treatments in the order that they are shown in.
func treatments() []engine.Treatment {
	return []engine.Treatment{engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain}
}

// treat is the site with all its groups treated the same.
func treat(site engine.Site, t engine.Treatment) engine.Site {
	site.Aim = nil
	site.Groups = nil
	for _, name := range array.Groups(site) {
		site.Groups = append(site.Groups, engine.Group{Name: name, Treatment: t})
	}
	return site
}

// own is the treatment that the site asks for, "" where there is not one.
func own(site engine.Site) engine.Treatment {
	names := array.Groups(site)
	if site.Aim != nil || len(names) == 0 {
		return ""
	}
	t := site.Treatment(names[0])
	for _, name := range names {
		if site.Treatment(name) != t {
			return ""
		}
	}
	return t
}

// judge says what a sheet does, beyond what its prediction says already.
func (w *worker) judge(t engine.Treatment, sheet engine.Sheet, p engine.Prediction) (Treated, error) {
	s := p.Summary
	one := Treated{
		Treatment: t, Sheet: sheet, FreqHz: p.Front.FreqHz,
		NullHz: s.NullHz, NullDepthDB: s.NullDepthDB, AtTargetDB: s.AtTargetDB,
		HeadroomCostDB: p.HeadroomCostDB,
		NotchInRangeDB: s.SumShortfallDB, NotchInRangeHz: s.ShortfallAtHz,
	}
	one.curves(p, w.site.Target.Range)
	var err error
	if one.LeftAt10CmDB, err = w.misplaced(sheet); err != nil {
		return Treated{}, err
	}
	if one.LeftAt10CDB, err = w.misread(sheet); err != nil {
		return Treated{}, err
	}
	one.FirstNotchHz, one.FirstNotchDB, err = w.notch(sheet)
	return one, err
}

// curves fills in what the lines of the test signal show.
func (t *Treated) curves(p engine.Prediction, wanted engine.Band) {
	t.WorstRejectDB = math.Inf(1)
	var power, lines float64
	for i, f := range p.Front.FreqHz {
		var inPhase float64
		for _, solo := range p.Solos {
			inPhase += cmplx.Abs(solo.Front.P[i])
		}
		ahead := cmplx.Abs(p.Front.P[i])
		ratio := cmplx.Abs(p.Rear.P[i]) / ahead
		t.RejectionDB = append(t.RejectionDB, bounded(-engine.DB(ratio)))
		t.SumDB = append(t.SumDB, bounded(engine.DB(ahead/inPhase)))
		if wanted.Contains(f) {
			t.WorstRejectDB = math.Min(t.WorstRejectDB, t.RejectionDB[i])
			power, lines = power+ratio*ratio, lines+1
		}
	}
	t.MeanRejectDB = bounded(-engine.DB(math.Sqrt(power / lines)))
}

// bounded keeps a level within what is ever reported: outside the range a front
// may be silent, and 0/0 is no level.
func bounded(db float64) float64 {
	if math.IsNaN(db) {
		return 0
	}
	return math.Max(engine.FloorDB, math.Min(-engine.FloorDB, db))
}

// misplaced is the rejection left at the target when the rear rows stand a slip
// nearer or further than the site says, whichever is worse.
func (w *worker) misplaced(sheet engine.Sheet) (float64, error) {
	near, far := w.site, w.site
	for _, a := range w.arrays {
		near, far = a.Moved(near, a.Rear(), slipM), a.Moved(far, a.Rear(), -slipM)
	}
	return w.left(sheet, near, far)
}

// misread is the same for air that is warmer or colder than the site says.
func (w *worker) misread(sheet engine.Sheet) (float64, error) {
	warm, cold := w.site, w.site
	warm.Air.TemperatureC += slipC
	cold.Air.TemperatureC -= slipC
	return w.left(sheet, warm, cold)
}

func (w *worker) left(sheet engine.Sheet, sites ...engine.Site) (float64, error) {
	worst := -float64(engine.FloorDB)
	for _, site := range sites {
		ratio, err := response.Behind(site, sheet, site.Target.NullHz)
		if err != nil {
			return 0, err
		}
		worst = math.Min(worst, bounded(-engine.DB(ratio[0])))
	}
	return worst, nil
}

// notch is the lowest frequency, from the bottom of the range, at which the front
// sum dips by notchRatio or more, and how far in dB; 0, 0 where none does.
func (w *worker) notch(sheet engine.Sheet) (hz, db float64, err error) {
	at, err := response.Microphones(w.site)
	if err != nil {
		return 0, 0, err
	}
	sum := func(freq ...float64) ([]float64, error) {
		r, err := response.Listen(w.site, at[:1], freq)
		if err != nil {
			return nil, err
		}
		part := make([]float64, len(freq))
		p, inPhase := r.Under(sheet), r.InPhase(response.AsSet(sheet))
		for i := range freq {
			part[i] = cmplx.Abs(p[i][0]) / inPhase[i][0]
		}
		return part, nil
	}
	low := w.site.Target.Range.LowHz
	freq := response.Steps(low, math.Max(notchHighHz, 2*low), notchSteps)
	part, err := sum(freq...)
	if err != nil {
		return 0, 0, err
	}
	i := response.FirstDip(part, notchRatio)
	if i < 0 {
		return 0, 0, nil
	}
	hz, err = response.Least(freq[i-1], freq[i+1], func(f float64) (float64, error) { return first(sum(f)) })
	if err != nil {
		return 0, 0, err
	}
	bottom, err := first(sum(hz))
	return hz, engine.DB(bottom), err
}

// first is the only value of some.
func first(v []float64, err error) (float64, error) {
	if err != nil {
		return 0, err
	}
	return v[0], nil
}

// treated judges every treatment that the processor can be set to; the others
// become a warning that says why not.
func (w *worker) treated() ([]Treated, error) {
	var all []Treated
	for _, t := range treatments() {
		if t != engine.TreatPlain && !w.deep() {
			continue
		}
		site := treat(w.site, t)
		sheet, err := solve.Solve(site, w.ranges)
		if err != nil {
			w.warnings.add("treatment-impossible", 0, "", "%s cannot be set here: %v.", t, err)
			continue
		}
		p, err := field.Predict(site, sheet)
		if err != nil {
			return nil, err
		}
		one, err := w.judge(t, sheet, p)
		if err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	return all, nil
}

// deep reports whether there is a rear row anywhere.
func (w *worker) deep() bool {
	for _, src := range w.site.Sources {
		if src.Row == engine.RowRear {
			return true
		}
	}
	return false
}
