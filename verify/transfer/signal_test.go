package transfer

import (
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"hushback/engine"
)

// Whatever rate a recorder runs at, its audio comes to the same function on the
// test signal's lines: here that of a delay and a gain, in closed form.
func TestOfSignalAtEveryRate(t *testing.T) {
	signal := engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 30, HighHz: 90}}
	const gain, lateSec = 0.3, 0.0123
	for _, rate := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
		var reference, microphone []float64
		for n := range 3 * rate / 2 {
			var x, y float64
			for k, hz := range signal.Lines() {
				phase := float64(k * k) // apart, lest they all peak at once
				x += 0.01 * math.Cos(2*math.Pi*hz*float64(n)/float64(rate)+phase)
				y += gain * 0.01 * math.Cos(2*math.Pi*hz*(float64(n)/float64(rate)-lateSec)+phase)
			}
			reference, microphone = append(reference, x), append(microphone, y)
		}
		f, err := OfSignal(signal, reference, microphone, rate)
		if err != nil {
			t.Fatal(rate, err)
		}
		if f, err = f.At(signal.Lines()); err != nil {
			t.Fatal(rate, err)
		}
		for i, hz := range f.FreqHz {
			if want := gain * cmplx.Rect(1, -2*math.Pi*hz*lateSec); cmplx.Abs(f.H[i]-want) > 1e-9 {
				t.Errorf("%d Hz, line at %g Hz: %v, want %v", rate, hz, f.H[i], want)
			}
		}
	}
	signal.PeriodSec = 0.128 // 5644.8 samples
	if _, err := OfSignal(signal, nil, nil, 44100); err == nil || !strings.Contains(err.Error(), "0.128 s, is no whole number of samples at 44100 Hz: record at 48000 Hz") {
		t.Errorf("a period that is not whole: %v", err)
	}
}
