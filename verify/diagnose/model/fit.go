package model

import (
	"math"
	"math/cmplx"
)

// Result is a hypothesis with the quantities that make the captures most
// probable.
type Result struct {
	Rig   Rig
	Theta []float64 // as Layout has it
	LogZ  float64   // logarithm of the captures' probability density, all quantities integrated out
	Chi2  float64   // misfit against noise and model error, about one for each value captured

	fit *fit
}

// Push starts a quantity somewhere else than at 0.
type Push struct {
	At int
	By float64
}

// fit is one hypothesis on its way.
type fit struct {
	m      *Model
	r      Rig
	takes  []take
	scale  [][]float64 // by take and line: 1 over the variance
	theta  []float64
	centre []float64 // of the priors: 0 but for the channels, which have none to speak of
	active []int     // the quantities that are not held
	index  []int     // by quantity: its place in active, or len(active)
	near   [][2]*local

	sound   [][2][]complex128 // by source and microphone place: with its output's setting
	channel [2][]complex128   // by channel
	logDet  float64           // of the curvature where the last step set out
	scratch part              // of linear
}

// Fit finds the most probable quantities from each start in a few steps.
func (m *Model) Fit(r Rig, starts [][]Push) (Result, error) {
	var best *fit
	least := math.Inf(1)
	for _, pushes := range starts {
		f := m.open(r)
		if err := f.begin(pushes); err != nil {
			return Result{}, err
		}
		if loss := f.descend(1); best == nil || loss < least {
			best, least = f, loss
		}
	}
	best.descend(1)
	return best.result(), nil
}

// Glance is Fit without a step: the quantities stay where they start, but for
// the channels.
func (m *Model) Glance(r Rig) (Result, error) {
	f := m.open(r)
	if err := f.begin(nil); err != nil {
		return Result{}, err
	}
	return f.result(), nil
}

// Penalty is half the squares of the quantities, each over its standard
// deviation; Loss adds half of Chi2.
func (r Result) Penalty() float64 { return r.fit.penalty() }
func (r Result) Loss() float64    { return r.fit.loss() }

// Settle goes on from a result until nothing moves any more.
func (r Result) Settle() (Result, error) {
	if err := r.fit.settle(coarse); err != nil {
		return Result{}, err
	}
	return r.fit.result(), nil
}

// Refine does the same with the field taken closer by.
func (r Result) Refine() (Result, error) {
	if err := r.fit.settle(fine); err != nil {
		return Result{}, err
	}
	return r.fit.result(), nil
}

func (m *Model) open(r Rig) *fit {
	f := &fit{m: m, r: r, takes: m.takes[0], theta: make([]float64, m.Size()), centre: make([]float64, m.Size())}
	if r.Inverted {
		f.takes = m.takes[1]
	}
	f.index = make([]int, m.Size())
	for p, sigma := range r.Sigma {
		f.index[p] = -1
		if sigma > 0 {
			f.index[p] = len(f.active)
			f.active = append(f.active, p)
		}
	}
	for p := range f.index {
		if f.index[p] < 0 {
			f.index[p] = len(f.active)
		}
	}
	f.scale = make([][]float64, len(f.takes))
	for i := range f.takes {
		t := &f.takes[i]
		f.scale[i] = make([]float64, len(t.h))
		for j := range t.h {
			f.scale[i][j] = 1 / (t.noise2[j] + r.Error*r.Error*t.size2[j])
		}
	}
	n := len(m.FreqHz)
	f.sound = make([][2][]complex128, m.Sources)
	for s := range f.sound {
		f.sound[s] = [2][]complex128{make([]complex128, n), make([]complex128, n)}
	}
	f.channel = [2][]complex128{make([]complex128, n), make([]complex128, n)}
	return f
}

// begin pushes quantities to where they start and finds the channels, which
// can be anything, and late outputs' delays, which may be many periods.
func (f *fit) begin(pushes []Push) error {
	for _, p := range pushes {
		f.theta[p.At] = p.By
	}
	f.near = make([][2]*local, f.m.Sources)
	if err := f.survey(coarse); err != nil {
		return err
	}
	f.compute()
	for mic := range f.channel {
		f.startChannel(mic)
	}
	f.compute()
	for k, late := range f.r.Late {
		if late {
			f.theta[f.m.Delay(k)] += f.lateness(k)
		}
	}
	f.compute()
	return nil
}

// How far coordinates may go from where a local was taken: on the way, and in
// the end, where an echo's dip may lie near a microphone.
var (
	coarse = [geometry]float64{0.25, 0.25, 0.25, 0.25, 3}
	fine   = [geometry]float64{0.02, 0.02, 0.02, 0.02, 0.5}
)

// survey takes fresh locals where coordinates have gone too far from the last ones.
func (f *fit) survey(limit [geometry]float64) error {
	for s := range f.near {
		for mic := range f.near[s] {
			at, last := f.m.coordinates(f.theta, s, mic), f.near[s][mic]
			if last == nil {
				last = f.m.home(s, mic)
			}
			for c := range at {
				if math.Abs(at[c]-last.at[c]) > limit[c] {
					last = nil
					break
				}
			}
			if last == nil {
				var err error
				if last, err = f.m.around(s, mic, at); err != nil {
					return err
				}
			}
			f.near[s][mic] = last
		}
	}
	return nil
}

