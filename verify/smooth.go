package verify

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// smooth.go reads a noisy curve between and at its lines by all lines around, as
// the error of many is less than that of any. How far around is decided by the
// measurement itself, never by the prediction, which is what is to be tested.

const (
	// fitSpanHz is how far lines may be from where the curve is read. Arrivals
	// within 10 ms of each other leave a polynomial of degree 4 over that far
	// either way less than a thousandth of themselves to miss.
	fitSpanHz = 25
	fitDegree = 4
)

// fit is a polynomial through some lines of a curve by least squares, read at one
// frequency: a sum of the lines' values, so that their errors go through to it as
// plainly.
type fit struct {
	first   int
	weights []float64
	value   complex128
	sigma   float64 // standard error of the value's parts
	degrees float64 // of freedom that sigma has
	unsure  float64 // what two further degrees of the polynomial would change
}

// values are a curve at some frequencies with the standard errors of their parts.
type values struct {
	freq    []float64
	z       []complex128
	sigma   []float64
	degrees float64 // of freedom of each sigma
	tied    bool    // neighbours may err together
}

// read chooses the fit for a frequency: of those of degree 4 through the lines
// within fitSpanHz or fewer of them, and the parabola through three, the surest.
func (v values) read(f float64) fit {
	best := v.parabola(f)
	if v.tied {
		return best
	}
	first, last := window(v.freq, f)
	for ; last-first >= fitDegree+5; first, last = narrower(v.freq, f, first, last) {
		if p := v.leastSquares(first, last, f); p.radius(doubt) < best.radius(doubt) {
			best = p
		}
	}
	return best
}

// echo is the variance that a part of the true curve may have beside the polynomial
// for all that is left over, in squares of a line's standard error, where so many
// values were. An echo that comes much later than the rest makes such a comb, and a
// small one is hardly seen below the noise, so what noise alone would leave counts
// as one standard deviation less than its mean, which is that of Student's t.
func (v values) echo(left float64, free int) float64 {
	expected := float64(free)
	if v.degrees > 2 {
		expected *= v.degrees / (v.degrees - 2)
	}
	return math.Max(0, left-expected+1.5*math.Sqrt(2*expected)) / float64(free)
}

// err fills in how far off the fit is. Independent errors add as squares do, and
// a sum of estimated squares has the more degrees of freedom the more of them
// count (F. E. Satterthwaite, Biometrics Bull. 2, 110-114, 1946).
func (p *fit) err(v values) {
	var squares, fourths, straight float64
	for k, w := range p.weights {
		each := math.Abs(w) * v.sigma[p.first+k]
		straight += each
		squares += each * each
		fourths += each * each * each * each
	}
	p.sigma, p.degrees = math.Sqrt(squares), v.degrees
	switch {
	case v.tied:
		p.sigma = straight
	case fourths > 0:
		p.degrees *= squares * squares / fourths
	}
}

// radius is how far around the fit's value the true one lies, in the plane.
func (p fit) radius(miss float64) float64 { return radius(p.degrees, miss)*p.sigma + p.unsure }

// below is how far beyond the fit's magnitude the true one does not lie, save for
// a chance of miss. Were it further out, the error would have to be larger in the
// one direction towards the middle, which Student's t tells.
func (p fit) below(miss float64) float64 {
	if math.IsInf(p.sigma, 1) {
		return p.sigma
	}
	return distuv.StudentsT{Sigma: 1, Nu: p.degrees}.Quantile(1-miss)*p.sigma + p.unsure
}

// window is the half-open run of lines within fitSpanHz of f.
func window(freq []float64, f float64) (first, last int) {
	for first < len(freq) && freq[first] < f-fitSpanHz {
		first++
	}
	for last = first; last < len(freq) && freq[last] <= f+fitSpanHz; {
		last++
	}
	return first, last
}

