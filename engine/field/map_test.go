package field

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
)

// direct is the pressure with a sine and a cosine for every source at every
// frequency, nothing carried from one to the next.
func direct(t *testing.T, s scene, at engine.Point, hz float64) complex128 {
	t.Helper()
	r, err := open(s.site, s.sheet)
	if err != nil {
		t.Fatal(err)
	}
	var p complex128
	for _, way := range r.paths(nil, at) {
		phasor := cmplx.Rect(way.loudest(hz), -2*math.Pi*hz*way.sec)
		if way.amplitude < 0 {
			phasor = -phasor
		}
		p += phasor
	}
	return p
}

func axes() map[string][]float64 {
	return map[string][]float64{
		"equal":              equalSteps(20, 0.1, 700),
		"one":                {63},
		"two":                {63, 30},
		"geometric":          geometric(16, 1.07, 40),
		"falling":            equalSteps(120, -2.5, 40),
		"three runs":         slices.Concat(equalSteps(20, 1, 9), equalSteps(30, 0.25, 90), equalSteps(100, 7, 3)),
		"twice the same":     {50, 50, 50, 60, 60, 70},
		"nearly equal":       {30, 31, 32.0000001, 33, 34, 35},
		"lines of a signal":  engine.TestSignal{PeriodSec: 0.3, Band: engine.Band{LowHz: 20, HighHz: 150}}.Lines(),
		"added step by step": added(25, 0.1, 200),
	}
}

func added(first, step float64, n int) []float64 {
	freq := []float64{first}
	for range n - 1 {
		freq = append(freq, freq[len(freq)-1]+step)
	}
	return freq
}

func TestMapIsThePressureAtItsPoints(t *testing.T) {
	const seed = 66
	rng := rand.New(rand.NewPCG(seed, seed))
	for name, freq := range axes() {
		s := strewn(rng, "", 1+rng.IntN(9), 0.5, rng.IntN(3), true, freq)
		s.area.NX, s.area.NY = 5, 3
		m, err := NewMap(s.site, s.sheet, s.area, freq)
		if err != nil {
			t.Fatal(err)
		}
		if len(m.P) != len(freq) || len(m.P[0]) != 15 || !slices.Equal(m.FreqHz, freq) || m.Area != s.area {
			t.Fatalf("%s: got %d by %d values", name, len(m.P), len(m.P[0]))
		}
		for f, hz := range freq {
			for iy := range 3 {
				for ix := range 5 {
					at := engine.Point{X: -12 + 37*float64(ix)/4, Y: -9 + 23*float64(iy)/2, Z: s.area.Z}
					want := direct(t, s, at, hz)
					if apart := cmplx.Abs(m.P[f][iy*5+ix] - want); !(apart < 1e-12) {
						t.Fatalf("%s, seed %d: %g Hz at %v: %g apart", name, seed, hz, at, apart)
					}
				}
			}
		}
	}
}

// The places where the recurrence starts anew.
func TestRuns(t *testing.T) {
	for name, want := range map[string][]int{
		"equal": {64, 64, 64, 64, 64, 64, 64, 64, 64, 64, 60}, "one": {1}, "two": {2}, "falling": {40},
		"three runs": {9, 64, 26, 3}, "twice the same": {3, 2, 1}, "nearly equal": {2, 2, 2},
	} {
		a, err := newAxis(axes()[name])
		if err != nil {
			t.Fatal(err)
		}
		var got []int
		next := 0
		for _, r := range a.runs {
			if r.from != next {
				t.Errorf("%s: a run starts at %d, want %d", name, r.from, next)
			}
			got, next = append(got, r.to-r.from), r.to
		}
		if next != len(a.freqHz) || !slices.Equal(got, want) {
			t.Errorf("%s: got runs of %v, want %v", name, got, want)
		}
	}
	for _, name := range []string{"lines of a signal", "equal"} { // k/0.3 s is no exact number
		if a, _ := newAxis(axes()[name]); len(a.runs) > 1+len(a.freqHz)/maxRun {
			t.Errorf("%s: %d runs of %d frequencies", name, len(a.runs), len(a.freqHz))
		}
	}
}

