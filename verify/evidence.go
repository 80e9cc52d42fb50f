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
	parts      []part  // what was heard by itself: each output, or else each row
	fits       []fit   // of rear over front at every frequency, once made (see smoothed)
	doubt      float64 // the chance that an interval misses the truth, for each claim
}

// part is what was heard alone: one output, or a row of them.
type part struct {
	pair
	name    string // "output 3", "rear row"
	title   string // "output 3 (centre front)", "the rear row"
	row     engine.Row
	outputs []int
}

// outputParts and rowParts are all that a site has, heard or not.
func outputParts(site engine.Site) []part {
	parts := make([]part, len(site.Outputs))
	for i, o := range site.Outputs {
		parts[i] = part{name: fmt.Sprintf("output %d", o.Number), title: o.Title(), outputs: []int{o.Number}}
		for _, row := range []engine.Row{engine.RowRear, engine.RowFront} {
			if slices.Contains(site.RowOutputs(row), o.Number) {
				parts[i].row = row
			}
		}
	}
	return parts
}

func rowParts(site engine.Site) []part {
	var parts []part
	for _, row := range []engine.Row{engine.RowRear, engine.RowFront} {
		if outputs := site.RowOutputs(row); len(outputs) > 0 {
			parts = append(parts, part{name: string(row) + " row", title: fmt.Sprintf("the %s row", row), row: row, outputs: outputs})
		}
	}
	return parts
}

// whole reports whether both microphones heard all of some parts.
func whole(parts []part) bool {
	return len(parts) > 0 && !slices.ContainsFunc(parts, func(p part) bool { return p.front == nil || p.rear == nil })
}

// begun reports whether a microphone heard any of some parts.
func begun(parts []part) bool {
	return slices.ContainsFunc(parts, func(p part) bool { return p.front != nil || p.rear != nil })
}

// gather sorts the captures. What is missing comes back in words, everything
// else that is wrong as an error.
func gather(site engine.Site, prediction engine.Prediction, captures []Capture) (*evidence, []string, error) {
	e := &evidence{site: site, prediction: prediction, doubt: doubt}
	outputs, rows := outputParts(site), rowParts(site)
	for i := range captures {
		c := &captures[i]
		if err := e.enter(c, &captures[0], outputs, rows); err != nil {
			return nil, nil, fmt.Errorf("capture of %s: %w", c.Subject(e.site), err)
		}
	}
	// Single outputs tell more than rows; what there is of both but not whole
	// counts for nothing.
	e.parts = outputs
	if !whole(outputs) && (whole(rows) || begun(rows) && !begun(outputs)) {
		e.parts = rows
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
func (e *evidence) enter(c, first *Capture, outputs, rows []part) error {
	if c.SheetDigest != first.SheetDigest {
		return fmt.Errorf("taken under sheet %.8s, others under sheet %.8s: measure again", c.SheetDigest, first.SheetDigest)
	}
	if err := c.Function.Check(); err != nil {
		return err
	}
	if n := c.Function.Averages; !(n > 1) || math.IsInf(n, 0) {
		return fmt.Errorf("%g averages, want more than 1", n)
	}
	if !slices.Equal(c.Function.FreqHz, first.Function.FreqHz) {
		return errors.New("its frequencies differ from the other captures'")
	}
	place := &e.everything
	switch {
	case c.Row != "":
		i := slices.IndexFunc(rows, func(p part) bool { return p.row == c.Row })
		if i < 0 || c.Solo != Everything {
			return errors.New("the site has no such row")
		}
		place = &rows[i].pair
	case c.Solo != Everything:
		i := slices.IndexFunc(outputs, func(p part) bool { return p.outputs[0] == c.Solo })
		if i < 0 {
			return errors.New("the site has no such output")
		}
		place = &outputs[i].pair
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

// missing names the mute states that nobody captured.
func (e *evidence) missing() []string {
	var words []string
	look := func(p pair, what string) {
		for _, role := range []engine.Role{engine.RoleFront, engine.RoleRear} {
			if *p.at(role) == nil {
				words = append(words, at(what, role))
			}
		}
	}
	look(e.everything, everythingOpen)
	for _, p := range e.parts {
		look(p.pair, p.title+" alone")
	}
	return words
}

const everythingOpen = "everything open"

func at(what string, role engine.Role) string {
	return fmt.Sprintf("%s at the %s microphone", what, role)
}

// all lists every capture of one microphone, the mute state with everything
// open first.
func (e *evidence) all(role engine.Role) []*Capture {
	list := []*Capture{*e.everything.at(role)}
	for i := range e.parts {
		list = append(list, *e.parts[i].at(role))
	}
	return list
}

// curve is a capture's H on the axis.
func (e *evidence) curve(c *Capture) engine.Curve {
	return engine.Curve{FreqHz: e.freq, P: c.Function.H}
}

// coherent is what the parts in front would sum to if all arrived in phase.
func (e *evidence) coherent() []float64 {
	sum := make([]float64, len(e.freq))
	for _, p := range e.parts {
		for i, h := range p.front.Function.H {
			sum[i] += cmplx.Abs(h)
		}
	}
	return sum
}

// predicted is what some outputs should do together at a microphone, at the
// frequencies inRange and with the same delay taken out as from the capture.
func (e *evidence) predicted(outputs []int, c *Capture) ([]complex128, error) {
	values := make([]complex128, len(e.inRange))
	for _, output := range outputs {
		i := slices.IndexFunc(e.prediction.Solos, func(s engine.Solo) bool { return s.Output == output })
		if i < 0 {
			return nil, fmt.Errorf("prediction: nothing for %s", c.Subject(e.site))
		}
		curve := e.prediction.Solos[i].Front
		if c.Role == engine.RoleRear {
			curve = e.prediction.Solos[i].Rear
		}
		curve = curve.Advance(c.DelaySec)
		for k, i := range e.inRange {
			const near = 1e-6 // Hz; the same line computed in two ways
			j, _ := slices.BinarySearch(curve.FreqHz, e.freq[i]-near)
			if j == len(curve.FreqHz) || curve.FreqHz[j] > e.freq[i]+near || curve.P[j] == 0 {
				return nil, fmt.Errorf("prediction: no level at %g Hz for %s", e.freq[i], c.Subject(e.site))
			}
			values[k] += curve.P[j]
		}
	}
	return values, nil
}
