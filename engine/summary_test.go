package engine

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"
)

func axis(low, high, step float64) []float64 {
	var f []float64
	for k := 0; low+float64(k)*step <= high; k++ {
		f = append(f, low+float64(k)*step)
	}
	return f
}

// curves makes front and rear with rear/front = z, the front being anything.
func curves(freq []float64, z func(f float64) complex128) (front, rear Curve, coherent []float64) {
	front, rear = Curve{FreqHz: freq}, Curve{FreqHz: freq}
	for _, f := range freq {
		p := cmplx.Rect(0.2+f/500, f/7) // grows and turns
		front.P = append(front.P, p)
		rear.P = append(rear.P, p*z(f))
		coherent = append(coherent, cmplx.Abs(p)*(1+f/1000))
	}
	return front, rear, coherent
}

var wanted = Target{NullHz: 47, Range: Band{LowHz: 32, HighHz: 68}}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.9g, want %.9g within %g", what, got, want, within)
	}
}

// A straight z passes f0 at right angles at the distance depth from 0: that is
// where it is closest, whatever the axis.
func TestStraightNullIsFoundExactly(t *testing.T) {
	for _, step := range []float64{0.25, 1, 2, 3.7} {
		for _, f0 := range []float64{38.1, 46, 47, 51.93, 60.5} {
			turn := cmplx.Rect(1, f0)
			z := func(f float64) complex128 { return turn * complex(0.04*(f-f0), 0.003) }
			front, rear, coherent := curves(axis(20, 120, step), z)
			s, err := Summarise(front, rear, coherent, wanted)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "null", s.NullHz, f0, 1e-9)
			near(t, "depth", s.NullDepthDB, 20*math.Log10(0.003), 1e-6)
			near(t, "at target", s.AtTargetDB, 20*math.Log10(math.Hypot(0.04*(47-f0), 0.003)), 1e-6)
		}
	}
}

// Two equal rows a quarter wavelength apart: 2cos against 2cos, with the mean
// arrival taken out. Nothing here is straight, so this shows the method's own
// error on a 2 Hz axis: 0.0001 Hz, and a floor far below any wanted depth.
func TestQuarterWaveNull(t *testing.T) {
	for _, f0 := range []float64{45.3, 46, 47, 48.7} {
		z := func(f float64) complex128 { return complex(math.Cos(math.Pi/2*f/f0), 0) }
		front, rear, coherent := curves(axis(20, 120, 2), z)
		s, err := Summarise(front, rear, coherent, wanted)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "null", s.NullHz, f0, 1e-4)
		if s.NullDepthDB > -110 {
			t.Errorf("depth: got %g dB, want below -110 dB", s.NullDepthDB)
		}
	}
}

func TestExactNullOnABinHasAFloor(t *testing.T) {
	front, rear, coherent := curves(axis(20, 120, 2), func(f float64) complex128 { return complex(f-46, 0) })
	s, err := Summarise(front, rear, coherent, Target{NullHz: 46, Range: wanted.Range})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "null", s.NullHz, 46, 1e-9)
	if s.NullDepthDB != FloorDB || s.AtTargetDB != FloorDB {
		t.Errorf("got %g and %g dB, want %d", s.NullDepthDB, s.AtTargetDB, FloorDB)
	}
}

// The curve's own minimum may lie anywhere; what is reported stays inside the
// range and beside the lowest bin.
func TestNullStaysInsideTheRange(t *testing.T) {
	for _, test := range []struct{ zero, want float64 }{{200, 68}, {5, 32}} {
		front, rear, coherent := curves(axis(20, 120, 2), func(f float64) complex128 { return complex(f-test.zero, 1) })
		s, err := Summarise(front, rear, coherent, wanted)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "null", s.NullHz, test.want, 0)
	}
	// A flat ratio has no minimum; its level is still its level.
	front, rear, coherent := curves(axis(20, 120, 2), func(float64) complex128 { return 0.1i })
	s, err := Summarise(front, rear, coherent, wanted)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "flat depth", s.NullDepthDB, -20, 1e-9)
}

