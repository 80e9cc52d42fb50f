package optimise

import (
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine/optimise/forms"
)

// decibel turns a natural logarithm of an energy into dB.
const decibel = 10 / math.Ln10

// floor is energy that is always counted behind, in parts of what the outputs
// send there one by one: nothing gets more than 120 dB quieter, as in
// everything else that is reported.
const floor = 1e-12

// task is a problem made ready. Responses are at each output's greatest gain,
// so that its amplitude lies between -1 and 1, the sign being the polarity.
type task struct {
	Problem
	at     []field
	top    []float64 // [output] amplitude at the greatest gain
	low    []float64 // [output] least amplitude in parts of that
	null   []complex128
	full   float64 // all outputs in phase at the null
	middle float64 // angular frequency that delays are measured by
	step   float64 // of the angular frequency where it is the same throughout, else 0
}

// field is one frequency of a task.
type field struct {
	omega                float64
	front                []complex128
	full                 float64    // all sources in front at full gain in phase
	quiet                forms.Rows // the mean: factor of the Gram matrix; the worst: the points
	gram                 forms.Rows // of the quiet points, without the scatter
	frontLoad, quietLoad []float64
	audience             forms.Rows
}

func prepare(p Problem) *task {
	t := &task{Problem: p}
	for _, out := range p.Outputs {
		t.top = append(t.top, amplitude(out.GainDB.Max))
		t.low = append(t.low, amplitude(out.GainDB.Min-out.GainDB.Max))
	}
	weight := t.shares()
	for f := range p.FreqHz {
		t.at = append(t.at, t.field(f, weight))
	}
	if p.Null != nil {
		t.null = t.scaled(p.Null.Rear)
		t.full = forms.Coherent(t.null)
	}
	t.pace()
	return t
}

// pace finds the middle of the frequencies and the step between them.
func (t *task) pace() {
	first, last := t.at[0].omega, t.at[len(t.at)-1].omega
	t.middle, t.step = (first+last)/2, 0
	n := len(t.at) - 1
	for f := range t.at {
		if math.Abs(t.at[f].omega-first-float64(f)*(last-first)/float64(max(1, n))) > 1e-12*last {
			return
		}
	}
	t.step = (last - first) / float64(max(1, n))
}

// thinned keeps as many of the frequencies, and of the points where each counts,
// as a search needs to tell good places from bad ones, both ends among them.
func (t *task) thinned() *task {
	const enough, enoughPoints = 11, 40
	n := len(t.at)
	thin := *t
	thin.at = nil
	for k := range min(n, enough) {
		at := t.at[k*(n-1)/max(1, min(n, enough)-1)]
		at.audience = at.audience.Some(enoughPoints)
		if t.Worst {
			at.quiet = at.quiet.Some(enoughPoints)
		} else {
			at.quiet = forms.Factor(at.gram, 1e-8) // right to 0.1 dB at a ratio of 60 dB
		}
		thin.at = append(thin.at, at)
	}
	thin.pace()
	return &thin
}

func amplitude(db float64) float64 { return math.Pow(10, db/20) }

func (t *task) outputs() int { return len(t.Outputs) }

// shares are the points' weights: together 1, or for the worst 1 on average.
func (t *task) shares() []float64 {
	weight := slices.Clone(t.QuietWeight)
	if weight == nil {
		weight = make([]float64, len(t.Quiet[0]))
		for i := range weight {
			weight[i] = 1
		}
	}
	var sum float64
	for _, v := range weight {
		sum += v
	}
	if t.Worst {
		sum /= float64(len(weight))
	}
	for i := range weight {
		weight[i] /= sum
	}
	return weight
}

func (t *task) scaled(row []complex128) []complex128 {
	out := make([]complex128, len(row))
	for i, v := range row {
		out[i] = v * complex(t.top[i], 0)
	}
	return out
}

func (t *task) field(f int, weight []float64) field {
	at := field{omega: 2 * math.Pi * t.FreqHz[f], front: t.scaled(t.Front[f])}
	at.full = forms.Coherent(at.front)
	if t.FullFront != nil {
		at.full = t.FullFront[f]
	}
	points := make([][]complex128, len(t.Quiet[f]))
	for i, row := range t.Quiet[f] {
		points[i] = t.scaled(row)
	}
	at.gram = forms.Gram(points, weight)
	if t.Worst {
		at.quiet.N = t.outputs()
		for i, row := range points {
			for j := range row {
				row[j] *= complex(math.Sqrt(weight[i]), 0)
			}
			at.quiet.Add(row)
		}
	} else {
		at.quiet = forms.Factor(at.gram, 1e-13) // less than the floor
	}
	at.audience.N = t.outputs()
	if t.EvennessDB > 0 {
		for _, row := range t.Audience[f] {
			at.audience.Add(t.scaled(row))
		}
	}
	at.frontLoad, at.quietLoad = t.loads(f, at.gram)
	return at
}

