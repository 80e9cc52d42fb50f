package design

import (
	"math"
	"math/cmplx"
	"strings"

	"hushback/engine"
	"hushback/engine/array"
	"hushback/engine/coverage"
	"hushback/engine/layout"
	"hushback/engine/response"
)

// practice marks a rule of the trade that nobody printed where it could be
// looked up.
const practice = "common practice, no published source"

// depth says how far apart the rows should stand and what they do where they
// stand.
func (w *worker) depth(a array.Array, name string) {
	target := w.site.Target.NullHz
	quarter := w.speed / (4 * target)
	w.findings.add("depth-spacing", quarter, "m", "%sfor a null at %s, rows %s apart: a quarter wavelength, c/4f at %s m/s.",
		name, hertz(target), metres(quarter), engine.Fixed(w.speed, 1))
	depths := a.Depths()
	if len(depths) != 1 || len(a.Rear()) == 0 {
		return
	}
	null := w.speed / (4 * depths[0])
	text := ""
	if exact, ok := w.pairNull(a); ok {
		text = "; with the microphones where they are, " + hertz(exact)
	}
	w.findings.add("depth-null", null, "Hz", "%sthe rows stand %s apart; as an end-fire that nulls at %s, c/4d%s.",
		name, metres(depths[0]), hertz(null), text)
}

// pairNull is the null of the two sources on the axis as an end-fire, from the
// lengths of their ways: c/2 over how much longer the front one's way is behind
// than in front.
func (w *worker) pairNull(a array.Array) (hz float64, ok bool) {
	at, err := response.Microphones(w.site)
	if err != nil {
		return 0, false
	}
	front, rear := a.Nearest(a.Front).At, a.Nearest(a.Rear()).At
	longer := rear.Distance(at[0]) - front.Distance(at[0]) + front.Distance(at[1]) - rear.Distance(at[1])
	return w.speed / (2 * longer), longer > array.ApartM
}

// spacings says how far apart neighbours may stand.
func (w *worker) spacings(a array.Array, name string) {
	widest, _ := a.Spacing()
	if widest == 0 {
		return
	}
	top := w.site.Target.Range.HighHz
	wave := w.speed / top
	w.findings.add("side-spacing", widest, "m", "%sneighbours in the front row stand up to %s apart, %s of a wavelength at %s.",
		name, metres(widest), engine.Fixed(widest/wave, 2), hertz(top))
	w.findings.add("side-spacing-third", wave/3, "m", "%sup to %s, a third of a wavelength at %s, the row plays as one (%s).",
		name, metres(wave/3), hertz(top), practice)
	w.findings.add("side-spacing-two-thirds", 2*wave/3, "m", "%sbeyond %s, two thirds of a wavelength at %s, it breaks into lobes (%s).",
		name, metres(2*wave/3), hertz(top), practice)
	limit := w.sideLobeDB()
	if lobe := straightRow(a).LobeSpacing(top, limit, w.speed); lobe > 0 && !math.IsInf(lobe, 1) {
		w.findings.add("side-spacing-lobes", lobe, "m", "%sworked out from the pattern of %d in a straight row, side lobes first exceed %s at %s when neighbours stand %s apart.",
			name, len(a.Front), decibels(limit), hertz(top), metres(lobe))
	}
}

// sideLobeDB is the loudest side lobe that the site allows.
func (w *worker) sideLobeDB() float64 {
	if w.site.Target.SideLobeDB < 0 {
		return w.site.Target.SideLobeDB
	}
	return -6
}

// coverage says how wide the array plays at the ends of the range and at the
// target.
func (w *worker) coverage() {
	t := w.site.Target
	for _, one := range []struct {
		key, where string
		hz         float64
	}{{"opening-bottom", "the bottom of the range", t.Range.LowHz}, {"opening-target", "the target", t.NullHz}, {"opening-top", "the top of the range", t.Range.HighHz}} {
		o, ok := w.report.opening(one.hz)
		switch {
		case !ok:
		case lost(o):
			w.findings.add(one.key, 360, "°", "at %s, %s, it plays all the way round: nowhere 6 dB below the front.", hertz(one.hz), one.where)
		default:
			w.findings.add(one.key, o.AngleRad*180/math.Pi, "°", "at %s, %s, it covers %s, out to 6 dB below the front.", hertz(one.hz), one.where, degrees(o.AngleRad))
		}
	}
}

