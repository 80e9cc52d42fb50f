package diagnose

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"hushback/configs"
	"hushback/engine"
	"hushback/engine/field"
	"hushback/engine/solve"
	"hushback/verify"
	"hushback/verify/correct"
)

// loop_test.go takes the suite's rigs the whole way: verdict, diagnosis, what a
// person would then put right by hand, correction, verdict again.

// shipped are the example sites that the suite draws from, besides those made by
// hand: one source an output, and few enough for many rigs.
func shipped() [][2]string {
	return [][2]string{{"gorsefen", "gradient arc"}, {"larkpit", "null arc"}, {"larkpit", "end-fire arc"}, {"ottersedge", ""}}
}

func grids() engine.Ranges {
	return engine.Ranges{DelaySec: engine.Grid{Max: 0.1, Step: 1. / 48000}, GainDB: engine.Grid{Min: -40, Step: 0.1}}
}

// drawSite is an example site in other air, or one of the hand-made layouts with
// everything in it somewhere else; the sheet is what the engine solves for it.
// Sites whose rigs have no null to speak of are drawn again.
func drawSite(rng *rand.Rand) (engine.Site, engine.Sheet, error) {
	for range 100 {
		site, err := anySite(rng)
		if err != nil {
			return site, engine.Sheet{}, err
		}
		sheet, err := solve.Solve(site, grids())
		if err != nil {
			return site, engine.Sheet{}, err
		}
		site.Limits, err = held(site, sheet, rng)
		if err != nil || site.Limits.NullDepthDB >= 6 {
			return site, sheet, err
		}
	}
	return engine.Site{}, engine.Sheet{}, errors.New("a hundred sites without a null")
}

func anySite(rng *rand.Rand) (engine.Site, error) {
	byHand := layouts()
	k := rng.IntN(len(byHand) + len(shipped()))
	if k >= len(byHand) {
		name := shipped()[k-len(byHand)]
		site, err := configs.OpenLayout(name[0], name[1])
		site.Air.TemperatureC = 5 + 25*rng.Float64()
		return site, err
	}
	l := byHand[k]
	off := func(by float64) float64 { return by * (2*rng.Float64() - 1) }
	for i := range l.at {
		l.at[i].X += off(0.15)
		l.at[i].Y += off(0.15)
	}
	for _, m := range []*engine.Point{&l.front, &l.rear} {
		m.X, m.Y = m.X+off(1), m.Y+off(1)
	}
	site := l.site(rng)
	treatment := map[string]engine.Treatment{"gradient pairs": engine.TreatGradient, "end-fire": engine.TreatEndFire}[l.name]
	if treatment == "" {
		treatment = []engine.Treatment{engine.TreatNull, engine.TreatNull, engine.TreatEndFire}[rng.IntN(3)]
	}
	site.Groups = []engine.Group{{Name: "array", Treatment: treatment}}
	for i := range site.Outputs {
		site.Outputs[i].Group = "array"
	}
	return site, nil
}

// held are limits that rigs within tolerance clear: the worst of 100 of them, eased
// by 2 dB, half a hertz and 0.5 dB.
func held(site engine.Site, sheet engine.Sheet, rng *rand.Rand) (engine.Limits, error) {
	worst := truthOf{atTargetDB: math.Inf(-1)}
	for range 100 {
		is, err := rig{site: site, sheet: sheet}.strayed(rng).truth(site.Target)
		if err != nil {
			return engine.Limits{}, err
		}
		worst.atTargetDB = math.Max(worst.atTargetDB, is.atTargetDB)
		worst.offHz = math.Max(worst.offHz, is.offHz)
		worst.shortDB = math.Max(worst.shortDB, is.shortDB)
	}
	return engine.Limits{NullDepthDB: -worst.atTargetDB - 2, NullOffsetHz: worst.offHz + 0.5, SumShortfallDB: worst.shortDB + 0.5}, nil
}

// truthOf is what a rig really does where its microphones really stand, front and
// rear by their names, however they are connected.
type truthOf struct{ atTargetDB, offHz, shortDB, behindDB, front2 float64 }

