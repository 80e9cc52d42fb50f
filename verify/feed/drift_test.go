package feed

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"hushback/engine"
	"hushback/verify/transfer"
)

// nullError is by how much, in dB, a null so deep at 60 Hz with 6 dB an octave
// beside it is measured wrongly by a recorder whose clock is off the player's: six
// periods of half a second of a multisine, each sample the exact sum of its sines
// at the time at which it was really taken.
func nullError(t *testing.T, deepDB, ppm float64, random *rand.Rand) float64 {
	const null, rate, periodSec = 60.0, 500, 0.5 // a drift is the same at every rate
	signal := engine.TestSignal{PeriodSec: periodSec, Band: engine.Band{LowHz: 20, HighHz: 120}}
	truth := func(hz float64) complex128 { return complex(math.Pow(10, -deepDB/20), hz/null-1) }
	period := int(periodSec * rate)
	reference, microphone := make([]float64, 6*period), make([]float64, 6*period)
	for _, hz := range signal.Lines() {
		step := 2 * math.Pi * hz / rate / (1 + ppm/1e6)
		h, start := truth(hz), 2*math.Pi*random.Float64()
		for n := range reference {
			x := cmplx.Rect(1, step*float64(n)+start)
			reference[n] += real(x)
			microphone[n] += real(h * x)
		}
	}
	f, err := transfer.Estimate(reference, microphone, rate, signal.Band, transfer.Options{Segment: period, Hop: period, Window: transfer.Rectangular})
	if err == nil {
		f, err = f.At([]float64{null})
	}
	if err != nil {
		t.Fatal(err)
	}
	return math.Abs(20 * math.Log10(cmplx.Abs(f.H[0])/cmplx.Abs(truth(null))))
}

// The figures in the comment on maxDriftPPM, at worst of 16 draws of the phases.
func TestWhatDriftDoesToANull(t *testing.T) {
	const seed = 1
	for _, c := range []struct{ deepDB, ppm, most float64 }{
		{20, 0, 1e-9}, {20, 100, 0.2}, {20, 500, 0.7},
		{30, 0, 1e-9}, {30, 100, 0.5}, {30, 500, 2},
	} {
		worst := 0.0
		random := rand.New(rand.NewPCG(seed, 8))
		for k := range 16 {
			worst = math.Max(worst, nullError(t, c.deepDB, []float64{-c.ppm, c.ppm}[k%2], random))
		}
		t.Logf("seed %d: %g dB deep, %g ppm: %.2f dB off at worst", seed, c.deepDB, c.ppm, worst)
		if worst > c.most {
			t.Errorf("%g dB deep, %g ppm: %.2f dB off, want at most %g", c.deepDB, c.ppm, worst, c.most)
		}
	}
}

// A clock that is asked at times drawn by chance finds its drift as nearly as it
// says, though the count comes in blocks of 125 ms, and sends nobody away who is
// within the limit.
func TestDriftIsFound(t *testing.T) {
	const seed, rate, blockSec = 1, 48000, 0.125
	random := rand.New(rand.NewPCG(seed, 9))
	began := time.Now()
	for _, c := range []struct {
		ppm    float64
		within time.Duration // it must have been refused, if at all
		want   string
	}{
		{0, time.Hour, ""}, {100, time.Hour, ""}, {-450, time.Hour, ""},
		{1000, 5 * time.Minute, "clock: it drifts by +"}, {-1000, 5 * time.Minute, "clock: it drifts by -"},
		{1e6*44100/48000 - 1e6, 20 * time.Second, "rate: it takes 4"}, {1e6, 20 * time.Second, "rate: it takes 9"},
	} {
		k := &clock{rate: rate, leastSec: usual().drift.Seconds()}
		var err error
		at := 0.0
		for at < c.within.Seconds() && err == nil {
			at += 0.5 + random.Float64()
			blocks := math.Floor(at * (1 + c.ppm/1e6) / blockSec)
			err = k.tick(began.Add(time.Duration(at*float64(time.Second))), uint64(1e9+blocks*blockSec*rate))
		}
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%g ppm: %v, want %q", c.ppm, err, c.want)
		}
		ppm, sigma, ok := k.drift()
		if !ok || math.Abs(ppm-c.ppm) > 4*sigma {
			t.Errorf("%g ppm: found %.1f ± %.1f, %t", c.ppm, ppm, sigma, ok)
		}
		t.Logf("seed %d: %g ppm after %.0f s: found %.1f ± %.1f, %v", seed, c.ppm, at, ppm, sigma, err)
	}
}
