package tolerance

import (
	"fmt"
	"math/cmplx"
)

// effects lists what each cause does alone.
func (m model) effects() ([]Effect, error) {
	near, err := m.held()
	if err != nil {
		return nil, err
	}
	all := make([]Effect, len(m.causes))
	for i, c := range m.causes {
		e := Effect{Kind: c.kind, Of: c.of, Tolerance: c.tolerance, Round: m.round(c.kind)}
		if e.NullHzPerUnit, e.ResidualPerUnit, err = near.slopes(i); err == nil {
			e.AtToleranceDB, err = m.louder(i, e.Tolerance)
		}
		if err == nil {
			e.AtRoundDB, err = m.louder(i, e.Round)
		}
		if err != nil {
			return nil, fmt.Errorf("%s %s alone: %w", c.kind, c.of, err)
		}
		all[i] = e
	}
	return all, nil
}

// round is the size of an error that people think in.
func (m model) round(k Kind) float64 {
	switch k {
	case SourceLevel:
		return 1
	case Temperature:
		return 10
	case DelayStep:
		return m.stepSec
	}
	return 0.1
}

// small is the error that differences are taken over: far below what matters,
// far above what a float64 cannot tell.
func small(k Kind) float64 {
	switch k {
	case SourceLevel:
		return 1e-3
	case Temperature:
		return 1e-2
	case DelayStep:
		return 1e-7
	}
	return 1e-4
}

// alone is a rig on which one cause is off.
func (m model) alone(cause int, by float64) []float64 {
	errors := make([]float64, len(m.causes))
	errors[cause] = by
	return errors
}

// louder is rear over front at the target with one cause off by ±by.
func (m model) louder(cause int, by float64) (float64, error) {
	up, err := m.summary(m.alone(cause, by))
	if err != nil {
		return 0, err
	}
	down, err := m.summary(m.alone(cause, -by))
	return max(up.AtTargetDB, down.AtTargetDB), err
}

// held is the model with no line but its lowest left in the range. The null of
// a rig is read off a polynomial through the lines around its lowest, so it
// moves smoothly as long as that is the same line; between two lines it would
// jump a little, and a difference over a small error would make much of it.
func (m model) held() (model, error) {
	z, err := m.ratio(make([]float64, len(m.causes)), m.freqHz)
	if err != nil {
		return model{}, err
	}
	lowest, wanted := -1, m.site.Target.Range
	for i, f := range m.freqHz {
		if wanted.Contains(f) && (lowest < 0 || cmplx.Abs(z[i]) < cmplx.Abs(z[lowest])) {
			lowest = i
		}
	}
	const hair = 1e-9
	if lowest > 0 {
		wanted.LowHz = max(wanted.LowHz, m.freqHz[lowest-1]*(1+hair))
	}
	if lowest+1 < len(m.freqHz) {
		wanted.HighHz = min(wanted.HighHz, m.freqHz[lowest+1]*(1-hair))
	}
	m.site.Target.Range = wanted
	return m, nil
}

// slopes are how the null's frequency, and rear over front at the target, go
// with one cause.
func (m model) slopes(cause int) (nullHz float64, residual complex128, err error) {
	step := small(m.causes[cause].kind)
	for _, by := range []float64{step, -step} {
		errors := m.alone(cause, by)
		s, err := m.summary(errors)
		if err != nil {
			return 0, 0, err
		}
		z, err := m.ratio(errors, []float64{m.site.Target.NullHz})
		if err != nil {
			return 0, 0, err
		}
		nullHz += s.NullHz / (2 * by)
		residual += z[0] / complex(2*by, 0)
	}
	return nullHz, residual, nil
}

// ratio is rear over front.
func (m model) ratio(errors, freqHz []float64) ([]complex128, error) {
	front, rear, _, err := m.heard(errors, freqHz)
	if err != nil {
		return nil, err
	}
	z := make([]complex128, len(freqHz))
	for i := range z {
		z[i] = rear.P[i] / front.P[i]
	}
	return z, nil
}
