package diagnose

import (
	"math"

	"hushback/engine"
	"hushback/verify/diagnose/model"
)

// Kind is what can be wrong.
type Kind string

// The kinds. Amount, AmountY and Unit of a Cause are what its comment says.
const (
	Polarity    Kind = "polarity reversed"
	Swapped     Kind = "outputs swapped"                      // Output with Other
	Dead        Kind = "output dead"                          //
	Delay       Kind = "wrong delay"                          // ms later than the sheet
	DelayUnit   Kind = "wrong unit of delay"                  // factor on the sheet's delay; Output 0: on all of them
	Position    Kind = "source not where stated"              // m along x, AmountY m along y
	Level       Kind = "wrong level"                          // dB over the sheet
	Temperature Kind = "wrong air temperature"                // °C warmer than the site says
	Misplaced   Kind = "microphone not where stated"          // m along x, AmountY m along y
	Exchanged   Kind = "front and rear microphone exchanged"  //
	Inverted    Kind = "reference and microphone exchanged"   // at both microphones' inputs
	Reference   Kind = "reference taken from the wrong point" // dB between the loudest and the quietest line of what all captures share
	Limiter     Kind = "limiter acting"                       // dB that everything open falls short by
	Noise       Kind = "too much noise"                       // dB of signal over noise
	Unexplained Kind = "not explained"                        // % that lines are off the site's model by
)

// odds are a kind's odds against nothing being wrong, before anything was
// measured, all its instances together. Rough and ours, no published source:
// what is connected by hand goes wrong most often.
func (k Kind) odds() float64 {
	switch k {
	case Polarity, Position:
		return 0.12
	case Swapped, Dead, Delay, Level:
		return 0.08
	case Misplaced:
		return 0.06
	case Limiter:
		return 0.05
	case DelayUnit, Temperature, Exchanged:
		return 0.04
	case Inverted, Reference, Unexplained:
		return 0.02
	}
	return 0
}

// How far off things are once they are off: standard deviations, rough and ours.
const (
	astrayM       = 1.2
	astrayMicM    = 1.5
	astraySec     = 0.008
	astrayDB      = 8
	astrayKelvin  = 12
	astrayLimitDB = 4
	sharedDB      = 8
	sharedRad     = 1
)

// fault is one instance of a kind.
type fault struct {
	kind          Kind
	output, other int // places in site.Outputs; -1: none, or all
	source, mic   int
	amount        float64 // of those that have it fixed: a factor, a model error
	logPrior      float64
}

// A delay is written in milliseconds; what reads it may take it for samples, or
// may want samples and be given milliseconds, and the same with metres and feet.
func unitFactors() []float64 {
	const foot = 0.3048
	return []float64{48, 1 / 48., 96, 1 / 96., foot, 1 / foot}
}

// leastUnitSec: a unit that changes a delay by less than this is no fault.
const leastUnitSec = 1e-4

// faults lists everything that could be wrong with a site under a sheet.
func faults(site engine.Site, healthy model.Rig) []fault {
	var all []fault
	add := func(f fault) { all = append(all, f) }
	for k := range site.Outputs {
		for _, kind := range []Kind{Polarity, Dead, Delay, Level} {
			add(fault{kind: kind, output: k, other: -1})
		}
		for other := k + 1; other < len(site.Outputs); other++ {
			add(fault{kind: Swapped, output: k, other: other})
		}
	}
	for _, factor := range unitFactors() {
		counted := 0
		for k, sec := range healthy.DelaySec {
			if math.Abs(sec*(factor-1)) >= leastUnitSec {
				counted++
				add(fault{kind: DelayUnit, output: k, other: -1, amount: factor})
			}
		}
		if counted > 1 {
			add(fault{kind: DelayUnit, output: -1, other: -1, amount: factor})
		}
	}
	for s := range site.Sources {
		add(fault{kind: Position, output: -1, other: -1, source: s})
	}
	for mic := range 2 {
		add(fault{kind: Misplaced, output: -1, other: -1, mic: mic})
	}
	for _, kind := range []Kind{Temperature, Exchanged, Inverted, Reference, Limiter} {
		add(fault{kind: kind, output: -1, other: -1})
	}
	for _, size := range []float64{0.05, 0.15, 0.4} {
		add(fault{kind: Unexplained, output: -1, other: -1, amount: size})
	}
	weigh(all)
	return all
}

// weigh shares a kind's odds among its instances. A wrong unit that all outputs
// have is as likely as all those that one alone has.
func weigh(all []fault) {
	count := map[Kind]float64{}
	wide := func(f fault) bool { return f.kind == DelayUnit && f.output < 0 }
	for _, f := range all {
		if !wide(f) {
			count[f.kind]++
		}
	}
	for i := range all {
		f := &all[i]
		share := count[f.kind]
		if f.kind == DelayUnit {
			share *= 2
		}
		if wide(*f) {
			share = 2 * float64(len(unitFactors()))
		}
		f.logPrior = math.Log(f.kind.odds() / share)
	}
}