// loads are what each output's energy adds by itself in front and behind.
func (t *task) loads(f int, gram forms.Rows) (front, quiet []float64) {
	n := t.outputs()
	front, quiet = make([]float64, n), make([]float64, n)
	var trace float64
	for i := range n {
		trace += real(gram.At(i, i))
	}
	for i := range n {
		quiet[i] = floor * trace / float64(n)
		if t.FrontScatter != nil {
			front[i] += t.FrontScatter[f][i] * t.top[i] * t.top[i]
		}
		if t.QuietScatter != nil {
			quiet[i] += t.QuietScatter[f][i] * t.top[i] * t.top[i]
		}
	}
	return front, quiet
}

// dials is where all outputs stand.
type dials struct {
	delay     []float64 // s
	amplitude []float64 // of the greatest; negative is reversed
}

func (d dials) clone() dials { return dials{slices.Clone(d.delay), slices.Clone(d.amplitude)} }

// sums is what dials do, and room to reckon it in.
type sums struct {
	turn, weight    [][]complex128 // [frequency][output] e^{-jωτ}, and times the amplitude
	front           []complex128
	ahead, load     []float64 // energies: expected in front; behind from scatter and floor
	quiet, audience [][]complex128
	nullTurn        []complex128
	null            complex128
}

func (t *task) room() *sums {
	s := &sums{
		front: make([]complex128, len(t.at)), ahead: make([]float64, len(t.at)), load: make([]float64, len(t.at)),
		nullTurn: make([]complex128, t.outputs()),
	}
	for _, at := range t.at {
		s.turn = append(s.turn, make([]complex128, t.outputs()))
		s.weight = append(s.weight, make([]complex128, t.outputs()))
		s.quiet = append(s.quiet, make([]complex128, at.quiet.Count()))
		s.audience = append(s.audience, make([]complex128, at.audience.Count()))
	}
	return s
}

// play reckons what dials do.
func (t *task) play(d dials, s *sums) {
	t.turn(d, s)
	for f := range t.at {
		at, w := &t.at[f], s.weight[f]
		for i, turn := range s.turn[f] {
			a := d.amplitude[i]
			w[i] = complex(real(turn)*a, imag(turn)*a)
		}
		s.front[f] = forms.Dot(at.front, w)
		s.ahead[f], s.load[f] = forms.Energy(s.front[f]), 0
		for i, a := range d.amplitude {
			s.ahead[f] += at.frontLoad[i] * a * a
			s.load[f] += at.quietLoad[i] * a * a
		}
		at.quiet.Apply(w, s.quiet[f])
		at.audience.Apply(w, s.audience[f])
	}
	// Counted from the first output's delay: a price on a phase that all could
	// turn together would be paid by turning instead of by silence.
	s.null = 0
	for i, rear := range t.null {
		s.nullTurn[i] = cmplx.Rect(1, -2*math.Pi*t.Null.FreqHz*(d.delay[i]-d.delay[0]))
		s.null += rear * s.nullTurn[i] * complex(d.amplitude[i], 0)
	}
}

// turn is the delays as factors, by multiplication from frequency to frequency
// where these are equally far apart.
func (t *task) turn(d dials, s *sums) {
	for i, sec := range d.delay {
		next := cmplx.Rect(1, -t.step*sec)
		for f := range t.at {
			if f == 0 || t.step == 0 {
				s.turn[f][i] = cmplx.Rect(1, -t.at[f].omega*sec)
			} else {
				s.turn[f][i] = s.turn[f-1][i] * next
			}
		}
	}
}

// behind is the energy at the quiet points: their mean, or the loudest.
func (t *task) behind(s *sums, f int) float64 {
	var sum, most float64
	for _, v := range s.quiet[f] {
		e := forms.Energy(v)
		sum, most = sum+e, math.Max(most, e)
	}
	if t.Worst {
		return most + s.load[f]
	}
	return sum + s.load[f]
}

// does is what dials do.
func (t *task) does(d dials) Measures {
	s := t.room()
	t.play(d, s)
	return t.measures(s)
}

// measures reads the sums off.
func (t *task) measures(s *sums) Measures {
	var m Measures
	for f, at := range t.at {
		ratio := decibel * math.Log(s.ahead[f]/t.behind(s, f))
		m.RatioDB = append(m.RatioDB, ratio)
		m.CostDB = append(m.CostDB, at.cost(s.front[f]))
		m.Aim += ratio / float64(len(t.at))
		if t.EvennessDB > 0 {
			spread, _ := forms.Spread(s.audience[f])
			m.SpreadDB = append(m.SpreadDB, spread)
		}
	}
	if t.Worst {
		m.Aim = slices.Min(m.RatioDB)
	}
	if t.null != nil {
		m.NullDB = math.Max(-120, 2*decibel*math.Log(cmplx.Abs(s.null)/t.full))
	}
	return m
}

// cost is the headroom cost of a front sum, held to 120 dB.
func (at *field) cost(front complex128) float64 {
	return decibel * math.Log(at.full*at.full/math.Max(forms.Energy(front), floor*at.full*at.full))
}