// Second implementation: Lagrange's formula through the five bins around the lowest,
// the minimum by walking.
func TestAgainstLagrangeAndWalking(t *testing.T) {
	const seed = 7
	rng := rand.New(rand.NewPCG(seed, seed))
	for trial := range 50 {
		f0, late := 40+20*rng.Float64(), 0.06*rng.Float64()
		slope := cmplx.Rect(0.03+0.03*rng.Float64(), 6*rng.Float64())
		freq := axis(20, 120, 2)
		z := func(f float64) complex128 { return slope*complex(f-f0, 0) + cmplx.Rect(0.05, -2*math.Pi*f*late) }
		front, rear, coherent := curves(freq, z)
		s, err := Summarise(front, rear, coherent, wanted)
		if err != nil {
			t.Fatal(err)
		}
		lowest := 6
		for i, f := range freq {
			if wanted.Range.Contains(f) && cmplx.Abs(z(f)) < cmplx.Abs(z(freq[lowest])) {
				lowest = i
			}
		}
		lagrange := func(f float64) (sum complex128) {
			for i := lowest - 2; i <= lowest+2; i++ {
				term := z(freq[i])
				for j := lowest - 2; j <= lowest+2; j++ {
					if i != j {
						term *= complex((f-freq[j])/(freq[i]-freq[j]), 0)
					}
				}
				sum += term
			}
			return sum
		}
		bestHz, best := 0.0, math.Inf(1)
		for f := freq[lowest] - 2; f <= freq[lowest]+2; f += 1e-4 {
			if v := cmplx.Abs(lagrange(f)); wanted.Range.Contains(f) && v < best {
				bestHz, best = f, v
			}
		}
		near(t, "null", s.NullHz, bestHz, 2e-4)
		near(t, "depth", math.Pow(10, s.NullDepthDB/20), best, 2e-5)
		if t.Failed() {
			t.Fatalf("seed %d, trial %d", seed, trial)
		}
	}
}

// An echo off a wall far behind curls z. What is read on lines 2 Hz apart is what
// stands between them, as walking along the true curve finds it.
func TestNullBesideAWallIsReadWhereItIs(t *testing.T) {
	for _, late := range []float64{0.02, 0.04, 0.06} {
		z := func(f float64) complex128 {
			return complex(0.03*(f-48.3), 0) + cmplx.Rect(0.1, -2*math.Pi*(f-48.3)*late) - 0.1
		}
		front, rear, coherent := curves(axis(20, 120, 2), z)
		s, err := Summarise(front, rear, coherent, wanted)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "null", s.NullHz, 48.3, 0.03) // the true one is 0, there
		near(t, "at target", s.AtTargetDB, DB(cmplx.Abs(z(47))), 0.3)
	}
}

// The bins that a polynomial goes through, counted out by hand.
func TestBinsAroundAFrequency(t *testing.T) {
	axis := []float64{40, 42, 44, 46, 48, 50, 52}
	for _, test := range []struct {
		freq  []float64
		f     float64
		first float64
		count int
	}{
		{axis, 46, 42, 5},
		{axis, 46.9, 42, 5},
		{axis, 47.1, 44, 5},
		{axis, 40, 40, 5},
		{axis, 52, 44, 5},
		{axis[:4], 46, 40, 4},
		{axis[:3], 40, 40, 3},
	} {
		p := through(test.freq, make([]complex128, len(test.freq)), test.f)
		if p.freq[0] != test.first || len(p.freq) != test.count {
			t.Errorf("%v at %g: got %v, want %d from %g Hz on", test.freq, test.f, p.freq, test.count, test.first)
		}
	}
}

// A delay that only one microphone's curve still holds turns z and bends the
// null; taken out, the numbers come back. This is why Arrival exists.
func TestDelayHasToComeOutFirst(t *testing.T) {
	z := func(f float64) complex128 { return complex(math.Cos(math.Pi/2*f/47), 0) }
	front, rear, coherent := curves(axis(20, 120, 2), z)
	clean, err := Summarise(front, rear, coherent, wanted)
	if err != nil {
		t.Fatal(err)
	}
	late := rear.Advance(-0.035) // 12 m further away
	raw, err := Summarise(front, late, coherent, wanted)
	if err != nil {
		t.Fatal(err)
	}
	if raw.NullDepthDB < clean.NullDepthDB+20 {
		t.Errorf("left in, the delay should spoil the depth: %g against %g dB", raw.NullDepthDB, clean.NullDepthDB)
	}
	again, err := Summarise(front, late.Advance(0.035), coherent, wanted)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "null", again.NullHz, clean.NullHz, 1e-9)
	near(t, "at target", again.AtTargetDB, clean.AtTargetDB, 1e-6)
}

// Whatever comes in, the answer is an error or numbers that make sense.
func TestSummariseHoldsUnderGarbage(t *testing.T) {
	const seed = 19
	rng := rand.New(rand.NewPCG(seed, seed))
	nasty := []float64{0, 1, -1, 1e-300, 1e300, math.NaN(), math.Inf(1), math.SmallestNonzeroFloat64}
	pick := func() float64 {
		if rng.IntN(40) == 0 {
			return nasty[rng.IntN(len(nasty))]
		}
		return rng.NormFloat64()
	}
	accepted := 0
	for trial := range 3000 {
		n := rng.IntN(12)
		var front, rear Curve
		var coherent []float64
		f := 20.0
		for range n {
			f += 10 * rng.Float64()
			front.FreqHz = append(front.FreqHz, f)
			front.P = append(front.P, complex(pick(), pick()))
			rear.P = append(rear.P, complex(pick(), pick()))
			coherent = append(coherent, math.Abs(pick()))
		}
		rear.FreqHz = front.FreqHz
		s, err := Summarise(front, rear, coherent, wanted)
		if err != nil {
			continue
		}
		accepted++
		if !wanted.Range.Contains(s.NullHz) || !wanted.Range.Contains(s.ShortfallAtHz) ||
			!finite(s.NullDepthDB, s.AtTargetDB, s.SumShortfallDB) || s.NullDepthDB < FloorDB {
			t.Fatalf("seed %d, trial %d: %+v", seed, trial, s)
		}
	}
	if accepted < 200 {
		t.Errorf("only %d of the trials got as far as an answer", accepted)
	}
}

