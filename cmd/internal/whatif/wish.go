// Package whatif is what a person changes about an array with a finger, and what
// then comes out: measures of a site, the site with other measures, and its
// pictures for a phone with what they say in words and numbers.
//
// The package is pure: no I/O, no clock. The same wish gives the same picture.
package whatif

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/array"
	"hushback/engine/layout"
)

// Wish is what a site should be like. Of makes the wish that a site fulfils.
type Wish struct {
	Layout    string           // name of a Choice, "" for the array as it runs; Apply takes that one's site
	Treatment engine.Treatment // of the whole array; "" as the site has it

	TargetHz     float64 // of the null
	TemperatureC float64
	SideM        float64 // between neighbours of the front row, in a straight line, the mean; 0 for one source
	DepthM       float64 // from the front row's foremost point back to the rear row; 0 without one
	ArcRad       float64 // of the front row, on the ground or by delay; 0 is straight
}

// Of measures a site. Of a left and a right, or other parts that are set up alike,
// the measures are those of each.
func Of(site engine.Site) Wish {
	w := Wish{TargetHz: site.Target.NullHz, TemperatureC: site.Air.TemperatureC}
	parts := array.Of(site)
	if len(parts) == 0 {
		return w
	}
	a := parts[0]
	_, w.SideM = a.Spacing()
	if rear := a.Rear(); len(rear) > 0 {
		w.DepthM = -a.Along(a.Nearest(rear).At)
	}
	if w.ArcRad = a.ArcRad(); delayed(site, a) {
		w.ArcRad = soundingArc(len(a.Front), w.SideM, a.Delayed(site, speed(site)).SagM()-a.SagM())
	}
	return w
}

// delayed reports whether a row stands straight and is bent by its delays, by more
// than a millimetre of sound's way.
func delayed(site engine.Site, a array.Array) bool {
	return len(a.Front) > 2 && !a.Bent() && math.Abs(a.Delayed(site, speed(site)).SagM()-a.SagM()) > 1e-3
}

// soundingArc is the arc whose outermost cabinets stand so far back, up to half a
// circle: the further, the more it is bent.
func soundingArc(count int, sideM, sagM float64) float64 {
	low, high := 0.0, math.Pi
	for range 60 {
		middle := (low + high) / 2
		if -layout.Row(count, sideM, middle)[0].X < sagM {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

func speed(site engine.Site) float64 {
	c, _ := air.SoundSpeed(site.Air)
	return c
}

// Apply is the site with what the wish changes, and nothing else: a wish that is
// Of(site) changes nothing at all. Names, outputs, wiring, microphones and zones
// stay.
//
// Cabinets move on their array's own ground, about the middle of its front row and
// its foremost point, which stay. What stands straight behind a cabinet of the front
// row goes with it, so that columns stay columns; depth moves everything behind the
// front row as one. A left and a right, or other parts that are set up alike, change
// alike. A row that is bent by delay changes its delays instead of its places, and
// delays that stand for ways follow the speed of sound and the depth.
//
// Errors are one sentence: a measure outside its Control, or one that the site does
// not have, or what engine.Site.Problems has against the outcome.
func (w Wish) Apply(site engine.Site) (engine.Site, error) {
	was := Of(site)
	was.Layout = w.Layout
	if w == was {
		return site, nil
	}
	if err := w.within(site); err != nil {
		return engine.Site{}, err
	}
	next := site
	next.Target.NullHz, next.Air.TemperatureC = w.TargetHz, w.TemperatureC
	if w.Treatment != "" {
		next = treated(next, w.Treatment)
	}
	m := mover{from: site, site: next, was: was, wish: w, speed: speed(site)}
	if err := m.move(array.Of(site)); err != nil {
		return engine.Site{}, err
	}
	if got, want := len(array.Of(m.site)), len(array.Of(site)); got != want {
		return engine.Site{}, errors.New("this cannot be set up: the parts of the array would stand too near each other to be told apart")
	}
	if problems := m.site.Problems(); len(problems) > 0 {
		return engine.Site{}, fmt.Errorf("this cannot be set up: got %s, want %s", problems[0].Got, problems[0].Want)
	}
	return m.site, nil
}

// Treatments are those that a site can be given as a whole, in the order that they
// are offered in.
func Treatments(site engine.Site) []engine.Treatment {
	if !slices.ContainsFunc(site.Sources, func(s engine.Source) bool { return s.Row == engine.RowRear }) {
		return []engine.Treatment{engine.TreatPlain}
	}
	return []engine.Treatment{engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain}
}

// treated is the site with all its groups treated the same, by hand. Outputs without
// a group get one, for a treatment needs a name to hold to.
func treated(site engine.Site, t engine.Treatment) engine.Site {
	const unnamed = "array"
	site.Aim, site.Groups, site.Outputs = nil, nil, slices.Clone(site.Outputs)
	for i, o := range site.Outputs {
		site.Outputs[i].Group = cmp.Or(o.Group, unnamed)
	}
	for _, name := range array.Groups(site) {
		site.Groups = append(site.Groups, engine.Group{Name: name, Treatment: t})
	}
	return site
}

// within holds a wish to the controls of a site.
func (w Wish) within(site engine.Site) error {
	if can := Treatments(site); w.Treatment != "" && !slices.Contains(can, w.Treatment) {
		return fmt.Errorf("the treatment %q cannot be had here: choose among %v", w.Treatment, can)
	}
	was := Of(site)
	for _, c := range Controls(site) {
		d := dialOf(c.Key)
		v, before := *d.field(&w), *d.field(&was)
		switch shown := v * d.perUnit; {
		case v == before:
		case c.Missing != "":
			return fmt.Errorf("%s cannot be changed here: %s", lower(c.Label), c.Missing)
		case !(shown >= c.Low-1e-9 && shown <= c.High+1e-9):
			return fmt.Errorf("%s of %s is not within %s to %s: %s", lower(c.Label), c.Says(shown), c.print(c.Low), c.Says(c.High), c.Ends)
		}
	}
	return nil
}
