package rehearsal

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"

	"hushback/engine"
)

// sampleRate is what the simulated microphones run at, in samples per second.
const sampleRate = 48000

// multisine is the test signal as a function of continuous time,
//
//	x(t) = Re Σ line[k].amp · e^{jωt}
//
// so that any delay of it is exact, fractions of a sample included.
type multisine []line

type line struct {
	omega float64    // rad/s
	amp   complex128 // amplitude and phase at t = 0
}

// newMultisine draws the phases of a site's test signal. All lines are equally
// strong; the peak over one period is 1.
func newMultisine(signal engine.TestSignal, rng *rand.Rand) (multisine, error) {
	const slack = 1e-9 // so that 0.5 s times 20 Hz counts as 10 periods
	first := math.Max(1, math.Ceil(signal.Band.LowHz*signal.PeriodSec-slack))
	last := math.Floor(signal.Band.HighHz*signal.PeriodSec + slack)
	if !(signal.PeriodSec > 0) || first > last || last >= sampleRate/2*signal.PeriodSec {
		return nil, fmt.Errorf("test signal: no sine at a multiple of 1/(%v s) between %v and %v Hz and below %d Hz",
			signal.PeriodSec, signal.Band.LowHz, signal.Band.HighHz, sampleRate/2)
	}
	var m multisine
	for k := first; k <= last; k++ {
		m = append(m, line{2 * math.Pi * k / signal.PeriodSec, cmplx.Rect(1, 2*math.Pi*rng.Float64())})
	}
	period := make([]float64, int(math.Ceil(signal.PeriodSec*sampleRate)))
	m.add(period, 0, unity)
	peak := 0.0
	for _, x := range period {
		peak = math.Max(peak, math.Abs(x))
	}
	return m.scaled(1 / peak), nil
}

// scaled is the signal times a factor.
func (m multisine) scaled(factor float64) multisine {
	scaled := make(multisine, len(m))
	for i, l := range m {
		scaled[i] = line{l.omega, l.amp * complex(factor, 0)}
	}
	return scaled
}

// rms is the root of the mean square over one period.
func (m multisine) rms() float64 {
	sum := 0.0
	for _, l := range m {
		sum += real(l.amp)*real(l.amp) + imag(l.amp)*imag(l.amp)
	}
	return math.Sqrt(sum / 2)
}

// unity is the response of a wire.
func unity(float64) complex128 { return 1 }

// add adds the signal, passed through a system with the given response at ω,
// to dst, whose first sample is at time from in seconds. Each line turns by
// one complex multiplication a sample; the error of n steps stays below n
// times machine epsilon, 1e-12 for a frame, because every call starts from the
// exact phase.
func (m multisine) add(dst []float64, from float64, response func(omega float64) complex128) {
	for _, l := range m {
		z := l.amp * response(l.omega) * cmplx.Rect(1, l.omega*from)
		turn := cmplx.Rect(1, l.omega/sampleRate)
		for i := range dst {
			dst[i] += real(z)
			z *= turn
		}
	}
}
