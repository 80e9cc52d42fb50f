package transfer

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/stat/distuv"
)

// LevelInterval is where the true level 20·lg|H| lies at line i, in percent of
// all measurements: above lowDB and below highDB, each missed equally often. Where
// the measurement cannot tell the signal from none, lowDB is -Inf; then highDB
// says how far down it is at least. Fewer than two averages, or no percentage
// between 0 and 100, tell nothing: -Inf to +Inf.
//
// The error of H is a normal one of unknown size, so H's real and imaginary part
// follow a bivariate Student's t with v = DegreesOfFreedom and scale Sigma. The
// ends are the true |H| for which an estimate as small, or as great, as this one
// has the chance (1-percent/100)/2, the chance of a disc under that t (see disc).
// At high signal-to-noise this is |H| ± t·Sigma, with t Student's; with no signal
// it is the exact F test of H = 0 with 2 and v degrees of freedom. (The
// noncentral F itself would be an interval for |H|/σ, not for |H|.) An estimate
// quieter than even noise would mostly be leaves no upper end; then it is the
// estimate itself.
func (f Function) LevelInterval(i int, percent float64) (lowDB, highDB float64) {
	t, ok := f.student(percent)
	if !ok {
		return math.Inf(-1), math.Inf(1)
	}
	r, s, v := cmplx.Abs(f.H[i]), f.Sigma[i], f.DegreesOfFreedom()
	if s == 0 || math.IsInf(r/s, 1) {
		return 20 * math.Log10(r), 20 * math.Log10(r)
	}
	q, miss := r/s, (1-percent/100)/2
	low, high := 0., q
	if mean := q - 1/(2*q); q > plain && q > 4*t {
		low, high = mean-t, mean+t // the mean of |H| is so much above the true one
	} else {
		if disc(q, 0, v) > 1-miss {
			low = root(0, q-t, func(h float64) float64 { return disc(q, h, v) - 1 + miss })
		}
		if disc(q, q, v) > miss {
			high = root(q, q+t, func(h float64) float64 { return disc(q, h, v) - miss })
		}
	}
	return 20 * math.Log10(math.Max(0, low)*s), 20 * math.Log10(high*s)
}

// plain is the |H| over Sigma from which on the curvature of a circle of constant
// level does not matter any more but in the mean.
const plain = 20

// PhaseInterval is where the true phase of H lies at line i, in percent of all
// measurements; it is symmetric about the phase of H, in radians, and its ends may
// lie beyond ±π.
//
// The component of H across the true direction, over Sigma, follows Student's t
// whatever the signal-to-noise, so half the interval's width is
// asin(t·Sigma/|H|). It would be right a little too seldom where it is wide, as
// the true direction may be the opposite one, and therefore becomes the whole
// circle, ±π, once |H| is less than 1.1·t·Sigma. With that 88 to 92 of 100 90 %
// intervals hold the truth from -20 dB for one average on (the figure 1.1 is our
// own, by simulation). Fewer than two averages are the whole circle too.
func (f Function) PhaseInterval(i int, percent float64) (lowRad, highRad float64) {
	const opposite = 1.1
	half, mid := math.Pi, cmplx.Phase(f.H[i])
	t, ok := f.student(percent)
	if reach, r := t*f.Sigma[i], cmplx.Abs(f.H[i]); ok && r > opposite*reach {
		half = math.Asin(reach / r)
	}
	return mid - half, mid + half
}

// student is how many Sigma the given percentage of errors in one direction lie
// within, on both sides.
func (f Function) student(percent float64) (t float64, ok bool) {
	if !(f.Averages >= minAverages) || !(percent > 0 && percent < 100) {
		return 0, false
	}
	law, below := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: f.DegreesOfFreedom()}, 0.5+percent/200
	t = distuv.UnitNormal.Quantile(below) // less than Student's; Newton climbs from there
	for range 100 {
		step := (below - law.CDF(t)) / law.Prob(t)
		if t += step; !(step > 1e-9*t) {
			break
		}
	}
	return t, true
}

// NoiseDB is the level of the noise of one average at line i, 10·lg(2·Sigma²·n),
// on the scale of H: 0 dB is as loud as the reference. It comes from what the
// microphone has beyond H times the reference, and so stays as it is when sources
// cancel. -Inf if there is none.
func (f Function) NoiseDB(i int) float64 {
	return 10 * math.Log10(2*f.Sigma[i]*f.Sigma[i]*f.Averages)
}

// SignalToNoiseDB is the level of H at line i above NoiseDB. A dead line, without
// signal and noise, has -Inf; one without noise +Inf.
//
// At a deep null it is low, as the coherence is, because the signal cancels and
// not because the measurement is bad. How good that is shows in the noise: set
// NoiseDB at the null against the level of one of the sources alone, and take
// the upper end of LevelInterval for how deep the null is at least.
func (f Function) SignalToNoiseDB(i int) float64 {
	if f.H[i] == 0 {
		return math.Inf(-1)
	}
	return 20*math.Log10(cmplx.Abs(f.H[i])) - f.NoiseDB(i)
}

// disc is the chance that a bivariate Student's t with v degrees of freedom,
// scale 1, about a point h away from the middle, lies within a circle of radius q
// about the middle. The chance of lying further than ρ from its own centre is
// (1+ρ²/v)^(-v/2), so Green's theorem makes it a smooth periodic integral along
// the circle, for which the trapezoidal rule converges exponentially.
func disc(q, h, v float64) float64 {
	steps := 20 + 4*int(q) // a circle of radius q wants so many for 1e-6
	sum := 0.0
	for k := 0; k <= steps; k++ {
		half := math.Sin(math.Pi / 2 * float64(k) / float64(steps)) // of the angle
		square := (q-h)*(q-h) + 4*q*h*half*half
		share := 0.5 // its limit at the centre
		if square > 1e-12 {
			share = -math.Expm1(-v/2*math.Log1p(square/v)) / square
		}
		if k == 0 || k == steps {
			share /= 2
		}
		sum += share * q * (q - h + 2*h*half*half)
	}
	return sum / float64(steps)
}

// root is where f, positive at low and not so at high, crosses zero, by false
// position in which the end that stays is halved (the Illinois rule).
func root(low, high float64, f func(float64) float64) float64 {
	const near = 1e-6
	atLow, atHigh := f(low), f(high)
	kept := 0
	for range 60 {
		mid := (low*atHigh - high*atLow) / (atHigh - atLow)
		at := f(mid)
		if math.Abs(at) < near || high-low < near {
			return mid
		}
		if at > 0 {
			low, atLow = mid, at
			if kept > 0 {
				atHigh /= 2
			}
			kept = 1
		} else {
			high, atHigh = mid, at
			if kept < 0 {
				atLow /= 2
			}
			kept = -1
		}
	}
	return (low + high) / 2
}
