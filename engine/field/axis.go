package field

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
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

// add adds the pressure of paths to p, frequency by frequency, path by path.
// Paths without a pattern go two at a time: the turns of one wait for each
// other, those of two fill each other's gaps.
func (a axis) add(p []complex128, ways []path) {
	for _, r := range a.runs {
		p := p[r.from:r.to]
		for i := 0; i < len(ways); i++ {
			z, turn := ways[i].start(a.freqHz[r.from], r)
			switch {
			case ways[i].pattern != nil:
				addShaped(p, z, turn, r.from, &ways[i])
			case i+1 < len(ways) && ways[i+1].pattern == nil:
				i++
				z2, turn2 := ways[i].start(a.freqHz[r.from], r)
				addTwo(p, z, turn, z2, turn2)
			default:
				addTwo(p, z, turn, 0, 0)
			}
		}
	}
}

// start is a path's phasor at the first frequency of a run, and its turn from
// each to the next.
func (w *path) start(firstHz float64, r run) (z, turn complex128) {
	z = cmplx.Rect(w.amplitude, -2*math.Pi*firstHz*w.sec)
	if r.stepHz == 0 {
		return z, 1
	}
	return z, cmplx.Rect(1, -2*math.Pi*r.stepHz*w.sec)
}

func addTwo(p []complex128, z, turn, z2, turn2 complex128) {
	for i := range p {
		p[i] = p[i] + z + z2
		z *= turn
		z2 *= turn2
	}
}

func addShaped(p []complex128, z, turn complex128, first int, way *path) {
	j, part := way.pattern.between(way.angle)
	for i := range p {
		p[i] += z * complex(way.pattern.ratio(first+i, j, part), 0)
		z *= turn
	}
}
