package rehearsal

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"hushback/engine"
)

// sines is the test signal once more, from its definition: a cosine a line,
// nothing carried over from one moment to the next.
func sines(m multisine, t float64) float64 {
	x := 0.0
	for _, l := range m {
		x += math.Hypot(real(l.amp), imag(l.amp)) * math.Cos(l.omega*t+math.Atan2(imag(l.amp), real(l.amp)))
	}
	return x
}

func testSignal(t testing.TB, seed uint64) multisine {
	t.Helper()
	m, err := newMultisine(engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}}, rand.New(rand.NewPCG(seed, 2)))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestMultisineHasOneSineAtEveryMultipleInTheBand(t *testing.T) {
	m := testSignal(t, 1)
	if len(m) != 51 {
		t.Fatalf("%d lines, want 51: 20, 22, ... 120 Hz", len(m))
	}
	strength := math.Hypot(real(m[0].amp), imag(m[0].amp))
	for i, l := range m {
		if want := 2 * math.Pi * float64(20+2*i); math.Abs(l.omega-want) > 1e-9 {
			t.Errorf("line %d at %v rad/s, want %v", i, l.omega, want)
		}
		if got := math.Hypot(real(l.amp), imag(l.amp)); math.Abs(got-strength) > 1e-12 {
			t.Errorf("line %d is %v strong, the first %v", i, got, strength)
		}
	}
}

func TestMultisineAgreesWithItsDefinitionAtAnyTime(t *testing.T) {
	m := testSignal(t, 2)
	for _, from := range []float64{0, 1.0 / 3, 0.1234567, 3600.000017} {
		got := make([]float64, frameSamples)
		m.add(got, from, unity)
		for i := 0; i < len(got); i += 97 {
			at := from + float64(i)/sampleRate
			if want := sines(m, at); math.Abs(got[i]-want) > 1e-9 {
				t.Fatalf("from %v sample %d: %v, want %v", from, i, got[i], want)
			}
		}
	}
}

func TestMultisinePeakAndRMS(t *testing.T) {
	m := testSignal(t, 3).scaled(0.5)
	x := make([]float64, sampleRate/2)
	m.add(x, 0, unity)
	peak, square := 0.0, 0.0
	for _, v := range x {
		peak, square = math.Max(peak, math.Abs(v)), square+v*v
	}
	if math.Abs(peak-0.5) > 1e-9 {
		t.Errorf("peak %v, want 0.5", peak)
	}
	if want := math.Sqrt(square / float64(len(x))); math.Abs(m.rms()-want) > 1e-9 {
		t.Errorf("rms %v, the samples say %v", m.rms(), want)
	}
}

func TestMultisineOfAnotherSeedHasOtherPhases(t *testing.T) {
	a, again, b := testSignal(t, 4), testSignal(t, 4), testSignal(t, 5)
	if a[0] != again[0] || a[50] != again[50] {
		t.Error("the same seed gave two signals")
	}
	if a[0] == b[0] {
		t.Error("two seeds gave the same signal")
	}
}

func TestMultisineRefusesWhatItCannotPlay(t *testing.T) {
	for _, bad := range []engine.TestSignal{
		{},
		{PeriodSec: 0.5},
		{PeriodSec: -1, Band: engine.Band{LowHz: 20, HighHz: 120}},
		{PeriodSec: math.NaN(), Band: engine.Band{LowHz: 20, HighHz: 120}},
		{PeriodSec: 0.5, Band: engine.Band{LowHz: 20.5, HighHz: 21.5}},
		{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 24000}},
		{PeriodSec: 0.5, Band: engine.Band{LowHz: 120, HighHz: 20}},
	} {
		if _, err := newMultisine(bad, rand.New(rand.NewPCG(1, 2))); err == nil || !strings.HasPrefix(err.Error(), "test signal: ") {
			t.Errorf("%+v: error %v, want one about the test signal", bad, err)
		}
	}
}