// compute fills sound and channel for the vector as it is.
func (f *fit) compute() {
	m := f.m
	for s, k := range f.r.Feeds {
		amplitude := complex(f.r.Amplitude[k]*math.Exp((f.theta[m.SourceLevel(s)]+f.theta[m.Level(k)])/neper), 0)
		sec := f.r.DelaySec[k] + f.theta[m.Delay(k)]
		for mic := range f.channel {
			at := m.coordinates(f.theta, s, mic)
			for i, w := range m.omega {
				f.sound[s][mic][i] = amplitude * f.near[s][mic].value(&at, i) * cmplx.Rect(1, -w*sec)
			}
		}
	}
	for mic := range f.channel {
		at := m.channel(mic)
		for i, w := range m.omega {
			level, phase := f.theta[at], f.theta[at+1]-w*f.theta[at+2]
			for n := range Degrees {
				level += f.theta[m.CommonLevel(n)] / neper * m.basis[n][i]
				phase += f.theta[m.CommonPhase(n)] * m.basis[n][i]
			}
			f.channel[mic][i] = cmplx.Rect(math.Exp(level), phase)
		}
	}
}

// place is where a take's microphone really stands.
func (f *fit) place(t *take) int {
	if f.r.Exchanged {
		return 1 - t.mic
	}
	return t.mic
}

// heard is what a take's open outputs do on a line before the channel.
func (f *fit) heard(t *take, i int) (sum complex128) {
	mic := f.place(t)
	for s, k := range f.r.Feeds {
		if t.open[k] {
			sum += f.sound[s][mic][i]
		}
	}
	return sum
}

// held is how much of what is heard the limiter lets through.
func (f *fit) held(t *take) complex128 {
	if !t.everything {
		return 1
	}
	return complex(math.Exp(-f.theta[f.m.Limiter()]/neper), 0)
}

// loss is half the misfit and half the squares of the quantities, each over its
// standard deviation.
func (f *fit) loss() float64 { return f.chi2()/2 + f.penalty() }

func (f *fit) penalty() (sum float64) {
	for _, p := range f.active {
		z := (f.theta[p] - f.centre[p]) / f.r.Sigma[p]
		sum += z * z
	}
	return sum / 2
}

func (f *fit) chi2() (sum float64) {
	for i := range f.takes {
		t := &f.takes[i]
		held := f.held(t)
		for j, h := range t.h {
			sum += f.scale[i][j] * power(h-f.channel[t.mic][j]*held*f.heard(t, j))
		}
	}
	return sum
}

// descend takes up to so many steps, each the one that Gauss and Newton would
// or a shorter one (Levenberg), while they help.
func (f *fit) descend(steps int) float64 {
	loss, damping := f.loss(), 0.0
	for range steps {
		a, b := f.linear()
		before, was := loss, append([]float64(nil), f.theta...)
		for range 6 {
			step, logDet, ok := solve(a, b, damping)
			if ok {
				if damping == 0 {
					f.logDet = logDet
				}
				f.move(was, step)
				f.compute()
				if loss = f.loss(); loss <= before {
					break
				}
			}
			damping = math.Max(1e-2, 10*damping)
		}
		damping /= 10
		if !(loss <= before) {
			copy(f.theta, was)
			f.compute()
			return before
		}
		if before-loss < 1e-3 {
			break
		}
	}
	return loss
}

// furthest is how many standard deviations from the centre of its prior a
// quantity may go: a rig that needs more is another rig.
const furthest = 5

// move takes a step, in standard deviations of each active quantity.
func (f *fit) move(from, step []float64) {
	for i, p := range f.active {
		reach := furthest * f.r.Sigma[p]
		f.theta[p] = math.Max(f.centre[p]-reach, math.Min(f.centre[p]+reach, from[p]+step[i]*f.r.Sigma[p]))
	}
}

// settle descends until nothing moves any more, with fresh locals on the way.
func (f *fit) settle(limit [geometry]float64) error {
	before := f.descend(8)
	for range 4 {
		if err := f.survey(limit); err != nil {
			return err
		}
		f.compute()
		loss := f.descend(8)
		if math.Abs(loss-before) < 1e-2 {
			return nil
		}
		before = loss
	}
	return nil
}

// result integrates over the quantities: with the prior's deviations as units,
// the curvature at the top is a, and the integral exp(-loss)/√det a.
func (f *fit) result() Result {
	logZ := -f.loss() - f.logDet/2
	for i := range f.takes {
		logZ += f.takes[i].log
		for _, s := range f.scale[i] {
			logZ += math.Log(s)
		}
	}
	return Result{Rig: f.r, Theta: f.theta, LogZ: logZ, Chi2: f.chi2(), fit: f}
}