// arcs says how the front row is bent, how far it may be and what gives the
// wanted opening.
func (w *worker) arcs(a array.Array, name string) {
	if len(a.Front) < 3 {
		return
	}
	t := w.site.Target
	text := "in a straight line"
	if a.Bent() {
		text = "on an arc of " + degrees(a.ArcRad()) + ", the outer ones " + metres(a.SagM()) + " back"
	}
	sounding := a.Delayed(w.site, w.speed)
	if late := (sounding.SagM() - a.SagM()) / w.speed; math.Abs(late*w.speed) > array.ApartM {
		text += "; delayed by " + millis(late) + " at the outside they sound like an arc of " + degrees(sounding.ArcRad())
	}
	w.findings.add("arc", sounding.ArcRad()*180/math.Pi, "°", "%sthe %d in front stand %s.", name, len(a.Front), text)
	row := straightRow(a)
	row.Delayed = !a.Bent() && sounding.Bent()
	if row.Check(t.NullHz, w.speed) != nil || row.Check(t.Range.LowHz, w.speed) != nil {
		return
	}
	w.widest(row, name, "widest-arc-target", t.NullHz)
	w.widest(row, name, "widest-arc-bottom", t.Range.LowHz)
	if t.OpeningRad > 0 {
		w.wanted(row, name)
	}
}

// wanted says what gives the wanted opening at the target: an arc on the
// ground, or delays in a straight row.
func (w *worker) wanted(row coverage.Row, name string) {
	t := w.site.Target
	row.Delayed = false
	arc, err := row.ArcFor(t.OpeningRad, t.NullHz, w.speed)
	if err != nil { // it says the same with more digits
		w.warnings.add("opening-unreachable", t.OpeningRad*180/math.Pi, "°", "%sno arc up to 180° makes the %d in front cover %s at %s; in a straight line %s.",
			name, row.Count, degrees(t.OpeningRad), hertz(t.NullHz), w.straight(row))
	} else {
		sag := -layout.Row(row.Count, row.SpacingM, arc)[0].X
		w.findings.add("arc-for-opening", arc*180/math.Pi, "°", "%sfor %s of coverage at %s stand the %d in front on an arc of %s, the outer ones %s back.",
			name, degrees(t.OpeningRad), hertz(t.NullHz), row.Count, degrees(arc), metres(sag))
	}
	row.Delayed = true
	if arc, err = row.ArcFor(t.OpeningRad, t.NullHz, w.speed); err != nil {
		w.warnings.add("opening-undelayable", t.OpeningRad*180/math.Pi, "°", "%sno delays make the %d in front, in a straight line, cover %s at %s; without any %s.",
			name, row.Count, degrees(t.OpeningRad), hertz(t.NullHz), w.straight(row))
		return
	}
	delays := layout.Bend(row.Count, row.SpacingM, arc, w.speed)
	w.findings.add("delay-for-opening", delays[0], "s", "%sfor %s of coverage at %s leave the %d in front in a straight line and delay them against the middle, from the outside in, by %s.",
		name, degrees(t.OpeningRad), hertz(t.NullHz), row.Count, inwards(delays))
}

// straight is what a row covers at the target without arc and delay.
func (w *worker) straight(row coverage.Row) string {
	row.ArcRad = 0
	if opening := row.Opening(w.site.Target.NullHz, w.speed); opening < 2*math.Pi {
		return "they cover " + degrees(opening)
	}
	return "they play all the way round"
}

// inwards lists the delays of one side of a row, the outer one first.
func inwards(delays []float64) string {
	words := []string{millis(delays[0])}
	for _, d := range delays[1 : len(delays)/2] {
		if d > 0 {
			words = append(words, millis(d))
		}
	}
	return strings.Join(words, ", ")
}

// straightRow is the front row as the coverage of a row wants it, straight: what
// matters is how many there are and how far apart.
func straightRow(a array.Array) coverage.Row {
	_, mean := a.Spacing()
	return coverage.Row{Count: len(a.Front), SpacingM: mean}
}