func TestShortfallIsTheWorstInTheRange(t *testing.T) {
	front, rear, coherent := curves(axis(20, 120, 2), func(f float64) complex128 { return complex(f-47, 0) })
	coherent[0] *= 100 // 20 Hz, outside the range
	for i, f := range front.FreqHz {
		if f == 54 {
			coherent[i] = 1.5 * cmplx.Abs(front.P[i])
		}
	}
	s, err := Summarise(front, rear, coherent, wanted)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "shortfall", s.SumShortfallDB, 3.521825181113625, 1e-9) // 20·log10(1.5)
	near(t, "at", s.ShortfallAtHz, 54, 0)
}

// Gain and phase that both microphones share change nothing.
func TestOnlyTheRatioCounts(t *testing.T) {
	z := func(f float64) complex128 { return complex(0.03*(f-45.2), 0.01) }
	front, rear, coherent := curves(axis(20, 120, 2), z)
	before, err := Summarise(front, rear, coherent, wanted)
	if err != nil {
		t.Fatal(err)
	}
	for i := range front.P {
		shared := cmplx.Rect(3+float64(i), float64(i*i))
		front.P[i], rear.P[i], coherent[i] = front.P[i]*shared, rear.P[i]*shared, coherent[i]*cmplx.Abs(shared)
	}
	after, err := Summarise(front, rear, coherent, wanted)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "null", after.NullHz, before.NullHz, 1e-9)
	near(t, "depth", after.NullDepthDB, before.NullDepthDB, 1e-9)
	near(t, "shortfall", after.SumShortfallDB, before.SumShortfallDB, 1e-9)
}

func TestSummariseRefuses(t *testing.T) {
	nan := math.NaN()
	tests := []struct {
		want  string
		spoil func(front, rear *Curve, coherent *[]float64, target *Target)
	}{
		{"must share one axis", func(f, r *Curve, c *[]float64, w *Target) { *c = (*c)[1:] }},
		{"must share one axis", func(f, r *Curve, c *[]float64, w *Target) { r.FreqHz = r.FreqHz[1:] }},
		{"must share one axis", func(f, r *Curve, c *[]float64, w *Target) { f.P = nil }},
		{"got 0 frequencies", func(f, r *Curve, c *[]float64, w *Target) { *f, *r, *c = Curve{}, Curve{}, nil }},
		{"is 20 Hz in front but 21 Hz behind", func(f, r *Curve, c *[]float64, w *Target) {
			r.FreqHz = append([]float64{21}, r.FreqHz[1:]...)
		}},
		{"must ascend, frequency 1 is 22 Hz", func(f, r *Curve, c *[]float64, w *Target) { f.FreqHz[0], r.FreqHz[0] = 22, 22 }},
		{"must ascend, frequency 0 is NaN Hz", func(f, r *Curve, c *[]float64, w *Target) { f.FreqHz[0], r.FreqHz[0] = nan, nan }},
		{"must ascend, frequency 50 is +Inf Hz", func(f, r *Curve, c *[]float64, w *Target) { f.FreqHz[50] = math.Inf(1) }},
		{"at 24 Hz: a value is not", func(f, r *Curve, c *[]float64, w *Target) { f.P[2] = cmplx.NaN() }},
		{"at 24 Hz: a value is not", func(f, r *Curve, c *[]float64, w *Target) { r.P[2] = cmplx.Inf() }},
		{"at 24 Hz: a value is not", func(f, r *Curve, c *[]float64, w *Target) { (*c)[2] = -1 }},
		{"at 24 Hz: nothing arrives", func(f, r *Curve, c *[]float64, w *Target) { f.P[2] = 0 }},
		{"no frequency lies inside", func(f, r *Curve, c *[]float64, w *Target) { w.Range = Band{47.1, 47.9} }},
		{"target 15 Hz lies outside", func(f, r *Curve, c *[]float64, w *Target) { w.NullHz = 15 }},
		{"target NaN Hz lies outside", func(f, r *Curve, c *[]float64, w *Target) { w.NullHz = nan }},
	}
	for _, test := range tests {
		front, rear, coherent := curves(axis(20, 120, 2), func(f float64) complex128 { return complex(f-47, 0) })
		front.FreqHz = append([]float64(nil), front.FreqHz...)
		rear.FreqHz = append([]float64(nil), rear.FreqHz...)
		target := wanted
		test.spoil(&front, &rear, &coherent, &target)
		if _, err := Summarise(front, rear, coherent, target); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("got %v, want it to say %q", err, test.want)
		}
	}
}
