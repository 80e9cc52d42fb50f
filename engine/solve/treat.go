package solve

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
)

// treat solves one part by itself, exactly.
func (p part) treat(gains engine.Grid) (array, error) {
	a, err := arrange(p.site)
	if err != nil {
		return array{}, err
	}
	if p.treatment == engine.TreatPlain {
		if len(a.arrives) == 2 {
			a.shift(rear, a.arrives[rear]-a.arrives[front]) // takes back what aligning put between the rows
		}
		err = a.loudest(gains)
		return a, err
	}
	if err := a.match(gains); err != nil {
		return array{}, err
	}
	switch p.treatment {
	case engine.TreatNull:
		return choose(p.site, a)
	case engine.TreatEndFire:
		return a, nil // the rows arrive together in front as they were arranged
	case engine.TreatGradient:
		err = a.reverse(p.site)
		return a, err
	}
	return array{}, fmt.Errorf("unknown treatment %q", p.treatment)
}

// reverse turns the rear row round and makes it arrive behind together with
// the front row. What arrives together cancels at every frequency.
func (a *array) reverse(site engine.Site) error {
	mic, err := microphone(site, engine.RoleRear)
	if err != nil {
		return err
	}
	var at [2]float64
	for row := range at {
		if at[row], err = arrival(site, a.keep(func(ch channel) bool { return ch.row == row }), mic); err != nil {
			return err
		}
	}
	a.shift(rear, at[front]-at[rear])
	a.turn(rear, -1)
	return nil
}

// candidates are two copies of the array, the rear row of normal and of
// reversed polarity, each with the delay between the rows that cancels behind
// and is nearest to both arriving together in front.
func (a array) candidates() []array {
	var found []array
	for _, polarity := range []int{1, -1} {
		c := a
		c.channels = slices.Clone(a.channels)
		c.turn(rear, polarity)
		opposite := -a.behind(front) * complex(float64(polarity), 0) / a.behind(rear)
		c.shift(rear, -cmplx.Phase(opposite)/(2*math.Pi*a.hz))
		found = append(found, c)
	}
	return found
}