func (r rig) truth(target engine.Target) (is truthOf, err error) {
	const step = 0.1 // Hz
	freq := []float64{target.NullHz}
	for f := target.Range.LowHz; f <= target.Range.HighHz+1e-9; f += step {
		freq = append(freq, f)
	}
	by, err := field.ByOutput(r.site, []engine.Point{r.site.Microphones[0].At, r.site.Microphones[1].At}, freq)
	if err != nil {
		return is, err
	}
	lowest := math.Inf(1)
	is.shortDB = math.Inf(-1)
	var front2, rear2 float64
	for i, f := range freq {
		var front, rear complex128
		coherent := 0.0
		for k, set := range r.sheet.Settings {
			if set.Muted {
				continue
			}
			w := cmplx.Rect(engine.Ratio(set.GainDB)*float64(set.Polarity), -2*math.Pi*f*set.DelaySec)
			front, rear = front+w*by[i][0][k], rear+w*by[i][1][k]
			coherent += cmplx.Abs(w * by[i][0][k])
		}
		ratio := cmplx.Abs(rear / front)
		if i == 0 {
			is.atTargetDB = engine.DB(ratio)
			continue
		}
		if ratio < lowest {
			lowest, is.offHz = ratio, math.Abs(f-target.NullHz)
		}
		if math.Abs(f/2-math.Round(f/2)) < step/4 { // the test signal's lines
			is.shortDB = math.Max(is.shortDB, engine.DB(coherent/cmplx.Abs(front)))
		}
		front2 += cmplx.Abs(front) * cmplx.Abs(front)
		rear2 += cmplx.Abs(rear) * cmplx.Abs(rear)
	}
	is.front2 = front2 / float64(len(freq)-1)
	is.behindDB = 10 * math.Log10(rear2/front2)
	return is, nil
}

func (is truthOf) keeps(l engine.Limits) bool {
	return is.atTargetDB <= -l.NullDepthDB && is.offHz <= l.NullOffsetHz+0.1 && is.shortDB <= l.SumShortfallDB
}

// loop is how the rig fared.
type loop struct {
	verdict   verify.Outcome // at first
	tells     string         // why, if refuted
	falsely   string         // what was proven and is not so
	corrected bool
	offDB     float64 // after at most two corrections, from the best that the rig's responses allow
	after     verify.Outcome
}

// close takes the rig from its first captures on.
func (e example) close(captures []verify.Capture, d Diagnosis) (l loop, err error) {
	p, err := field.Predict(e.site, e.sheet)
	if err != nil {
		return l, err
	}
	l.verdict, l.after = verify.Undecided, verify.Undecided
	v, err := e.judge(p, captures, e.real, &l)
	if err != nil {
		return l, err
	}
	if l.verdict = v.Outcome; v.Outcome != verify.Proven {
		l.tells = fmt.Sprint(v.Reasons)
	}
	if v.Outcome == verify.Proven {
		l.after = verify.Proven
		return l, nil
	}
	e, again := e.mended(d)
	if again {
		if captures, err = e.real.measure(e.sheet, e.channels, e.rng); err != nil {
			return l, err
		}
	}
	exact, err := e.real.measure(e.sheet, e.channels, nil)
	if err != nil {
		return l, err
	}
	best, err := correct.Solve(context.Background(), e.site, e.sheet, grids(), exact)
	if err != nil {
		return l, nil // nothing that these responses allow
	}
	stands, err := field.Predict(e.real.site, e.real.sheet)
	if err != nil {
		return l, err
	}
	sigma := e.real.sigma(stands.Front)
	allowed, err := e.playing(best.Sheet).truth(e.site.Target)
	if err != nil {
		return l, err
	}
	l.corrected, l.offDB = true, math.Inf(1)
	sheet := e.sheet
	for range 2 {
		c, err := correct.Solve(context.Background(), e.site, sheet, grids(), captures)
		if err != nil {
			return l, nil // which counts as far off
		}
		sheet = c.Sheet
		now := e.playing(sheet)
		is, err := now.truth(e.site.Target)
		if err != nil {
			return l, err
		}
		l.offDB = e.off(is, allowed, sigma)
		if captures, err = now.measure(sheet, e.channels, e.rng); err != nil {
			return l, err
		}
		v, err := e.judge(c.Prediction, captures, now, &l)
		if err != nil {
			return l, err
		}
		if l.after = v.Outcome; v.Outcome == verify.Proven {
			break
		}
	}
	return l, nil
}

