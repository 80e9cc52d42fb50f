package coverage

import (
	"fmt"
	"math"

	"hushback/engine/layout"
)

// Row is equal sources, the same in all directions, on the arc of layout.Row.
// A Delayed one stands in a straight line and has the arc by delay, as
// layout.Bend does it. Methods take the frequency in hertz and the speed of
// sound c in m/s; they answer NaN to what Check refuses.
type Row struct {
	Count    int
	SpacingM float64 // between neighbours, in a straight line
	ArcRad   float64 // between the outermost sources, 0 to MaxArcRad
	Delayed  bool
}

// MaxArcRad is the widest arc that is worked out, half a circle. Beyond it the
// outer sources look backwards.
const MaxArcRad = math.Pi

// Opening is the opening angle in radians, as in Opening; 2π: control is lost.
func (r Row) Opening(freqHz, c float64) float64 {
	if r.Check(freqHz, c) != nil {
		return math.NaN()
	}
	return r.beam(freqHz, c).opening(edgeDB)
}

// WidestArc is the arc at which control is lost, walking up from a straight row
// to MaxArcRad; ArcRad is not looked at. MaxArcRad and true: it holds that far,
// and who knows how much farther. 0 and false: it is lost already when the row
// is straight. On the way up the opening angle jumps to 2π where the dip
// beside the covered angle stops reaching 6 dB below the axis.
func (r Row) WidestArc(freqHz, c float64) (arcRad float64, controlled bool) {
	r.ArcRad = 0
	if r.Check(freqHz, c) != nil {
		return math.NaN(), false
	}
	arcs := r.arcs(freqHz, c, 2)
	turns := r.beam(freqHz, c).turns()
	reach := func(arcRad float64) float64 { // of the deepest dip, beyond the edge of coverage
		return -r.bent(arcRad).beam(freqHz, c).deepest(turns)
	}
	arcRad, lost := falls(arcs, each(arcs, reach), reach)
	if !lost {
		arcRad = MaxArcRad
	}
	return arcRad, arcRad > 0
}

// ArcFor is the gentlest arc up to MaxArcRad with which the row covers a wanted
// opening angle, more than 0 and less than 2π; ArcRad is not looked at. If there is
// none, the error says what can be had instead.
//
// The level at half the wanted angle against the level on the axis, as the arc
// grows, passes 6 dB down wherever that is an edge of coverage. The first place
// where no edge lies further in is the answer.
func (r Row) ArcFor(openingRad, freqHz, c float64) (float64, error) {
	r.ArcRad = 0
	if err := r.Check(freqHz, c); err != nil {
		return 0, err
	}
	if !(openingRad > 0 && openingRad < 2*math.Pi) {
		return 0, fmt.Errorf("row: got an opening of %.4g°, want more than 0° and less than 360°", degrees(openingRad))
	}
	opens := func(arcRad float64) bool {
		return math.Abs(r.bent(arcRad).Opening(freqHz, c)-openingRad) < 1e-7
	}
	excess := func(arcRad float64) float64 {
		b := r.bent(arcRad).beam(freqHz, c)
		return b.power(openingRad/2) - b.edgePower(edgeDB)
	}
	if opens(0) {
		return 0, nil
	}
	arcs := r.arcs(freqHz, c, 8)
	before := excess(0)
	for i := 1; i < len(arcs); i++ {
		here := excess(arcs[i])
		if (before > 0) != (here > 0) {
			if arc := root(excess, arcs[i-1], arcs[i], before, here); opens(arc) {
				return arc, nil
			}
		}
		before = here
	}
	return 0, r.unreachable(openingRad, freqHz, c)
}