func TestMapIsTheSameOnAnyNumberOfCores(t *testing.T) {
	s := strewn(rand.New(rand.NewPCG(1, 1)), "", 6, 0.4, 1, true, equalSteps(30, 2, 16))
	s.area.NX, s.area.NY = 60, 50
	want, err := NewMap(s.site, s.sheet, s.area, s.freq)
	if err != nil {
		t.Fatal(err)
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	for _, cores := range []int{1, 2, 5} {
		runtime.GOMAXPROCS(cores)
		got, err := NewMap(s.site, s.sheet, s.area, s.freq)
		if err != nil {
			t.Fatal(err)
		}
		for f := range want.P {
			if !slices.Equal(got.P[f], want.P[f]) {
				t.Fatalf("other bits on %d cores", cores)
			}
		}
	}
}

// A thousand moves leave no more than rounding behind.
func TestReplaceAThousandTimes(t *testing.T) {
	const seed = 1000
	rng := rand.New(rand.NewPCG(seed, seed))
	s := strewn(rng, "", 6, 0.6, 1, true, equalSteps(30, 5, 7))
	s.area.NX, s.area.NY = 9, 7
	before := slices.Clone(s.site.Sources)
	m, err := NewMap(s.site, s.sheet, s.area, s.freq)
	if err != nil {
		t.Fatal(err)
	}
	now := slices.Clone(s.site.Sources)
	for range 1000 {
		i := rng.IntN(len(now))
		now[i].At = engine.Point{X: spread(rng, -12, 25), Y: spread(rng, -9, 14), Z: s.area.Z} // in the midst of the map
		now[i].LevelDB, now[i].FacingRad = spread(rng, -3, 3), spread(rng, -3, 3)
		now[i].Output = 1 + rng.IntN(4) // one of them muted
		now[i].Cabinet = []string{"", "box", "horn"}[rng.IntN(3)]
		if err := m.Replace(i, now[i]); err != nil {
			t.Fatal(err)
		}
	}
	if !slices.Equal(s.site.Sources, before) {
		t.Error("the caller's site was changed")
	}
	s.site.Sources = now
	fresh, err := NewMap(s.site, s.sheet, s.area, s.freq)
	if err != nil {
		t.Fatal(err)
	}
	var worst, loudest float64
	for f := range fresh.P {
		for i, want := range fresh.P[f] {
			worst, loudest = math.Max(worst, cmplx.Abs(m.P[f][i]-want)), math.Max(loudest, cmplx.Abs(want))
		}
	}
	t.Logf("seed %d: %.1e apart, the loudest is %.2g", seed, worst, loudest)
	if !(worst <= 1e-9*loudest) || !(worst < 1e-12*6*10) { // the loudest there can be: six sources at the least distance
		t.Errorf("seed %d: %g apart", seed, worst)
	}
}

func TestReplaceRefusesAndLeavesAlone(t *testing.T) {
	s := strewn(rand.New(rand.NewPCG(4, 4)), "", 3, 0.4, 0, false, []float64{40, 50})
	m, err := NewMap(s.site, s.sheet, s.area, s.freq)
	if err != nil {
		t.Fatal(err)
	}
	s.freq[0] = 7 // the map has its own
	before := slices.Clone(m.P[0])
	stray := engine.Source{Name: "stray", Output: 8}
	for want, err := range map[string]error{
		"map: got source 3 of 3 to replace, counted from 0":          m.Replace(3, stray),
		"map: got source -1 of 3 to replace, counted from 0":         m.Replace(-1, stray),
		`map: source "stray": the sheet has no setting for output 8`: m.Replace(0, stray),
		`map: source "": place, facing and level must be numbers`:    m.Replace(0, engine.Source{Output: 1, LevelDB: math.NaN()}),
		"map: got source 0 of 0 to replace, counted from 0":          new(Map).Replace(0, stray),
	} {
		if err == nil || err.Error() != want {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	if !slices.Equal(m.P[0], before) {
		t.Error("a refused source changed the map")
	}
	if err := m.Replace(1, s.site.Sources[2]); err != nil {
		t.Fatal(err)
	}
	s.site.Sources[1] = s.site.Sources[2]
	for i, p := range m.P[0] {
		near(t, "at 40 Hz", cmplx.Abs(p-direct(t, s, m.Area.At(i%17, i/17), 40)), 0, 1e-12)
	}
}

func TestAreaIsRefused(t *testing.T) {
	site, sheet := alone(engine.Point{}, 0, "")
	for want, area := range map[string]Area{
		"area: got 0 by 5 points, want at least one each way":                                   {NX: 0, NY: 5},
		"area: got 5 by -5 points, want at least one each way":                                  {NX: 5, NY: -5},
		"area: got 40000 by 25000 points at 2 frequencies, want at most 33554432 values in all": {NX: 40000, NY: 25000},
		"area: got 5000 by 5000 points at 2 frequencies, want":                                  {NX: 5000, NY: 5000},
		"area: got 4611686018427387904 by 4611686018427387904 points at 2 frequencies, want":    {NX: 1 << 62, NY: 1 << 62},
		"area: got x NaN to 0 m, y 0 to 0 m, height 0 m, want numbers":                          {NX: 1, NY: 1, MinX: math.NaN()},
		"area: got x 0 to 0 m, y 0 to 0 m, height +Inf m, want numbers":                         {NX: 1, NY: 1, Z: math.Inf(1)},
		"area: got x 5 to 4 m, y 0 to 0 m, want rising ones":                                    {NX: 2, NY: 1, MinX: 5, MaxX: 4},
		"area: got x 0 to 0 m, y 0 to -1 m, want rising ones":                                   {NX: 2, NY: 1, MaxY: -1},
	} {
		m, err := NewMap(site, sheet, area, []float64{50, 60})
		if m != nil || err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	m, err := NewMap(site, sheet, Area{MinX: 3, MaxX: 8, MinY: 4, MaxY: 4, NX: 1, NY: 1}, []float64{50})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "one point, at its Min", cmplx.Abs(m.P[0][0]), 1/5.0, 1e-15)
}

// Nothing is kept but the output: what is allocated for a map does not grow
// with its sources.
func TestMapMemoryIsItsOutput(t *testing.T) {
	bytes := func(sources int) float64 {
		s := strewn(rand.New(rand.NewPCG(9, 9)), "", sources, 0.5, 2, false, equalSteps(30, 1, 31))
		s.area.NX, s.area.NY = 100, 100
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		if _, err := NewMap(s.site, s.sheet, s.area, s.freq); err != nil {
			t.Fatal(err)
		}
		runtime.ReadMemStats(&after)
		return float64(after.TotalAlloc - before.TotalAlloc)
	}
	const output = 100 * 100 * 31 * 16
	for _, sources := range []int{1, 64} {
		if got := bytes(sources); got > 1.05*output {
			t.Errorf("%d sources: allocated %g bytes for an output of %d", sources, got, output)
		}
	}
}