// judge is the verdict, and notes what is proven and not so. Captures that cannot
// be judged are undecided.
func (e example) judge(p engine.Prediction, captures []verify.Capture, plays rig, l *loop) (verify.Verdict, error) {
	v, err := verify.Judge(e.site, p, captures)
	if err != nil {
		return verify.Verdict{Outcome: verify.Undecided}, nil
	}
	is, err := plays.truth(e.site.Target)
	if err == nil && v.Outcome == verify.Proven && !is.keeps(e.site.Limits) {
		l.falsely = fmt.Sprintf("%+v proven to keep %+v: %q", is, e.site.Limits, v.Reasons)
	}
	return v, err
}

// off is how far a rig is from what is allowed, behind as energy over the range and
// in the sum in front. Behind, what lies below the noise that the sum of the solos
// has itself is nothing that they could tell apart; and beyond 40 dB the last step
// of one delay makes the difference.
func (e example) off(is, allowed truthOf, sigma float64) float64 {
	rest := 1e-4 + float64(len(e.site.Outputs))*2*sigma*sigma/allowed.front2
	behind := func(t truthOf) float64 { return 10 * math.Log10(math.Pow(10, t.behindDB/10)+rest) }
	return math.Max(behind(is)-behind(allowed), is.shortDB-allowed.shortDB)
}

// mended is the example once a person has put right what the causes that come
// first name and no setting can: cables, units, a limiter, a loud neighbourhood.
// What is named falsely changes nothing.
func (e example) mended(d Diagnosis) (m example, again bool) {
	m = e
	m.real, m.truths = e.real.clone(), nil
	first := d.Causes[:min(len(e.truths), len(d.Causes))]
	for _, w := range e.truths {
		if !slices.ContainsFunc(first, w.is) || !m.mend(w) {
			m.truths = append(m.truths, w)
		}
	}
	return m, len(m.truths) < len(e.truths)
}

func (e *example) mend(w truth) bool {
	r := &e.real
	switch w.kind {
	case Exchanged:
		r.exchanged = false
	case Inverted:
		r.inverted = false
	case Limiter:
		r.limitDB = 0
	case Noise:
		r.signalDB = 35
	case Swapped:
		a, b := &r.site.Sources[w.output-1], &r.site.Sources[w.other-1]
		a.Output, b.Output = b.Output, a.Output
	case DelayUnit:
		for k, set := range e.sheet.Settings {
			if w.touches(k) {
				r.sheet.Settings[k].DelaySec -= set.DelaySec * (w.factor - 1)
			}
		}
	default:
		return false
	}
	return true
}

// touches reports whether a wrong unit is an output's.
func (w truth) touches(k int) bool { return w.kind == DelayUnit && (w.output == 0 || w.output == k+1) }

// playing is the rig with another sheet, with the same between the processor and
// the loudspeakers as before.
func (e example) playing(sheet engine.Sheet) rig {
	r := e.real.clone()
	for k := range r.sheet.Settings {
		was, drawn, set := e.real.sheet.Settings[k], e.sheet.Settings[k], sheet.Settings[k]
		factor := 1.0
		for _, w := range e.truths {
			if w.touches(k) {
				factor = w.factor
			}
		}
		set.DelaySec = set.DelaySec*factor + was.DelaySec - drawn.DelaySec*factor
		set.GainDB += was.GainDB - drawn.GainDB
		set.Polarity *= was.Polarity * drawn.Polarity
		set.Muted = was.Muted
		r.sheet.Settings[k] = set
	}
	return r
}

