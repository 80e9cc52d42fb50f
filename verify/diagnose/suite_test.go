package diagnose

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"hushback/engine"
	"hushback/verify"
	"hushback/verify/diagnose/model"
)

// truth is what is wrong with a rig, in the words of a Cause.
type truth struct {
	kind          Kind
	output, other int
	name          string // of the source or the microphone
	factor        float64
}

func (w truth) is(c Cause) bool {
	switch w.kind {
	case Position:
		return c.Kind == w.kind && c.Source == w.name
	case Misplaced:
		return c.Kind == w.kind && c.Microphone == w.name
	case Noise, Unexplained:
		return c.Kind == w.kind
	case DelayUnit:
		return c.Kind == w.kind && c.Output == w.output && math.Abs(c.Amount/w.factor-1) < 1e-9
	case Swapped:
		return c.Kind == w.kind && (c.Output == w.output && c.Other == w.other || c.Output == w.other && c.Other == w.output)
	}
	return c.Kind == w.kind && c.Output == w.output
}

func (w truth) String() string {
	return strings.TrimSpace(fmt.Sprintf("%s %d %d %s %.3g", w.kind, w.output, w.other, w.name, w.factor))
}

// kinds that the suite draws from, each as often.
func kinds() []Kind {
	return []Kind{Polarity, Swapped, Dead, Delay, DelayUnit, Position, Level, Temperature, Misplaced, Exchanged, Inverted, Reference, Limiter, Noise}
}

// spoil puts a fault of a kind into a rig.
func (r *rig) spoil(kind Kind, rng *rand.Rand) truth {
	sign := func() float64 { return float64(2*rng.IntN(2) - 1) }
	between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	n := len(r.sheet.Settings)
	k := rng.IntN(n)
	set, w := &r.sheet.Settings[k], truth{kind: kind, output: k + 1}
	switch kind {
	case Polarity:
		set.Polarity *= -1
	case Dead:
		set.Muted = true
	case Delay:
		set.DelaySec += sign() * between(0.0003, 0.012)
	case Level:
		set.GainDB += sign() * between(1, 12)
	case Swapped:
		other := (k + 1 + rng.IntN(n-1)) % n
		a, b := &r.site.Sources[k], &r.site.Sources[other]
		a.Output, b.Output = b.Output, a.Output
		w.other = other + 1
	case DelayUnit:
		w.factor = unitFactors()[rng.IntN(len(unitFactors()))]
		if rng.IntN(2) == 0 {
			set.DelaySec *= w.factor
			break
		}
		w.output = 0
		for i := range r.sheet.Settings {
			r.sheet.Settings[i].DelaySec *= w.factor
		}
	default:
		w.output = 0
		r.spoilAll(&w, k, rng)
	}
	return w
}

// spoilAll are the kinds that belong to no output.
func (r *rig) spoilAll(w *truth, k int, rng *rand.Rand) {
	sign := func() float64 { return float64(2*rng.IntN(2) - 1) }
	between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	far, towards := between(0, 1), between(0, 2*math.Pi)
	switch w.kind {
	case Position:
		src := &r.site.Sources[k]
		w.name = src.Name
		src.At.X += (0.2 + 1.8*far) * math.Cos(towards)
		src.At.Y += (0.2 + 1.8*far) * math.Sin(towards)
	case Misplaced:
		mic := &r.site.Microphones[rng.IntN(2)]
		w.name = mic.Name
		mic.At.X += (0.5 + 3*far) * math.Cos(towards)
		mic.At.Y += (0.5 + 3*far) * math.Sin(towards)
	case Temperature:
		r.site.Air.TemperatureC += sign() * between(3, 20)
	case Exchanged:
		r.exchanged = true
	case Inverted:
		r.inverted = true
	case Reference:
		r.filter = filter(between(30, 80), between(0.6, 1.4), rng.IntN(2) == 0)
	case Limiter:
		r.limitDB = between(1, 8)
	case Noise:
		r.signalDB = between(-6, 3)
	}
}