// unreachable says which openings the row has instead of the wanted one.
func (r Row) unreachable(openingRad, freqHz, c float64) error {
	who := fmt.Sprintf("%d in a row %.4g m apart at %.4g Hz", r.Count, r.SpacingM, freqHz)
	widest, controlled := r.WidestArc(freqHz, c)
	if !controlled {
		return fmt.Errorf("%s have no control at any arc", who)
	}
	low, high := math.Inf(1), 0.0
	for _, arc := range append(r.arcs(freqHz, c, 2), widest*(1-1e-9)) {
		if o := r.bent(arc).Opening(freqHz, c); o < 2*math.Pi {
			low, high = math.Min(low, o), math.Max(high, o)
		}
	}
	const form = "%s open to %.1f° to %.1f°, depending on the arc%s; %.1f° cannot be had"
	but := ""
	if openingRad > low && openingRad < high {
		but = ", but not to every angle between"
	}
	return fmt.Errorf(form, who, degrees(low), degrees(high), but, degrees(openingRad))
}

// bent is the row on another arc.
func (r Row) bent(arcRad float64) Row {
	r.ArcRad = arcRad
	return r
}

// wavelengths is how long the row is when it is straight.
func (r Row) wavelengths(freqHz, c float64) float64 {
	return float64(r.Count-1) * r.SpacingM * freqHz / c
}

// arcs are the arcs to try, fine times as many as it takes. Bending a row of
// length L moves its ends by L/8 a radian, against its middle and against each
// other by twice that at most: the level anywhere ripples L/4λ times a radian.
func (r Row) arcs(freqHz, c, fine float64) []float64 {
	return steps(MaxArcRad, fine*r.wavelengths(freqHz, c)/4, int(32*fine))
}

// beam is a row at one frequency, as phases in radians: the right half of it,
// which the left half mirrors.
type beam struct {
	count       int
	ahead       []float64 // k·x, or the delay that does the same
	aside       []float64 // k·y
	delayed     bool
	wavelengths float64 // as of Row
}

func (r Row) beam(freqHz, c float64) beam {
	k := 2 * math.Pi * freqHz / c
	places := layout.Row(r.Count, r.SpacingM, r.ArcRad)[r.Count/2:]
	stand := places
	if r.Delayed {
		stand = layout.Row(r.Count, r.SpacingM, 0)[r.Count/2:]
	}
	b := beam{
		count: r.Count, delayed: r.Delayed, wavelengths: r.wavelengths(freqHz, c),
		ahead: make([]float64, len(places)), aside: make([]float64, len(places)),
	}
	for i := range places {
		b.ahead[i], b.aside[i] = k*places[i].X, k*stand[i].Y
	}
	return b
}

// power is the squared magnitude at an angle from the axis, 1 where all arrive
// in phase: |Σ e^{j(ahead·cos θ + aside·sin θ)}|²/N². A delay counts in all
// directions alike: its ahead has no cos θ.
func (b beam) power(turnRad float64) float64 {
	sin, cos := math.Sincos(turnRad)
	if b.delayed {
		cos = 1
	}
	var re, im float64
	for i, ahead := range b.ahead {
		pair := 2 * math.Cos(b.aside[i]*sin)
		if i == 0 && b.count%2 == 1 {
			pair = 1 // the one in the middle
		}
		s, c := math.Sincos(ahead * cos)
		re, im = re+pair*c, im+pair*s
	}
	n := float64(b.count)
	return (re*re + im*im) / (n * n)
}

// edgePower is the power that is levelDB against the axis.
func (b beam) edgePower(levelDB float64) float64 {
	return b.power(0) * math.Pow(10, levelDB/10)
}

// turns are the angles from the axis to straight behind to look at.
func (b beam) turns() []float64 { return steps(math.Pi, b.wavelengths, 32) }

func (b beam) opening(levelDB float64) float64 {
	edge := b.edgePower(levelDB)
	excess := func(turn float64) float64 { return b.power(turn) - edge }
	turns := b.turns()
	if half, ok := falls(turns, each(turns, excess), excess); ok {
		return 2 * half
	}
	return 2 * math.Pi
}

// deepest is how far the deepest dip of the pattern reaches below the edge of
// coverage, negative, or by how much it stays above.
func (b beam) deepest(turns []float64) float64 {
	edge := b.edgePower(edgeDB)
	excess := func(turn float64) float64 { return b.power(turn) - edge }
	_, low := bottom(turns, each(turns, excess), excess)
	return low
}
