package model

import (
	"math"
	"math/cmplx"
)

// search walks a delay from and to, in seconds, and is where the values, each
// turned by e^{jωτ}, add up to the most by some measure.
func (m *Model) search(x []complex128, from, to, step float64, measure func(complex128) float64) (sec float64, sum complex128) {
	now, turn := make([]complex128, len(x)), make([]complex128, len(x))
	for i, w := range m.omega {
		now[i] = x[i] * cmplx.Rect(1, w*from)
		turn[i] = cmplx.Rect(1, w*step)
	}
	best := math.Inf(-1)
	for tau := from; tau <= to; tau += step {
		var all complex128
		for i := range now {
			all += now[i]
			now[i] *= turn[i]
		}
		if v := measure(all); v > best {
			best, sec, sum = v, tau, all
		}
	}
	return sec, sum
}

// startChannel gives a microphone's channel the latency, phase and level with
// which its takes come closest to what the hypothesis expects. Takes of
// doubted outputs are left out if others remain.
func (f *fit) startChannel(mic int) {
	x := make([]complex128, len(f.m.FreqHz))
	clean := f.correlate(mic, x, func(t *take) bool { return !f.doubted(t) })
	if clean == 0 {
		clean = f.correlate(mic, x, func(*take) bool { return true })
	}
	if clean == 0 {
		return // nothing is expected here, or nothing was measured
	}
	const from, to, step = -0.2, 0.4, 0.001
	near, _ := f.m.search(x, from, to, step, cmplx.Abs)
	sec, sum := f.m.search(x, near-step, near+step, step/16, cmplx.Abs)
	at := f.m.channel(mic)
	f.theta[at], f.theta[at+1], f.theta[at+2] = math.Log(math.Max(1e-9, cmplx.Abs(sum)/clean)), cmplx.Phase(sum), sec
	copy(f.centre[at:at+3], f.theta[at:at+3])
}

func (f *fit) doubted(t *take) bool {
	for k, open := range t.open {
		if open && f.r.Doubted[k] {
			return true
		}
	}
	return false
}

// correlate adds to x what a channel's takes have in common with what is
// expected of them, line by line, and is the power expected.
func (f *fit) correlate(mic int, x []complex128, wanted func(*take) bool) (expected float64) {
	clear(x)
	for i := range f.takes {
		t := &f.takes[i]
		if t.mic != mic || !wanted(t) {
			continue
		}
		for j, h := range t.h {
			p := f.heard(t, j)
			scale := f.scale[i][j]
			x[j] += cmplx.Conj(p) * h * complex(scale, 0)
			expected += power(p) * scale
		}
	}
	return expected
}

// lateness is how much later than set an output plays, as the captures that it
// is in have it beside all the others.
func (f *fit) lateness(k int) float64 {
	x := make([]complex128, len(f.m.FreqHz))
	for i := range f.takes {
		t := &f.takes[i]
		if !t.open[k] {
			continue
		}
		for j, h := range t.h {
			through := f.channel[t.mic][j]
			var own complex128
			for s, fed := range f.r.Feeds {
				if fed == k {
					own += through * f.sound[s][f.place(t)][j]
				}
			}
			x[j] += cmplx.Conj(own) * (h - through*f.heard(t, j) + own) * complex(f.scale[i][j], 0)
		}
	}
	const reach, step = 0.06, 0.0005
	sec, _ := f.m.search(x, -reach, reach, step, func(v complex128) float64 { return real(v) })
	return sec
}