// excludes reports whether two faults make no sense together.
func (f fault) excludes(g fault) bool {
	if f.kind == g.kind && f.output < 0 && f.source == g.source && f.mic == g.mic {
		return true // the same, or another size of it
	}
	if f.kind == DelayUnit && g.kind == DelayUnit {
		return f.output < 0 || g.output < 0 || f.output == g.output
	}
	touches := func(a, b int) bool { return a >= 0 && a == b }
	same := touches(f.output, g.output) || touches(f.output, g.other) || touches(f.other, g.output) || touches(f.other, g.other)
	if !same {
		return false
	}
	timed := func(k Kind) bool { return k == Delay || k == DelayUnit }
	switch {
	case f.kind == g.kind, f.kind == Dead, g.kind == Dead, timed(f.kind) && timed(g.kind):
		return true
	}
	return false
}

// upon makes a rig with the fault of a rig without it.
func (f fault) upon(m *model.Model, r model.Rig) model.Rig {
	r = r.Clone()
	switch f.kind {
	case Polarity:
		r.Amplitude[f.output] *= -1
	case Dead:
		r.Amplitude[f.output] = 0
	case Swapped:
		for s, k := range r.Feeds {
			switch k {
			case f.output:
				r.Feeds[s] = f.other
			case f.other:
				r.Feeds[s] = f.output
			}
		}
	case Delay:
		r.Late[f.output], r.Doubted[f.output] = true, true
		r.Sigma[m.Delay(f.output)] = astraySec
	case DelayUnit:
		for k := range r.DelaySec {
			if f.output < 0 || f.output == k {
				r.DelaySec[k] *= f.amount
			}
		}
	case Exchanged:
		r.Exchanged = true
	case Inverted:
		r.Inverted = true
	case Unexplained:
		r.Error = f.amount
	default:
		f.loosen(m, r)
	}
	return r
}

// loosen lets quantities be further off than the tolerance.
func (f fault) loosen(m *model.Model, r model.Rig) {
	switch f.kind {
	case Level:
		r.Doubted[f.output] = true
		r.Sigma[m.Level(f.output)] = astrayDB
	case Position:
		r.Doubted[r.Feeds[f.source]] = true
		r.Sigma[m.SourceX(f.source)], r.Sigma[m.SourceY(f.source)] = astrayM, astrayM
	case Misplaced:
		r.Sigma[m.MicrophoneX(f.mic)], r.Sigma[m.MicrophoneY(f.mic)] = astrayMicM, astrayMicM
	case Temperature:
		r.Sigma[m.Warmer()] = astrayKelvin
	case Limiter:
		r.Sigma[m.Limiter()] = astrayLimitDB
	case Reference:
		for degree := range model.Degrees {
			r.Sigma[m.CommonLevel(degree)] = sharedDB
			if degree > 0 {
				r.Sigma[m.CommonPhase(degree)] = sharedRad
			}
		}
	}
}

// starts are the places that the fault's quantities are looked for from: the
// most probable is nearest to one of them.
func (f fault) starts(m *model.Model) [][]model.Push {
	around := func(x, y int, by float64) [][]model.Push {
		all := [][]model.Push{nil}
		for _, v := range []float64{-by, by} {
			all = append(all, []model.Push{{At: x, By: v}}, []model.Push{{At: y, By: v}})
		}
		return all
	}
	switch f.kind {
	case Position:
		return around(m.SourceX(f.source), m.SourceY(f.source), astrayM)
	case Misplaced:
		return around(m.MicrophoneX(f.mic), m.MicrophoneY(f.mic), astrayMicM)
	case Temperature:
		return [][]model.Push{nil, {{At: m.Warmer(), By: -astrayKelvin}}, {{At: m.Warmer(), By: astrayKelvin}}}
	case Limiter:
		return [][]model.Push{{{At: m.Limiter(), By: 2}}}
	}
	return [][]model.Push{nil}
}

// holds reports whether a fault's quantities came out as the fault would have them.
func (f fault) holds(m *model.Model, r model.Result) bool {
	return f.kind != Limiter || r.Theta[m.Limiter()] > 0
}

// quantities are where the fault's own stand in the vector.
func (f fault) quantities(m *model.Model) []int {
	switch f.kind {
	case Delay:
		return []int{m.Delay(f.output)}
	case Level:
		return []int{m.Level(f.output)}
	case Position:
		return []int{m.SourceX(f.source), m.SourceY(f.source)}
	case Misplaced:
		return []int{m.MicrophoneX(f.mic), m.MicrophoneY(f.mic)}
	case Temperature:
		return []int{m.Warmer()}
	case Limiter:
		return []int{m.Limiter()}
	case Reference:
		var all []int
		for degree := range model.Degrees {
			all = append(all, m.CommonLevel(degree), m.CommonPhase(degree))
		}
		return all
	}
	return nil
}