// widest says where control of the coverage ends.
func (w *worker) widest(row coverage.Row, name, key string, hz float64) {
	arc, controlled := row.WidestArc(hz, w.speed)
	switch {
	case !controlled:
		w.findings.add(key, 0, "°", "%sat %s this row has no control on any arc: it plays all the way round.", name, hertz(hz))
	case arc >= coverage.MaxArcRad:
		w.findings.add(key, 180, "°", "%sat %s control holds on any arc up to 180°.", name, hertz(hz))
	default:
		w.findings.add(key, arc*180/math.Pi, "°", "%sat %s control holds up to an arc of %s; bent further, it plays all the way round.", name, hertz(hz), degrees(arc))
	}
}

// offset says what a bent front row does to the null of an array whose null is
// where the places or the timing put it, and what brings it back.
func (w *worker) offset(a array.Array, name string) {
	sounding := a.Delayed(w.site, w.speed)
	treatment := own(w.site)
	if treatment == engine.TreatGradient || treatment == engine.TreatPlain ||
		!a.Bent() && !sounding.Bent() || len(a.Depths()) != 1 || len(a.Rear()) == 0 {
		return
	}
	t, err := w.triangle(a)
	if err != nil {
		w.warnings.add("offset-unknown", 0, "", "%sno forward offset of the bent row brings the null to %s: %v.", name, hertz(w.site.Target.NullHz), err)
		return
	}
	w.report.Triangles = append(w.report.Triangles, t)
	cause := "the outer sources stand " + metres(t.DepthM-t.OuterM) + " nearer the rear one along the axis"
	if !a.Bent() {
		cause = "the outer sources play " + millis((sounding.SagM()-a.SagM())/w.speed) + " late"
	}
	w.findings.add("arc-null", t.NullBeforeHz, "Hz", "%s%s: the end-fire nulls at %s at the rear microphone; with a straight row it would at %s.",
		name, cause, hertz(t.NullBeforeHz), hertz(t.StraightHz))
	w.findings.add("forward-offset", t.OffsetM, "m", "%s%s: the end-fire nulls at %s. On the ground: rear source to the middle of the row %s, to the outer source %s.",
		name, direction(t.OffsetM), hertz(t.NullAfterHz), metres(t.DepthM+t.OffsetM), metres(t.SlantAfterM))
	if math.Abs(t.TapeBeforeHz-t.NullBeforeHz) > offsetHz {
		w.byHand(t, name)
	}
}

// byHand says the same of an end-fire timed by tape, where that differs.
func (w *worker) byHand(t Triangle, name string) {
	w.findings.add("arc-null-by-tape", t.TapeBeforeHz, "Hz", "%stimed by tape instead, the middle of the front row %s after the rear, it nulls at %s.",
		name, millis(t.DepthM/w.speed), hertz(t.TapeBeforeHz))
	w.findings.add("forward-offset-by-tape", t.TapeOffsetM, "m", "%stimed by tape, %s, %s after the rear: it nulls at %s.",
		name, direction(t.TapeOffsetM), millis((t.DepthM+t.TapeOffsetM)/w.speed), hertz(t.TapeAfterHz))
}

func direction(offset float64) string {
	switch {
	case math.Abs(offset) < 0.005:
		return "leave the front row where it is"
	case offset < 0:
		return "move the whole front row " + metres(-offset) + " back"
	}
	return "move the whole front row " + metres(offset) + " forward"
}

// levels says what the rows do against each other, and what the deepest null
// wants.
func (w *worker) levels() error {
	if !w.deep() {
		return nil
	}
	at, err := response.Microphones(w.site)
	if err != nil {
		return err
	}
	rows, err := response.ByRow(w.site, w.sheet, at, w.site.Target.NullHz)
	if err != nil {
		return err
	}
	ahead := engine.DB(cmplx.Abs(rows.Front[0]) / cmplx.Abs(rows.Rear[0]))
	back := engine.DB(cmplx.Abs(rows.Front[1]) / cmplx.Abs(rows.Rear[1]))
	set := w.rowGain(engine.RowFront) - w.rowGain(engine.RowRear)
	w.findings.add("row-level", set-back, "dB", "deepest null at %s: front row %s against the rear row, so that both are equally loud behind. It is set to %s.",
		hertz(w.site.Target.NullHz), signed(set-back), signed(set))
	w.findings.add("row-behind", back, "dB", "at the rear microphone the front row is %s the rear row as set.", against(back))
	w.findings.add("row-ahead", ahead, "dB", "at the front microphone the front row is %s the rear row as set. Match the rows behind, not in front.", against(ahead))
	return nil
}

