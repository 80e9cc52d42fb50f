package design

import (
	"math"
	"slices"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/array"
	"hushback/engine/coverage"
	"hushback/engine/solve"
)

// warn writes down what should be changed, or at least known, the gravest
// first.
func (w *worker) warn() {
	w.rearless()
	w.missed()
	w.notched()
	w.wide()
	w.uncontrolled()
	w.walled()
	w.near()
	if w.method != air.Cramer {
		w.warnings.add("air", w.speed, "", "the air is outside 0 to 30 °C or 750 to 1020 hPa, where the speed of sound is known to 0.1 m/s; %s m/s is an estimate. Measure the null.", engine.Fixed(w.speed, 1))
	}
}

func (w *worker) rearless() {
	if !w.deep() {
		w.warnings.add("no-rear-row", 0, "", "there is no rear row: nothing cancels behind.")
	}
}

// missed compares the prediction with what the measurement must clear; limits
// that are open come from what was predicted.
func (w *worker) missed() {
	s, limits, target := w.report.Prediction.Summary, w.site.Limits, w.site.Target.NullHz
	if limits.NullDepthDB > 0 && -s.AtTargetDB < limits.NullDepthDB {
		w.warnings.add("null-too-shallow", -s.AtTargetDB, "dB", "behind %s at %s, wanted %s: expect the measurement to refute this.",
			quieter(-s.AtTargetDB), hertz(target), decibels(limits.NullDepthDB))
	}
	if w.deep() && limits.NullOffsetHz > 0 && math.Abs(s.NullHz-target) > limits.NullOffsetHz {
		w.warnings.add("null-off-target", s.NullHz, "Hz", "it is quietest behind at %s, not within %s of %s.", hertz(s.NullHz), hertz(limits.NullOffsetHz), hertz(target))
	}
}

// notched tells of dips in front inside the range.
func (w *worker) notched() {
	own, limit := w.report.Own, w.site.Limits.SumShortfallDB
	switch {
	case w.site.Target.Range.Contains(own.FirstNotchHz):
		w.warnings.add("notch-in-range", own.FirstNotchHz, "Hz", "a notch in front at %s, inside the range: %s down. A smaller depth moves it up.", hertz(own.FirstNotchHz), decibels(-own.FirstNotchDB))
	case limit > 0 && own.NotchInRangeDB > limit:
		w.warnings.add("sum-too-short", own.NotchInRangeDB, "dB", "in front %s are missing from a full sum at %s, more than the %s allowed.", decibels(own.NotchInRangeDB), hertz(own.NotchInRangeHz), decibels(limit))
	}
}

// wide tells of neighbours too far apart.
func (w *worker) wide() {
	top := w.site.Target.Range.HighHz
	limit := 2 * w.speed / (3 * top)
	several := array.Distinct(w.arrays)
	for _, a := range several {
		if widest, _ := a.Spacing(); widest > limit {
			w.warnings.add("side-spacing", widest, "m", "%sneighbours in the front row stand %s apart; beyond %s, two thirds of a wavelength at %s, it breaks into lobes (%s).",
				w.called(a, len(several)), metres(widest), metres(limit), hertz(top), practice)
		}
	}
}

// uncontrolled tells where coverage is lost inside the range. A single source
// or a pair has none to lose.
func (w *worker) uncontrolled() {
	if len(w.arrays) == 0 || len(w.arrays[0].Front) < 3 {
		return
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, o := range w.report.Openings {
		if lost(o) {
			low, high = math.Min(low, o.FreqHz), math.Max(high, o.FreqHz)
		}
	}
	if low > high {
		return
	}
	where := "from " + span(engine.Band{LowHz: low, HighHz: high})
	switch {
	case low == high:
		where = "at " + hertz(low)
	case slices.ContainsFunc(w.report.Openings, func(o coverage.Opening) bool { return !lost(o) && o.FreqHz > low && o.FreqHz < high }):
		where = "in parts of " + span(engine.Band{LowHz: low, HighHz: high})
	}
	w.warnings.add("opening-lost", high, "Hz", "%s the array plays all the way round: nowhere 6 dB below the front.", where)
}

// near tells of a rear microphone closer than the array is wide: what cancels
// there need not cancel further back.
func (w *worker) near() {
	mic, ok := w.site.Microphone(engine.RoleRear)
	if !ok {
		return
	}
	for _, a := range w.arrays {
		nearest := math.Inf(1)
		for _, src := range w.site.Sources {
			nearest = math.Min(nearest, level(src.At, mic.At))
		}
		if width := 2 * a.HalfWidthM(); nearest < width {
			w.warnings.add("microphone-near", nearest, "m", "the rear microphone is %s from the nearest source and the array is %s wide: a null that near need not hold further back. Move it further away.", metres(nearest), metres(width))
			return
		}
	}
}

// walled tells of walls behind the array whose reflection fills the null: those
// nearer than a quarter wavelength at the target, or less than twice as far as
// the rear microphone, so that what comes back has gone three times the
// straight way at most and is within 10 dB of it.
func (w *worker) walled() {
	mic, ok := w.site.Microphone(engine.RoleRear)
	if !ok || len(w.arrays) == 0 {
		return
	}
	a := w.arrays[0]
	rearmost := math.Inf(1)
	for _, other := range append(a.Behind, a.Front...) {
		rearmost = math.Min(rearmost, a.Along(other.At))
	}
	from := a.Ahead(a.At, rearmost)
	quarter := w.speed / (4 * w.site.Target.NullHz)
	reach := math.Max(quarter, 2*(rearmost-a.Along(mic.At)))
	for _, wall := range w.site.Walls {
		if d, behind := a.Back(from, wall); behind && d < reach {
			w.warnings.add("wall-behind", d, "m", "%s stands %s behind the array: its reflection fills the null.%s", wall.Name, metres(d), w.filled(wall))
		}
	}
}

// filled says how deep the null at the target is with a wall, and how deep with
// settings that know nothing of it.
func (w *worker) filled(wall engine.Wall) string {
	target := w.site.Target.NullHz
	known, err := w.left(w.sheet, w.site)
	if err != nil {
		return ""
	}
	text := " With it in the model it is " + quieter(known) + " at the rear microphone at " + hertz(target)
	open := w.site
	open.Walls = slices.DeleteFunc(slices.Clone(w.site.Walls), func(o engine.Wall) bool { return o == wall })
	sheet, err := solve.Solve(open, w.ranges)
	if err != nil {
		return text + "."
	}
	unknown, err := w.left(sheet, w.site)
	if err != nil {
		return text + "."
	}
	return text + ", set as if it were not there " + quieter(unknown) + "."
}