// filter is a second-order high or low pass of Butterworth's kind, or near it.
func filter(corner, q float64, high bool) func(float64) complex128 {
	return func(f float64) complex128 {
		s := complex(0, f/corner)
		bottom := s*s + s/complex(q, 0) + 1
		if high {
			return s * s / bottom
		}
		return 1 / bottom
	}
}

// contradict reports whether two faults hide each other by their nature: an
// output that is dead has no delay, and the delay of one fault cannot be told
// from that of another on the same output.
func contradict(a, b truth) bool {
	if a.kind == b.kind || a.kind == Noise || b.kind == Noise {
		return a.kind == b.kind
	}
	timed := func(w truth) bool { return w.kind == Delay || w.kind == DelayUnit }
	same := a.output > 0 && (a.output == b.output || a.output == b.other) || a.other > 0 && (a.other == b.output || a.other == b.other)
	return timed(a) && timed(b) || same && (a.kind == Dead || b.kind == Dead)
}

// example is one rig of the suite.
type example struct {
	site     engine.Site
	sheet    engine.Sheet
	clean    rig // with its faults and nothing else
	real     rig
	channels [2]channel
	truths   []truth
	rng      *rand.Rand
}

func draw(seed uint64, number int) (example, error) {
	rng := rand.New(rand.NewPCG(seed, uint64(number)))
	e := example{rng: rng}
	var err error
	if e.site, e.sheet, err = drawSite(rng); err != nil {
		return e, err
	}
	e.clean = rig{site: e.site, sheet: e.sheet, signalDB: 30 + 25*rng.Float64()}.clone()
	gain := 0.2 + rng.Float64() // of both: a verdict sets one against the other
	for mic := range e.channels {
		e.channels[mic] = channel{gain: gain * float64(2*rng.IntN(2)-1), sec: 0.002 + 0.03*rng.Float64()}
	}
	count := []int{0, 1, 1, 1, 2, 2}[rng.IntN(6)]
	for len(e.truths) < count {
		spoilt := e.clean.clone()
		w := spoilt.spoil(kinds()[rng.IntN(len(kinds()))], rng)
		if !slices.ContainsFunc(e.truths, func(other truth) bool { return contradict(w, other) }) {
			e.clean, e.truths = spoilt, append(e.truths, w)
		}
	}
	e.real = e.clean.strayed(rng)
	return e, nil
}

// outcome of one example.
type outcome struct {
	truths       []truth
	identifiable bool
	first, two   bool
	loop         loop
	words        string
	err          error
}

// run diagnoses the rig. Whether it can be identified is asked for all rigs in
// a full run, else only for those whose causes do not come first.
func (e example) run(full bool) (o outcome) {
	o.truths = e.truths
	captures, err := e.real.measure(e.sheet, e.channels, e.rng)
	if err != nil {
		return outcome{err: err}
	}
	d, err := Find(e.site, e.sheet, captures)
	if err != nil {
		return outcome{err: err}
	}
	o.first, o.two = placed(e.truths, d)
	if o.loop, err = e.close(captures, d); err != nil {
		return outcome{err: err}
	}
	o.identifiable = true
	if full || !o.first {
		if o.identifiable, err = e.identifiable(); err != nil {
			return outcome{err: err}
		}
	}
	o.words = fmt.Sprintf("%s: %v, healthy %.3f, found", e.site.Job, e.truths, d.Healthy)
	for _, c := range d.Causes[:min(4, len(d.Causes))] {
		o.words += fmt.Sprintf(" | %.3f %s %d %d %s%s %.3g %.3g", c.Probability, c.Kind, c.Output, c.Other, c.Source, c.Microphone, c.Amount, c.AmountY)
	}
	return o
}