// against puts a level difference into words.
func against(db float64) string {
	switch {
	case math.Abs(db) < 0.05:
		return "as loud as"
	case db < 0:
		return decibels(-db) + " quieter than"
	}
	return decibels(db) + " louder than"
}

// rowGain is the mean gain of a row's outputs in dB.
func (w *worker) rowGain(row engine.Row) float64 {
	var sum, n float64
	for _, set := range w.sheet.Settings {
		if fed := w.site.Fed(set.Output); len(fed) > 0 && fed[0].Row == row {
			sum, n = sum+set.GainDB, n+1
		}
	}
	return sum / math.Max(1, n)
}

// costs says what each treatment does with the cabinets where they stand.
func (w *worker) costs() {
	for _, t := range w.report.Treated {
		w.findings.add("treated-"+string(t.Treatment), t.MeanRejectDB, "dB", "%s: behind %s on average over %s, %s at the worst, %s at %s, %s at its best, at %s. %s",
			t.Treatment, quieter(t.MeanRejectDB), span(w.site.Target.Range), quieter(t.WorstRejectDB), quieter(-t.AtTargetDB), hertz(w.site.Target.NullHz), quieter(-t.NullDepthDB), hertz(t.NullHz), w.price(t))
	}
}

// quieter puts a rejection into words.
func quieter(db float64) string {
	switch {
	case math.Abs(db) < 0.05: // would be said as 0.0 dB
		return "no quieter"
	case db < 0:
		return decibels(-db) + " louder"
	}
	return decibels(db) + " quieter"
}

// price is what a treatment costs in front and how much it forgives.
func (w *worker) price(t Treated) string {
	text := "In front " + decibels(t.NotchInRangeDB) + " short of a full sum at the worst, headroom cost " + decibels(t.HeadroomCostDB) + ", "
	if t.FirstNotchHz > 0 {
		text += "first notch at " + hertz(t.FirstNotchHz) + ", " + decibels(-t.FirstNotchDB) + " down"
		if d := w.commonDepth(); t.Treatment == engine.TreatGradient && d > 0 {
			text += " (c/2d for two points: " + hertz(w.speed/(2*d)) + ")"
		}
	} else {
		text += "no notch up to " + hertz(notchHighHz)
	}
	if w.deep() {
		text += ". At " + hertz(w.site.Target.NullHz) + " with the rear row 10 cm off " + quieter(t.LeftAt10CmDB) + ", with the air 10 °C off " + quieter(t.LeftAt10CDB)
	}
	return text + "."
}

// commonDepth is how far apart the two rows stand, 0 where that has no one
// answer.
func (w *worker) commonDepth() float64 {
	several := array.Distinct(w.arrays)
	if len(several) != 1 || len(several[0].Depths()) != 1 {
		return 0
	}
	return several[0].Depths()[0]
}

// places says what the zones hear.
func (w *worker) places() {
	for _, z := range w.report.Zones {
		if z.Kind == engine.ZoneAudience {
			w.findings.add("audience", z.MeanDB, "dB", "%s: on average %s below everything in phase at its loudest; 90 of 100 places within %s of each other; deepest dip %s below the average, at %s, %s.",
				z.Name, decibels(-z.MeanDB), decibels(z.SpreadDB), decibels(-z.WorstDB), hertz(z.WorstHz), place(z.WorstAt))
			continue
		}
		w.findings.add("quiet", -z.MeanDB, "dB", "%s: %s than the audience on average, %s at the worst, at %s, %s.",
			z.Name, quieter(-z.MeanDB), quieter(-z.WorstDB), hertz(z.WorstHz), place(z.WorstAt))
	}
	for _, s := range w.report.Sides {
		text := ""
		if w.deep() {
			text = "; with the rear rows muted " + decibels(-s.AloneDB) + " at y " + metres(s.AloneAt.Y)
		}
		w.findings.add("sides", s.DipDB, "dB", "left and right at %s: deepest dip across the audience %s, at %s%s.", hertz(s.FreqHz), decibels(-s.DipDB), place(s.DipAt), text)
	}
}