// line is a row of the table.
type line struct {
	all, identifiable, first, two, refuted, proven, corrected, near, after int
}

func (l *line) enter(o outcome) {
	count := func(n *int, is bool) {
		if is {
			*n++
		}
	}
	l.all++
	count(&l.identifiable, o.identifiable)
	count(&l.first, o.identifiable && o.first)
	count(&l.two, o.identifiable && o.two)
	count(&l.refuted, o.loop.verdict == verify.Refuted)
	count(&l.proven, o.loop.verdict == verify.Proven)
	count(&l.corrected, o.loop.corrected)
	count(&l.near, o.loop.corrected && o.loop.offDB <= 1)
	count(&l.after, o.loop.after == verify.Proven)
}

// report prints the table and holds the whole to what is promised.
func report(t *testing.T, seed int, outcomes []outcome) {
	table := map[string]*line{}
	enter := func(name string, o outcome) {
		if table[name] == nil {
			table[name] = &line{}
		}
		table[name].enter(o)
	}
	for i, o := range outcomes {
		if o.err != nil {
			t.Fatalf("seed %d, rig %d: %v", seed, i, o.err)
		}
		enter("anything or nothing", o)
		switch len(o.truths) {
		case 0:
			enter("nothing", o)
			if o.loop.verdict != verify.Proven {
				t.Logf("rig %d, healthy and %s: %s", i, o.loop.verdict, o.loop.tells)
			}
		case 1:
			enter("one: "+string(o.truths[0].kind), o)
			enter("one fault", o)
		case 2:
			enter("two faults", o)
		}
		if o.loop.falsely != "" {
			t.Errorf("seed %d, rig %d: %s: %s", seed, i, o.words, o.loop.falsely)
		}
		if plain := []Kind{Polarity, Dead, Inverted}; !o.identifiable && len(o.truths) == 1 && slices.Contains(plain, o.truths[0].kind) {
			t.Logf("seed %d, rig %d: said to be like another: %s", seed, i, o.words)
		}
		if o.identifiable && !o.first {
			t.Logf("rig %d, first two %v: %s", i, o.two, o.words)
		}
		if o.loop.corrected && !(o.loop.offDB <= 1) {
			t.Logf("rig %d, %.2f dB off after corrections: %s", i, o.loop.offDB, o.words)
		}
	}
	t.Logf("seed %d: %d rigs", seed, len(outcomes))
	t.Logf("%-45s %5s %12s %6s %9s | %7s %6s | %9s %11s %12s", "what was wrong", "rigs", "identifiable", "first", "first two", "refuted", "proven", "corrected", "within 1 dB", "then proven")
	var names []string
	for name := range table {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		l := table[name]
		t.Logf("%-45s %5d %12d %6d %9d | %7d %6d | %9d %11d %12d", name, l.all, l.identifiable, l.first, l.two, l.refuted, l.proven, l.corrected, l.near, l.after)
	}
	all := table["anything or nothing"]
	promised := func(what string, count, of int, least float64) {
		if of >= 10 && float64(count) < least*float64(of)-1 || of >= 200 && float64(count) < least*float64(of) {
			t.Errorf("seed %d: %s: %d of %d, want %g %%", seed, what, count, of, 100*least)
		}
	}
	promised("the true causes first", all.first, all.identifiable, 0.95)
	promised("the true causes among the first two", all.two, all.identifiable, 0.99)
	promised("rigs that can be identified", all.identifiable, all.all, 0.6)
	promised("within 1 dB after at most two corrections", all.near, all.corrected, 0.98)
	if healthy := table["nothing"]; healthy != nil {
		promised("healthy rigs not refuted", healthy.all-healthy.refuted, healthy.all, 0.99)
	}
}

// String is a line of a long run.
func (o outcome) String() string {
	return fmt.Sprintf("%v: identifiable %v, first %v, first two %v, %s, %v %.2f dB, then %s", o.truths, o.identifiable, o.first, o.two, o.loop.verdict, o.loop.corrected, o.loop.offDB, o.loop.after)
}