// placed: with n things wrong, whether they are the first n causes, and whether
// they are among the first n+1. With nothing wrong, whether health is more
// probable than any cause, and than the second.
func placed(truths []truth, d Diagnosis) (first, two bool) {
	n := len(truths)
	if n == 0 {
		p := func(i int) float64 {
			if i < len(d.Causes) {
				return d.Causes[i].Probability
			}
			return 0
		}
		return d.Healthy > p(0), d.Healthy > p(1)
	}
	among := func(count int) bool {
		for _, w := range truths {
			if !slices.ContainsFunc(d.Causes[:min(count, len(d.Causes))], w.is) {
				return false
			}
		}
		return true
	}
	return among(n), among(n + 1)
}

// The suite. HUSHTEST_RIGS=1000 is the whole of it; an ordinary run has fewer rigs
// and counts those that are right as identifiable.
func TestRigs(t *testing.T) {
	const seed = 58
	count, full := ordinaryRigs, false
	if text := os.Getenv("HUSHTEST_RIGS"); text != "" {
		full = true
		var err error
		if count, err = strconv.Atoi(text); err != nil || count < 1 {
			t.Fatalf("HUSHTEST_RIGS: got %q, want a number of rigs", text)
		}
	}
	outcomes := make([]outcome, count)
	var group sync.WaitGroup
	next := make(chan int)
	for range 2 {
		group.Go(func() {
			for i := range next {
				e, err := draw(seed, i)
				if outcomes[i].err = err; err == nil {
					outcomes[i] = e.run(full)
				}
				if full { // a long run is to be followed
					t.Logf("rig %d: %v", i, outcomes[i])
				}
			}
		})
	}
	for i := range count {
		next <- i
	}
	close(next)
	group.Wait()
	report(t, seed, outcomes)
}

// identifiable says whether the captures of the rig, with its faults and
// nothing else, can be told from those of any other faults within tolerance. It
// does not look at what is found in the captures that are judged. A rig is not
// identifiable if a rival can be shown: another set of faults, not the true one
// and more, with amounts and with errors inside the tolerance, whose captures,
// by engine/field and not by the model, are so near that the logarithm of the
// Bayes factor against it is below 5.
func (e example) identifiable() (bool, error) {
	const least = 5
	captures, err := e.clean.measure(e.sheet, e.channels, nil)
	if err != nil {
		return false, err
	}
	m, err := model.New(e.site, e.sheet, captures)
	if err != nil {
		return false, err
	}
	all := faults(e.site, m.Healthy())
	guesses, err := search(m, all)
	if err != nil {
		return false, err
	}
	own, known, err := e.own(m, all)
	if err != nil || !known {
		return false, err
	}
	for _, g := range guesses {
		if own.fit.LogZ-g.fit.LogZ >= least || e.within(g) {
			continue
		}
		loss, err := e.distance(m, g, captures)
		if err != nil {
			return false, err
		}
		if own.fit.LogZ-(g.fit.LogZ+g.fit.Loss()-loss) < least {
			return false, nil
		}
	}
	return true, nil
}

// own is the guess that has the true faults. Noise is no guess; a unit that
// changes next to nothing is not among the faults.
func (e example) own(m *model.Model, all []fault) (guess, bool, error) {
	own := guess{rig: m.Healthy()}
	starts := [][]model.Push{nil}
	for _, w := range e.truths {
		if w.kind == Noise {
			continue
		}
		k := slices.IndexFunc(all, func(f fault) bool { return w.is(e.cause(f)) })
		if k < 0 {
			return guess{}, false, nil
		}
		var joined [][]model.Push
		for _, s := range starts {
			joined = append(joined, join(s, all[k].starts(m))...)
		}
		own.faults, own.rig, starts = append(own.faults, all[k]), all[k].upon(m, own.rig), joined
	}
	if err := own.look(m, starts); err != nil {
		return guess{}, false, err
	}
	if err := own.again(m, model.Result.Settle); err != nil {
		return guess{}, false, err
	}
	return own, true, own.again(m, model.Result.Refine)
}

// cause names a fault as a Cause does.
func (e example) cause(f fault) Cause {
	c := Cause{Kind: f.kind, Amount: f.amount}
	if f.output >= 0 {
		c.Output = f.output + 1
	}
	if f.other >= 0 {
		c.Other = f.other + 1
	}
	switch f.kind {
	case Position:
		c.Source, c.Output = e.site.Sources[f.source].Name, f.source+1
	case Misplaced:
		c.Microphone = e.site.Microphones[f.mic].Name
	}
	return c
}

