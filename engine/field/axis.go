package field

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"hushback/engine"
)

// axis is the frequencies of one computation, cut into runs of equal steps.
//
// Along a run the phasor e^{-jωt} of a path is not computed anew: it is turned
// by e^{-jΔω·t} from each frequency to the next, four multiplications for a
// sine and a cosine. A turn rounds by about 2e-16 of the phasor, and a run ends
// after maxRun of them, so what piles up stays under 1e-14 however many
// frequencies there are. Frequencies without equal steps make short runs.
type axis struct {
	freqHz []float64
	runs   []run
}

// run is the frequencies from one index up to another, stepHz apart.
type run struct {
	from, to int
	stepHz   float64
}

const maxRun = 64

func newAxis(freqHz []float64) (axis, error) {
	if len(freqHz) == 0 {
		return axis{}, errors.New("got 0 frequencies, want at least one")
	}
	for i, f := range freqHz {
		if !(f > 0) || math.IsInf(f, 1) {
			return axis{}, fmt.Errorf("frequency %d of %d: got %g Hz, want more than 0", i+1, len(freqHz), f)
		}
	}
	a := axis{freqHz: freqHz}
	for from := 0; from < len(freqHz); {
		r := runFrom(freqHz, from)
		a.runs = append(a.runs, r)
		from = r.to
	}
	return a, nil
}

// runFrom is the longest run that starts at an index. Steps count as equal when
// what is between them is rounding: a phase ωt is not known better than that.
func runFrom(freqHz []float64, from int) run {
	const rounding = 1e-15
	r := run{from: from, to: from + 1}
	if r.to == len(freqHz) {
		return r
	}
	most := min(maxRun, len(freqHz)-from)
	for n := 2; n <= most; n++ {
		step := (freqHz[from+n-1] - freqHz[from]) / float64(n-1)
		if !even(freqHz[from:from+n], step, rounding) {
			break
		}
		r.to, r.stepHz = from+n, step
	}
	return r
}

func even(freqHz []float64, step, rounding float64) bool {
	for i, f := range freqHz {
		if math.Abs(freqHz[0]+float64(i)*step-f) > rounding*f {
			return false
		}
	}
	return true
}

// add adds the pressure of paths to p, frequency by frequency, each path in its
// turn. Paths without a pattern go four at a time: the turns of one wait for
// each other, those of four do not.
func (a axis) add(p []complex128, ways []path) {
	for _, r := range a.runs {
		p := p[r.from:r.to]
		for i := 0; i < len(ways); {
			switch {
			case ways[i].pattern != nil:
				a.addShaped(p, r, ways[i])
				i++
			case i+4 <= len(ways) && plain(ways[i:i+4]):
				add4(p, a.freqHz[r.from], r.stepHz, ways[i:i+4])
				i += 4
			default:
				add1(p, a.freqHz[r.from], r.stepHz, ways[i])
				i++
			}
		}
	}
}

func plain(ways []path) bool {
	for i := range ways {
		if ways[i].pattern != nil {
			return false
		}
	}
	return true
}

// start is a path's phasor at the first frequency of a run, and its turn to
// the next.
func (w *path) start(firstHz, stepHz float64, one bool) (z, turn complex128) {
	z = cmplx.Rect(w.amplitude, -2*math.Pi*firstHz*w.sec)
	if one {
		return z, 1
	}
	return z, cmplx.Rect(1, -2*math.Pi*stepHz*w.sec)
}

func add1(p []complex128, firstHz, stepHz float64, way path) {
	z, turn := way.start(firstHz, stepHz, len(p) == 1)
	for i := range p {
		p[i] += z
		z *= turn
	}
}

func add4(p []complex128, firstHz, stepHz float64, ways []path) {
	one := len(p) == 1
	z0, t0 := ways[0].start(firstHz, stepHz, one)
	z1, t1 := ways[1].start(firstHz, stepHz, one)
	z2, t2 := ways[2].start(firstHz, stepHz, one)
	z3, t3 := ways[3].start(firstHz, stepHz, one)
	for i := range p {
		p[i] = p[i] + z0 + z1 + z2 + z3
		z0 *= t0
		z1 *= t1
		z2 *= t2
		z3 *= t3
	}
}

func (a axis) addShaped(p []complex128, r run, way path) {
	z, turn := way.start(a.freqHz[r.from], r.stepHz, len(p) == 1)
	j, part := way.pattern.between(way.angle)
	for i := range p {
		p[i] += z * complex(way.pattern.ratio(r.from+i, j, part), 0)
		z *= turn
	}
}

// response is the pressure of some paths along the axis.
func (a axis) response(ways []path) engine.Curve {
	curve := engine.Curve{FreqHz: a.freqHz, P: make([]complex128, len(a.freqHz))}
	a.add(curve.P, ways)
	return curve
}