// narrower leaves out the two lines furthest from f.
func narrower(freq []float64, f float64, first, last int) (int, int) {
	for range 2 {
		if f-freq[first] > freq[last-1]-f {
			first++
		} else {
			last--
		}
	}
	return first, last
}

// parabola goes through the three lines around f exactly, Lagrange's formula.
func (v values) parabola(f float64) fit {
	freq, z := v.freq, v.z
	middle := 0
	for i, g := range freq {
		if math.Abs(g-f) < math.Abs(freq[middle]-f) {
			middle = i
		}
	}
	i := min(max(middle, 1), len(z)-2)
	a, b, c := freq[i-1], freq[i], freq[i+1]
	p := fit{first: i - 1, weights: []float64{
		(f - b) * (f - c) / ((a - b) * (a - c)), (f - a) * (f - c) / ((b - a) * (b - c)), (f - a) * (f - b) / ((c - a) * (c - b)),
	}}
	for k, w := range p.weights {
		p.value += complex(w, 0) * z[i-1+k]
	}
	p.err(v)
	if len(z) >= 5 {
		from := min(max(i-2, 0), len(z)-5)
		cubic := v.through(min(from+1, i-1), 4, f) // holds the parabola's lines, as all five do
		p.unsure = cmplx.Abs(cubic-p.value) + cmplx.Abs(v.through(from, 5, f)-cubic)
	}
	return p
}

// through is the polynomial through so many lines from the first on, at f, by
// Neville's scheme.
func (v values) through(first, count int, f float64) complex128 {
	freq, z := v.freq[first:first+count], slices.Clone(v.z[first:first+count])
	for step := 1; step < count; step++ {
		for k := range count - step {
			low, high := freq[k], freq[k+step]
			z[k] = (complex(f-high, 0)*z[k] + complex(low-f, 0)*z[k+1]) / complex(low-high, 0)
		}
	}
	return z[0]
}

// leastSquares fits by polynomials orthogonal on the lines (G. E. Forsythe, J.
// Soc. Indust. Appl. Math. 5, 74-88, 1957), which need no matrix. left is what the
// fit of degree 4 leaves over, in squares of the standard errors.
func (v values) leastSquares(first, last int, f float64) fit {
	var p fit
	freq, n := v.freq[first:last], last-first
	p.first, p.weights = first, make([]float64, n)
	rest := slices.Clone(v.z[first:last])
	before, now := make([]float64, n), make([]float64, n) // the polynomials on the lines,
	was, is := 0.0, 1.0                                   // and at f
	for k := range now {
		now[k] = 1
	}
	left, each, lastSquare := 0.0, 0.0, 1.0 // each: variance of a line's parts
	for _, s := range v.sigma[first:last] {
		each += s * s / float64(n)
	}
	for degree := range fitDegree + 3 {
		var square, moment float64
		var along complex128
		for k, at := range now {
			square += at * at
			moment += at * at * (freq[k] - f)
			along += complex(at, 0) * rest[k]
		}
		along /= complex(square, 0)
		if degree <= fitDegree {
			p.value += along * complex(is, 0)
			for k, at := range now {
				p.weights[k] += is * at / square
				rest[k] -= along * complex(at, 0)
			}
		} else {
			p.unsure += math.Max(0, cmplx.Abs(along)-math.Sqrt(2*each/square)) * math.Abs(is)
		}
		if degree == fitDegree {
			for k, r := range rest {
				left += (real(r)*real(r) + imag(r)*imag(r)) / (v.sigma[first+k] * v.sigma[first+k])
			}
		}
		shift, pull := moment/square, 0.0
		if degree > 0 {
			pull = square / lastSquare
		}
		lastSquare = square
		for k, at := range now {
			now[k], before[k] = (freq[k]-f-shift)*at-pull*before[k], at
		}
		is, was = -shift*is-pull*was, is
	}
	p.err(v)
	p.sigma = math.Sqrt(p.sigma*p.sigma + each*v.echo(left, 2*(n-fitDegree-1)))
	return p
}