// within reports whether a guess has all the true faults, and maybe more.
func (e example) within(g guess) bool {
	for _, w := range e.truths {
		if w.kind != Noise && !slices.ContainsFunc(g.faults, func(f fault) bool { return w.is(e.cause(f)) }) {
			return false
		}
	}
	return true
}

// distance is the loss of a guess against captures, with its pressures by
// engine/field of the whole site as the guess has it.
func (e example) distance(m *model.Model, g guess, captures []verify.Capture) (float64, error) {
	if g.rig.Inverted != e.clean.inverted {
		return math.Inf(1), nil // the two are measured on scales of their own
	}
	rival := e.clean.clone()
	rival.site, rival.sheet = e.site, e.sheet
	rival = rival.clone()
	theta := g.fit.Theta
	for s := range rival.site.Sources {
		src := &rival.site.Sources[s]
		src.At.X += theta[m.SourceX(s)]
		src.At.Y += theta[m.SourceY(s)]
		src.LevelDB += theta[m.SourceLevel(s)]
		src.Output = g.rig.Feeds[s] + 1
	}
	for k := range rival.sheet.Settings {
		set, amplitude := &rival.sheet.Settings[k], g.rig.Amplitude[k]
		set.DelaySec = g.rig.DelaySec[k] + theta[m.Delay(k)]
		set.Muted = amplitude == 0
		if set.Polarity = 1; amplitude < 0 {
			set.Polarity = -1
		}
		set.GainDB = engine.DB(math.Abs(amplitude)) + theta[m.Level(k)]
	}
	for mic := range rival.site.Microphones {
		rival.site.Microphones[mic].At.X += theta[m.MicrophoneX(mic)]
		rival.site.Microphones[mic].At.Y += theta[m.MicrophoneY(mic)]
	}
	rival.site.Air.TemperatureC += theta[m.Warmer()]
	rival.exchanged, rival.inverted, rival.filter, rival.limitDB = g.rig.Exchanged, false, nil, theta[m.Limiter()]
	theirs, err := rival.measure(e.sheet, [2]channel{{gain: 1}, {gain: 1}}, nil)
	if err != nil {
		return math.Inf(1), nil // such a rig is refused, so it is no rival
	}
	return g.fit.Penalty() + e.misfit(m, g, captures, theirs), nil
}

// misfit is half of the squares between two series, over noise and model error.
func (e example) misfit(m *model.Model, g guess, ours, theirs []verify.Capture) (sum float64) {
	value := func(c verify.Capture, i int) (complex128, float64) {
		h, off := c.Function.Advance(-c.DelaySec - c.LatencySec).H[i], c.Function.Sigma[i]
		if e.clean.inverted && c.Function.FreqHz[0] > 0 {
			return 1 / h, off / (real(h)*real(h) + imag(h)*imag(h))
		}
		return h, off
	}
	square := func(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }
	size := make([]float64, len(ours)) // mean power, of everything with what its outputs do alone
	for c := len(ours) - 1; c >= 0; c-- {
		for _, f := range m.FreqHz {
			h, off := value(ours[c], slices.Index(ours[0].Function.FreqHz, f))
			size[c] += math.Max(0, square(h)-2*off*off) / float64(len(m.FreqHz))
		}
		if c >= 2 {
			size[c%2] += size[c]
		}
	}
	for k, f := range m.FreqHz {
		i := slices.Index(ours[0].Function.FreqHz, f)
		for mic := range 2 {
			through := g.fit.Through(mic)[k]
			for c := mic; c < len(ours); c += 2 {
				h, off := value(ours[c], i)
				p := theirs[c].Function.Advance(-theirs[c].DelaySec - theirs[c].LatencySec).H[i]
				sum += square(h-through*p) / (off*off + g.rig.Error*g.rig.Error*size[c]) / 2
			}
		}
	}
	return sum
}
