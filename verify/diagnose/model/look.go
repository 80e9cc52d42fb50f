package model

import (
	"math"
	"math/cmplx"
)

// Look is one output alone at one microphone, beside what site and sheet
// predict there once the microphone's channel is known.
type Look struct {
	Mic      int
	LevelDB  float64 // above prediction
	PhaseDeg float64 // ahead of prediction, in the middle of the range
	LateSec  float64 // behind prediction, by the delay that lines the phases up best
	OffRatio float64 // what is left of the capture once the prediction is taken off, over the prediction
}

// Look is what was captured of an output alone, by place in site.Outputs, with
// the channels as this result has them.
func (r Result) Look(output int) []Look { return r.fit.look(output, output) }

// LookAs compares an output alone with what another's sources would do for it.
func (r Result) LookAs(output, other int) []Look { return r.fit.look(output, other) }

func (f *fit) look(output, fed int) []Look {
	var looks []Look
	for i := range f.takes {
		t := &f.takes[i]
		if t.solo != output {
			continue
		}
		x := make([]complex128, len(t.h))
		var got, want, off float64
		for j, h := range t.h {
			p := f.stated(t, fed, j)
			x[j] = cmplx.Conj(p) * h
			got += math.Max(0, power(h)-2*t.noise2[j])
			want += power(p)
			off += power(h - p)
		}
		look := Look{Mic: t.mic, LevelDB: 10 * math.Log10(math.Max(1e-12, got/want)), OffRatio: math.Sqrt(off / want)}
		_, now := f.m.search(x, 0, 0, 1, cmplx.Abs)
		look.PhaseDeg = cmplx.Phase(now) * 180 / math.Pi
		const reach, step = 0.06, 0.0001
		look.LateSec, _ = f.m.search(x, -reach, reach, step, func(v complex128) float64 { return real(v) })
		looks = append(looks, look)
	}
	return looks
}

// stated is what site and sheet predict of a solo take, were its output to
// feed the sources of fed, through the channel as fitted.
func (f *fit) stated(t *take, fed, line int) (sum complex128) {
	healthy := f.m.settings[t.solo]
	for s, k := range f.m.fed {
		if k == fed {
			sum += f.m.home(s, f.place(t)).p[line]
		}
	}
	amplitude := math.Pow(10, healthy.GainDB/20) * float64(healthy.Polarity)
	return sum * cmplx.Rect(amplitude, -f.m.omega[line]*healthy.DelaySec) * f.channel[t.mic][line]
}

// Off is how far the captures are from the result, over what the outputs do
// alone: the root of the mean square.
func (r Result) Off() float64 {
	f := r.fit
	var off, size float64
	for i := range f.takes {
		t := &f.takes[i]
		for j, h := range t.h {
			off += power(h - f.channel[t.mic][j]*f.held(t)*f.heard(t, j))
			size += t.size2[j]
		}
	}
	return math.Sqrt(off / math.Max(size, 1e-300))
}

// Through is a microphone's channel with all that the captures share, by line.
func (r Result) Through(mic int) []complex128 { return r.fit.channel[mic] }

// SharedDB is how far apart the loudest and the quietest line of what all
// captures share are.
func (r Result) SharedDB() float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range r.Through(0) {
		db := 20 * math.Log10(cmplx.Abs(v))
		low, high = math.Min(low, db), math.Max(high, db)
	}
	return high - low
}
