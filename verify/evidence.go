package verify

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
)

// pair is what the two microphones measured in one mute state.
type pair struct{ front, rear *Capture }

func (p *pair) at(role engine.Role) **Capture {
	if role == engine.RoleRear {
		return &p.rear
	}
	return &p.front
}

// evidence is the captures in order, checked, on one axis.
type evidence struct {
	site       engine.Site
	prediction engine.Prediction
	freq       []float64
	inRange    []int // indices into freq that lie in the operating range
	everything pair
	solos      []pair // by place in site.Outputs
}

// gather sorts the captures. What is missing comes back in words, everything
// else that is wrong as an error.
func gather(site engine.Site, prediction engine.Prediction, captures []Capture) (*evidence, []string, error) {
	e := &evidence{site: site, prediction: prediction, solos: make([]pair, len(site.Outputs))}
	for i := range captures {
		c := &captures[i]
		if err := e.enter(c, &captures[0]); err != nil {
			return nil, nil, fmt.Errorf("capture of %s: %w", e.subject(c.Solo, c.Role), err)
		}
	}
	if missing := e.missing(); len(missing) > 0 {
		return nil, missing, nil
	}
	e.freq = e.everything.front.Function.FreqHz
	for i, f := range e.freq {
		if site.Target.Range.Contains(f) {
			e.inRange = append(e.inRange, i)
		}
	}
	if len(e.inRange) == 0 {
		return nil, nil, fmt.Errorf("captures: no frequency inside the operating range %g to %g Hz", site.Target.Range.LowHz, site.Target.Range.HighHz)
	}
	return e, nil, nil
}

// enter checks a capture, by itself and against the first, and puts it in its place.
func (e *evidence) enter(c, first *Capture) error {
	if c.SheetDigest != first.SheetDigest {
		return fmt.Errorf("taken under sheet %.8s, others under sheet %.8s: measure again", c.SheetDigest, first.SheetDigest)
	}
	if err := check(c); err != nil {
		return err
	}
	if !slices.Equal(c.Function.FreqHz, first.Function.FreqHz) {
		return errors.New("its frequencies differ from the other captures'")
	}
	place := &e.everything
	if c.Solo != Everything {
		i := slices.IndexFunc(e.site.Outputs, func(o engine.Output) bool { return o.Number == c.Solo })
		if i < 0 {
			return errors.New("the site has no such output")
		}
		place = &e.solos[i]
	}
	if c.Role != engine.RoleFront && c.Role != engine.RoleRear {
		return fmt.Errorf("microphone role %q, want %q or %q", c.Role, engine.RoleFront, engine.RoleRear)
	}
	slot := place.at(c.Role)
	if *slot != nil {
		return errors.New("it is there twice")
	}
	*slot = c
	return nil
}

// check refuses a function that no estimate can have made.
func check(c *Capture) error {
	f := c.Function
	n := len(f.FreqHz)
	if n < 3 || len(f.H) != n || len(f.Sigma) != n || len(f.Coherence) != n {
		return fmt.Errorf("%d frequencies with %d values, %d errors and %d coherences, want as many of each and at least 3", n, len(f.H), len(f.Sigma), len(f.Coherence))
	}
	if !(f.Averages > 1) || math.IsInf(f.Averages, 0) {
		return fmt.Errorf("%g averages, want more than 1", f.Averages)
	}
	for i, h := range f.H {
		if cmplx.IsNaN(h) || cmplx.IsInf(h) || !(f.Sigma[i] >= 0) || math.IsInf(f.Sigma[i], 0) {
			return fmt.Errorf("at %g Hz: value %v with error %g, want finite numbers", f.FreqHz[i], h, f.Sigma[i])
		}
		if i > 0 && !(f.FreqHz[i] > f.FreqHz[i-1]) {
			return fmt.Errorf("frequency %g Hz after %g Hz, want them ascending", f.FreqHz[i], f.FreqHz[i-1])
		}
	}
	return nil
}

// missing names the mute states that nobody captured.
func (e *evidence) missing() []string {
	var words []string
	look := func(p pair, solo int) {
		for _, role := range []engine.Role{engine.RoleFront, engine.RoleRear} {
			if *p.at(role) == nil {
				words = append(words, e.subject(solo, role))
			}
		}
	}
	look(e.everything, Everything)
	for i, o := range e.site.Outputs {
		look(e.solos[i], o.Number)
	}
	return words
}

// subject is a capture in words: "output 3 (centre front) alone at the rear microphone".
func (e *evidence) subject(solo int, role engine.Role) string {
	if solo == Everything {
		return fmt.Sprintf("everything open at the %s microphone", role)
	}
	output, _ := e.site.Output(solo)
	output.Number = solo
	return fmt.Sprintf("%s alone at the %s microphone", title(output), role)
}

func title(o engine.Output) string {
	if o.Label == "" {
		return fmt.Sprintf("output %d", o.Number)
	}
	return fmt.Sprintf("output %d (%s)", o.Number, o.Label)
}

// all lists every capture of one microphone, the mute state with everything
// open first.
func (e *evidence) all(role engine.Role) []*Capture {
	list := []*Capture{*e.everything.at(role)}
	for i := range e.solos {
		list = append(list, *e.solos[i].at(role))
	}
	return list
}

// curve is a capture's H on the axis.
func (e *evidence) curve(c *Capture) engine.Curve {
	return engine.Curve{FreqHz: e.freq, P: c.Function.H}
}

// coherent is what the solos in front would sum to if all arrived in phase.
func (e *evidence) coherent() []float64 {
	sum := make([]float64, len(e.freq))
	for _, p := range e.solos {
		for i, h := range p.front.Function.H {
			sum[i] += cmplx.Abs(h)
		}
	}
	return sum
}

// predicted is what an output should do alone at a microphone, at the
// frequencies inRange and with the same delay taken out as from the capture.
func (e *evidence) predicted(c *Capture) ([]complex128, error) {
	i := slices.IndexFunc(e.prediction.Solos, func(s engine.Solo) bool { return s.Output == c.Solo })
	if i < 0 {
		return nil, fmt.Errorf("prediction: nothing for %s", e.subject(c.Solo, c.Role))
	}
	curve := e.prediction.Solos[i].Front
	if c.Role == engine.RoleRear {
		curve = e.prediction.Solos[i].Rear
	}
	curve = curve.Advance(c.DelaySec)
	values := make([]complex128, len(e.inRange))
	for k, i := range e.inRange {
		const near = 1e-6 // Hz; the same line computed in two ways
		j, _ := slices.BinarySearch(curve.FreqHz, e.freq[i]-near)
		if j == len(curve.FreqHz) || curve.FreqHz[j] > e.freq[i]+near || curve.P[j] == 0 {
			return nil, fmt.Errorf("prediction: no level at %g Hz for %s", e.freq[i], e.subject(c.Solo, c.Role))
		}
		values[k] = curve.P[j]
	}
	return values, nil
}
