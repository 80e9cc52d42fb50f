package excite

import (
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"hushback/engine"
)

func signal(kind engine.SignalKind) engine.TestSignal {
	return engine.TestSignal{Kind: kind, PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}}
}

func made(t *testing.T, kind engine.SignalKind, rate int, o Options) *Signal {
	t.Helper()
	s, err := New(signal(kind), rate, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func read(s *Signal, n int) []float64 {
	out := make([]float64, n)
	s.Read(out)
	return out
}

// energy is each bin's, rate/len apart.
func energy(samples []float64) []float64 {
	bins := fourier.NewFFT(len(samples)).Coefficients(nil, samples)
	e := make([]float64, len(bins))
	for i, b := range bins {
		e[i] = real(b)*real(b) + imag(b)*imag(b)
	}
	return e
}

func peak(samples []float64) float64 {
	p := 0.0
	for _, v := range samples {
		p = math.Max(p, math.Abs(v))
	}
	return p
}

// The multisine has its lines, all alike, and nothing else; it repeats, and peaks
// at the level that was asked for, with a crest factor well below noise's.
func TestMultisine(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000} {
		s := made(t, "", rate, Options{LevelDB: -20, Seed: 4})
		n := len(s.repeat)
		if n != rate/2 {
			t.Fatalf("%d a second: period of %d samples", rate, n)
		}
		one, two := read(s, n), read(s, n)
		if !slices.Equal(one, two) {
			t.Errorf("%d a second: it does not repeat", rate)
		}
		e := energy(one)
		for k, v := range e {
			line := k >= 10 && k <= 60
			if line && math.Abs(v/e[10]-1) > 1e-9 || !line && v > 1e-20*e[10] {
				t.Errorf("%d a second: bin %d holds %g of bin 10's energy", rate, k, v/e[10])
			}
		}
		crest := 20 * math.Log10(peak(one)/math.Sqrt(power(one)))
		t.Logf("%d a second: crest factor %.1f dB", rate, crest)
		if math.Abs(peak(one)-0.1) > 1e-12 || crest > 9 {
			t.Errorf("%d a second: peak %g, crest factor %.1f dB", rate, peak(one), crest)
		}
	}
	again := read(made(t, "", 48000, Options{LevelDB: -20, Seed: 4}), 24000)
	other := read(made(t, "", 48000, Options{LevelDB: -20, Seed: 5}), 24000)
	first := read(made(t, engine.SignalMultisine, 48000, Options{LevelDB: -20, Seed: 4}), 24000)
	if !slices.Equal(again, first) || slices.Equal(again, other) {
		t.Error("the seed does not decide the signal")
	}
}

// A sweep starts and ends in silence, is nowhere above its level, and carries its
// energy inside the band, falling by 3 dB an octave as an exponential one does.
func TestSweep(t *testing.T) {
	s := made(t, engine.SignalSweep, 48000, Options{LevelDB: -12})
	n := len(s.repeat)
	if n != 8*24000 {
		t.Fatalf("period of %d samples", n)
	}
	one := read(s, n)
	if !slices.Equal(one, read(s, n)) || math.Abs(one[0]) > 1e-9 || peak(one[3*n/4:]) != 0 || math.Abs(peak(one)-engine.Ratio(-12)) > 1e-3 {
		t.Errorf("begins at %g, peaks at %g, then up to %g", one[0], peak(one), peak(one[3*n/4:]))
	}
	e := energy(one)
	band := func(low, high float64) float64 {
		var sum float64
		for k := int(low * 4); k < int(high*4); k++ {
			sum += e[k]
		}
		return sum / (high - low)
	}
	if fall := 10 * math.Log10(band(35, 45)/band(70, 90)); math.Abs(fall-3) > 0.5 {
		t.Errorf("from 40 to 80 Hz it falls by %.2f dB, want 3", fall)
	}
	if out := band(200, 20000) / band(40, 80); out > 1e-5 {
		t.Errorf("%.1f dB of it are above the band", 10*math.Log10(out))
	}
}

// Noise stays inside its band, does not repeat within a minute, has the same power
// all along, and never exceeds the level.
func TestNoise(t *testing.T) {
	const rate = 8000 // the same at any rate, and sixty seconds are quicker
	s := made(t, engine.SignalNoise, rate, Options{LevelDB: -6, Seed: 9})
	if len(s.repeat) != 0 {
		t.Errorf("noise repeats after %d samples", len(s.repeat))
	}
	all := read(s, 60*rate)
	if p := peak(all); p > engine.Ratio(-6) {
		t.Errorf("peak %g", p)
	}
	var least, most = math.Inf(1), 0.0
	for from := 0; from < len(all); from += 4 * rate {
		p := power(all[from : from+4*rate])
		least, most = math.Min(least, p), math.Max(most, p)
	}
	if want := engine.Ratio(-6) / noisePeak; math.Abs(20*math.Log10(math.Sqrt(power(all))/want)) > 0.3 || 10*math.Log10(most/least) > 2 {
		t.Errorf("root mean square %g, want %g; from %g to %g", math.Sqrt(power(all)), want, least, most)
	}
	var cross complex128
	a, b := fourier.NewFFT(30*rate).Coefficients(nil, all[:30*rate]), fourier.NewFFT(30*rate).Coefficients(nil, all[30*rate:])
	var own float64
	for k := range a {
		cross += cmplx.Conj(a[k]) * b[k]
		own += real(a[k])*real(a[k]) + imag(a[k])*imag(a[k])
	}
	if alike := cmplx.Abs(cross) / own; alike > 0.1 {
		t.Errorf("its halves are alike by %.2f", alike)
	}
	var in, out float64
	for k, v := range energy(all) {
		if hz := float64(k) / 60; hz >= 18 && hz <= 122 {
			in += v
		} else {
			out += v
		}
	}
	if out > 1e-3*in {
		t.Errorf("%.1f dB of it are outside the band", 10*math.Log10(out/in))
	}
}

func TestFadeIn(t *testing.T) {
	plain := read(made(t, "", 48000, Options{LevelDB: -20, Seed: 2}), 48000)
	faded := read(made(t, "", 48000, Options{LevelDB: -20, Seed: 2, FadeInSec: 0.5}), 48000)
	for i := range plain {
		want := plain[i]
		if i < 24000 {
			want *= math.Pow(math.Sin(math.Pi/2*float64(i)/24000), 2)
		}
		if math.Abs(faded[i]-want) > 1e-12 {
			t.Fatalf("sample %d: %g, want %g", i, faded[i], want)
		}
	}
}

func TestSignalsThatAreNone(t *testing.T) {
	good := signal("")
	for want, ask := range map[string]func(*engine.TestSignal, *int, *Options){
		"at most -3 dB":          func(_ *engine.TestSignal, _ *int, o *Options) { o.LevelDB = 0 },
		"level of NaN":           func(_ *engine.TestSignal, _ *int, o *Options) { o.LevelDB = math.NaN() },
		"fade-in of -1 s":        func(_ *engine.TestSignal, _ *int, o *Options) { o.FadeInSec = -1 },
		"want a whole number":    func(s *engine.TestSignal, _ *int, _ *Options) { s.PeriodSec = 0.500003 },
		"is 0 samples":           func(_ *engine.TestSignal, rate *int, _ *Options) { *rate = 0 },
		"no line of it":          func(s *engine.TestSignal, _ *int, _ *Options) { s.Band = engine.Band{LowHz: 20.5, HighHz: 21} },
		"below half of the 200 ": func(_ *engine.TestSignal, rate *int, _ *Options) { *rate = 200 },
	} {
		s, rate, o := good, 48000, Options{LevelDB: -20}
		ask(&s, &rate, &o)
		if _, err := New(s, rate, o); err == nil || !strings.HasPrefix(err.Error(), "test signal: ") || !strings.Contains(err.Error(), want) {
			t.Errorf("want an error with %q, got %v", want, err)
		}
	}
}
