package transfer

import (
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"hushback/engine"
)

// What another program would report of the published recording makes the very
// function, with the very uncertainty, that we estimate from its audio.
func TestReadyMadeIsAsOurOwn(t *testing.T) {
	x, y := goldenAudio(t)
	own, err := Estimate(x, y, 2000, engine.Band{LowHz: 20, HighHz: 160}, Options{Segment: 1024, Hop: 512, Window: Hann})
	if err != nil {
		t.Fatal(err)
	}
	var level, phase []float64
	for _, h := range own.H {
		level, phase = append(level, 20*math.Log10(cmplx.Abs(h))), append(phase, cmplx.Phase(h))
	}
	got, err := FromCoherence(own.FreqHz, level, phase, own.Coherence, own.Averages)
	if err != nil {
		t.Fatal(err)
	}
	for i, h := range own.H {
		if cmplx.Abs(got.H[i]-h) > 1e-12*cmplx.Abs(h) {
			t.Errorf("%g Hz: got %v, want %v", own.FreqHz[i], got.H[i], h)
		}
		if own.Coherence[i] < 1-2*roundedCoherence && own.Coherence[i] > 2/own.Averages && far(got.Sigma[i], own.Sigma[i], 1e-9) {
			t.Errorf("%g Hz: error %g, our own estimate's %g", own.FreqHz[i], got.Sigma[i], own.Sigma[i])
		}
	}
}

func TestReadyMadeOfNothingButNoise(t *testing.T) {
	f, err := FromCoherence([]float64{50, 60}, []float64{-20, -20}, []float64{0, 0}, []float64{0, 1}, 9)
	if err != nil {
		t.Fatal(err)
	}
	if want := 0.1 * math.Sqrt((8./9)/(2*8*(1./9))); far(f.Sigma[0], want, 1e-12) {
		t.Errorf("no coherence at all: error %g, want %g", f.Sigma[0], want)
	}
	if want := 0.1 * math.Sqrt(1e-4/16); far(f.Sigma[1], want, 1e-12) {
		t.Errorf("full coherence: error %g, want %g: it is rounded", f.Sigma[1], want)
	}
}

func TestReadyMadeThatIsNone(t *testing.T) {
	one := []float64{1}
	nan, inf := []float64{math.NaN()}, []float64{math.Inf(1)}
	for _, c := range []struct {
		freq, level, phase, coherence []float64
		averages                      float64
		want                          string
	}{
		{nil, nil, nil, nil, 8, "0 frequencies"},
		{[]float64{40, 50}, one, one, one, 8, "2 frequencies, 1 levels"},
		{one, one, one, one, 1, "1 averages"},
		{one, one, one, one, math.NaN(), "NaN averages"},
		{[]float64{0}, one, one, one, 8, "0 Hz, want a number above 0"},
		{inf, one, one, one, 8, "want a number above 0"},
		{one, nan, one, one, 8, "level NaN dB"},
		{one, []float64{-math.MaxFloat64}, one, one, 8, "level"},
		{one, one, inf, one, 8, "phase +Inf"},
		{one, one, one, []float64{1.01}, 8, "coherence 1.01 at 1 Hz"},
		{[]float64{50, 50}, []float64{0, 0}, []float64{0, 0}, []float64{1, 1}, 8, "50 Hz after 50 Hz"},
	} {
		if _, err := FromCoherence(c.freq, c.level, c.phase, c.coherence, c.averages); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want an error with %q", err, c.want)
		}
	}
}
