package transfer

import (
	"encoding/binary"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"hushback/engine"
	"hushback/testdata/published"
)

// table is a published table as columns by name.
func table(t *testing.T, name string) map[string][]float64 {
	t.Helper()
	columns := map[string][]float64{}
	for _, row := range published.Table(t, name) {
		for column := range row {
			columns[column] = append(columns[column], row.Number(t, column))
		}
	}
	return columns
}

// goldenAudio is the two channels of the published recording, ±1 full scale.
func goldenAudio(t *testing.T) (x, y []float64) {
	t.Helper()
	b := published.File(t, "transfer_golden.wav")
	const header = 44
	if len(b) != header+4*40000 || string(b[36:40]) != "data" {
		t.Fatalf("recording of %d bytes is not the published one", len(b))
	}
	for i := header; i < len(b); i += 4 {
		x = append(x, float64(int16(binary.LittleEndian.Uint16(b[i:])))/32768)
		y = append(y, float64(int16(binary.LittleEndian.Uint16(b[i+2:])))/32768)
	}
	return x, y
}

func far(got, want, relative float64) bool {
	return math.IsNaN(got) || math.Abs(got-want) > relative*math.Abs(want)
}

// golden48k is the two channels of the published case at 48 kHz, which are too long
// to keep and are made again by numpy. Without it the test fails, unless only the
// short tests are wanted.
func golden48k(t *testing.T) (x, y []float64) {
	t.Helper()
	const script, count = "../../testdata/independent/golden.py", 960000
	for _, python := range []string{"/usr/bin/python3", "python3"} {
		out, err := exec.Command(python, script).Output()
		if err != nil {
			continue
		}
		both := make([]float64, 2*count)
		if len(out) != 8*len(both) {
			t.Fatalf("%s wrote %d bytes", script, len(out))
		}
		for i := range both {
			both[i] = math.Float64frombits(binary.LittleEndian.Uint64(out[8*i:]))
		}
		return both[:count], both[count:]
	}
	t.Fatal("no python3 with numpy to make the recording: install the Debian package python3-numpy, or run the tests with -short")
	return nil, nil
}

// The published estimates to 1e-9, and the published true system within four of our
// own standard errors.
func TestGolden(t *testing.T) {
	x, y := goldenAudio(t)
	checkGolden(t, "transfer_golden_n1024.csv", x, y, 2000, 1024)
	checkGolden(t, "transfer_golden_n2048.csv", x, y, 2000, 2048)
	if !testing.Short() {
		x, y = golden48k(t)
		checkGolden(t, "transfer_golden_48k_n24576.csv", x, y, 48000, 24576)
	}
}

func checkGolden(t *testing.T, name string, x, y []float64, rate float64, segment int) {
	t.Helper()
	want := table(t, name)
	freq := want["f_hz"]
	got, err := Estimate(x, y, rate, engine.Band{LowHz: freq[0], HighHz: freq[len(freq)-1]},
		Options{Segment: segment, Hop: segment / 2, Window: Hann})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.FreqHz) != len(freq) {
		t.Fatalf("%s: %d bins, want %d", name, len(got.FreqHz), len(freq))
	}
	var square float64
	for i, f := range freq {
		h := complex(want["h1_re"][i], want["h1_im"][i])
		if got.FreqHz[i] != f || cmplx.Abs(got.H[i]-h) > 1e-9*cmplx.Abs(h) {
			t.Errorf("%s: %g Hz: %v, want %g Hz: %v", name, got.FreqHz[i], got.H[i], f, h)
		}
		if far(got.Coherence[i], want["coherence"][i], 1e-9) {
			t.Errorf("%s: %g Hz: coherence %v, want %v", name, f, got.Coherence[i], want["coherence"][i])
		}
		truth := cmplx.Rect(math.Pow(10, want["true_db"][i]/20), want["true_phase_deg"][i]*math.Pi/180)
		off := (got.H[i] - truth) / complex(got.Sigma[i], 0)
		if math.Abs(real(off)) > 4 || math.Abs(imag(off)) > 4 {
			t.Errorf("%s: %g Hz: %v is %v standard errors from the true %v", name, f, got.H[i], off, truth)
		}
		square += (real(off)*real(off) + imag(off)*imag(off)) / float64(2*len(freq))
	}
	// The published tolerance on the root mean square of the normalised error.
	if rms := math.Sqrt(square); rms < 0.8 || rms > 1.2 {
		t.Errorf("%s: normalised error %.3f rms, want 0.8 to 1.2", name, rms)
	}
}

func TestEffectiveAverages(t *testing.T) {
	want := table(t, "transfer_effective_averages.csv")
	const segment = 400
	for i, overlap := range want["overlap"] {
		o := Options{Segment: segment, Hop: int(math.Round(segment * (1 - overlap))), Window: Hann}
		got := o.averages(int(want["K_segments"][i]))
		if far(got, want["K_eff_formula"][i], 1e-9) {
			t.Errorf("overlap %g, %g segments: %.10f averages, formula says %.10f", overlap, want["K_segments"][i], got, want["K_eff_formula"][i])
		}
		if far(got, want["mc_K_eff_from_psd_variance"][i], 0.03) {
			t.Errorf("overlap %g, %g segments: %.3f averages, simulation says %.3f", overlap, want["K_segments"][i], got, want["mc_K_eff_from_psd_variance"][i])
		}
	}
	if got := (Options{Segment: segment, Hop: segment}).averages(7); got != 7 {
		t.Errorf("7 rectangular segments count %v, want 7", got)
	}
}

// Sigma against Bendat & Piersol's published table, by simulation: white noise
// through a gain of 1 with noise added for the coherence wanted, every bin of
// every trial one draw.
func TestSigmaIsTheRandomError(t *testing.T) {
	const segment, seed = 64, 7
	want := table(t, "transfer_random_errors.csv")
	rng := rand.New(rand.NewPCG(seed, 1))
	cases := 0
	for i, nd := range want["nd"] {
		g2 := want["coherence"][i]
		if nd < 32 || nd > 64 || g2 < 0.5 || g2 > 0.99 {
			continue
		}
		cases++
		var gain, phase, sigma, count float64
		noise := math.Sqrt((1 - g2) / g2)
		for count < 4000 {
			x, y := make([]float64, segment*int(nd)), make([]float64, segment*int(nd))
			for k := range x {
				x[k] = rng.NormFloat64()
				y[k] = x[k] + noise*rng.NormFloat64()
			}
			f, err := Estimate(x, y, segment, engine.Band{LowHz: 1, HighHz: segment / 2}, Options{Segment: segment, Hop: segment})
			if err != nil {
				t.Fatal(err)
			}
			for k, h := range f.H {
				gain += (real(h) - 1) * (real(h) - 1)
				phase += imag(h) * imag(h)
				sigma += f.Sigma[k] * f.Sigma[k]
				count++
			}
		}
		eps := want["eps_gain"][i]
		for what, got := range map[string]float64{"gain scatters by": gain, "phase scatters by": phase, "Sigma": sigma} {
			if got := math.Sqrt(got / count); far(got, eps, 0.1) {
				t.Errorf("seed %d, %g averages, coherence %g: %s %.4f, Bendat & Piersol 9.90: %.4f", seed, nd, g2, what, got, eps)
			}
		}
	}
	if cases < 4 {
		t.Errorf("only %d rows of the table were tried", cases)
	}
}

// A delay left in lowers |H| and the coherence as published.
func TestDelayBias(t *testing.T) {
	want := table(t, "transfer_delay_bias.csv")
	for i, u := range want["delay_over_window"] {
		if rho := hannOverlap(u); math.Abs(rho-want["gain_factor_hann_formula"][i]) > 1e-6 || math.Abs(rho*rho-want["coherence_factor_hann_formula"][i]) > 1e-6 {
			t.Errorf("delay of %g segments: factor %.9f, want %.9f", u, rho, want["gain_factor_hann_formula"][i])
		}
	}
	const segment, count, seed = 1024, 400, 11
	rng := rand.New(rand.NewPCG(seed, 2))
	delay := 104 // 0.1015625 segments
	x := make([]float64, segment*count)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	y := append(make([]float64, delay), x[:len(x)-delay]...)
	f, err := Estimate(x, y, segment, engine.Band{LowHz: 10, HighHz: 500}, Options{Segment: segment, Hop: segment / 2, Window: Hann})
	if err != nil {
		t.Fatal(err)
	}
	var mean complex128
	for _, h := range f.Advance(float64(delay) / segment).H {
		mean += h / complex(float64(len(f.H)), 0)
	}
	if rho := hannOverlap(float64(delay) / segment); cmplx.Abs(mean-complex(rho, 0)) > 0.01 {
		t.Errorf("seed %d: mean of H is %v, want %.4f", seed, mean, rho)
	}
}

// lines is a multisine with the given frequencies, every phase its own.
func lines(rng *rand.Rand, freqHz []float64, rate float64, n int) []float64 {
	x := make([]float64, n)
	for _, f := range freqHz {
		phase := 2 * math.Pi * rng.Float64()
		for i := range x {
			x[i] += math.Cos(2*math.Pi*f*float64(i)/rate + phase)
		}
	}
	return x
}

// With a periodic signal and independent noise, the error over Sigma must
// follow Student's t: 90 % intervals hold the truth 90 % of the time, for the
// few averages that a show leaves time for too.
func TestIntervalsHoldTheTruth(t *testing.T) {
	const rate, period, seed = 960, 480, 5 // lines every 2 Hz
	band := engine.Band{LowHz: 20, HighHz: 120}
	var freq []float64
	for f := band.LowHz; f <= band.HighHz; f += 2 {
		freq = append(freq, f)
	}
	rng := rand.New(rand.NewPCG(seed, 3))
	for _, averages := range []int{3, 6, 16} {
		x := lines(rng, freq, rate, averages*period)
		var inside, count, square float64
		for range 120 {
			y := slices.Clone(x)
			for i := range y {
				y[i] += 5 * rng.NormFloat64()
			}
			f, err := Estimate(x, y, rate, band, Options{Segment: period, Hop: period})
			if err != nil {
				t.Fatal(err)
			}
			if len(f.H) != len(freq) || f.Averages != float64(averages) {
				t.Fatalf("%d lines and %v averages, want %d and %d", len(f.H), f.Averages, len(freq), averages)
			}
			student := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: f.DegreesOfFreedom()}
			most := student.Quantile(0.95)
			for i, h := range f.H {
				for _, off := range []float64{real(h) - 1, imag(h)} {
					if math.Abs(off) <= most*f.Sigma[i] {
						inside++
					}
					count++
					square += off * off / (25.0 / (period / 2) / float64(averages)) // closed form: 2σ²/(N·n) at amplitude 1
				}
			}
		}
		if share := inside / count; share < 0.87 || share > 0.93 {
			t.Errorf("seed %d, %d averages: %.1f %% of the 90 %% intervals hold the truth, want 87 to 93", seed, averages, 100*share)
		}
		if rms := math.Sqrt(square / count); far(rms, 1, 0.03) {
			t.Errorf("seed %d, %d averages: errors are %.3f times the closed form", seed, averages, rms)
		}
	}
}

// Segments of several periods keep the signal's own lines and nothing between
// them, though the reference hisses.
func TestOnlyTheLinesOfTheSignal(t *testing.T) {
	const rate, period, seed = 960, 480, 9
	band := engine.Band{LowHz: 20, HighHz: 120}
	freq := []float64{20, 22, 46, 48, 120}
	rng := rand.New(rand.NewPCG(seed, 4))
	x := lines(rng, freq, rate, 16*period)
	for i := range x {
		x[i] += 0.015 * rng.NormFloat64() // 40 dB below the signal
	}
	f, err := Estimate(x, x, rate, band, Options{Segment: 4 * period, Hop: 4 * period})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(f.FreqHz, freq) {
		t.Errorf("kept %v, want %v", f.FreqHz, freq)
	}
	for i, h := range f.H {
		if cmplx.Abs(h-1) > 1e-12 || far(f.Coherence[i], 1, 1e-12) {
			t.Errorf("%g Hz: a wire measures as %v with coherence %v", f.FreqHz[i], h, f.Coherence[i])
		}
	}
}

// A pure delay and polarity, exactly, and out again by Advance.
func TestAdvance(t *testing.T) {
	const rate, period, delay = 960, 480, 37
	rng := rand.New(rand.NewPCG(1, 5))
	x := lines(rng, []float64{20, 50, 90}, rate, 4*period)
	y := make([]float64, len(x))
	for i := range y {
		y[i] = -0.5 * x[(i+4*period-delay)%(4*period)]
	}
	f, err := Estimate(x, y, rate, engine.Band{LowHz: 20, HighHz: 120}, Options{Segment: period, Hop: period})
	if err != nil {
		t.Fatal(err)
	}
	advanced := f.Advance(delay / float64(rate))
	for i, h := range advanced.H {
		if cmplx.Abs(h+0.5) > 1e-9 {
			t.Errorf("%g Hz: %v, want -0.5", f.FreqHz[i], h)
		}
		sin, cos := math.Sincos(2 * math.Pi * f.FreqHz[i] * delay / rate)
		if want := -0.5 * complex(cos, -sin); cmplx.Abs(f.H[i]-want) > 1e-9 {
			t.Errorf("%g Hz: %v before Advance, want %v", f.FreqHz[i], f.H[i], want)
		}
	}
}

func TestDeadMicrophone(t *testing.T) {
	x := lines(rand.New(rand.NewPCG(1, 6)), []float64{30}, 960, 960)
	f, err := Estimate(x, make([]float64, 960), 960, engine.Band{LowHz: 20, HighHz: 120}, Options{Segment: 480, Hop: 480})
	if err != nil || len(f.H) != 1 || f.H[0] != 0 || f.Coherence[0] != 0 || f.Sigma[0] != 0 {
		t.Errorf("%+v, %v; want one line of exactly nothing", f, err)
	}
}

func TestEstimateRefuses(t *testing.T) {
	good := lines(rand.New(rand.NewPCG(1, 7)), []float64{30, 40}, 960, 1920)
	with := func(i int, v float64) []float64 {
		s := slices.Clone(good)
		s[i] = v
		return s
	}
	band := engine.Band{LowHz: 20, HighHz: 120}
	whole := Options{Segment: 480, Hop: 480}
	for _, c := range []struct {
		name string
		x, y []float64
		rate float64
		band engine.Band
		o    Options
		want string
	}{
		{"lengths", good, good[1:], 960, band, whole, "reference has 1920 samples, microphone 1919"},
		{"nothing", nil, nil, 960, band, whole, "0 samples make 0 segments"},
		{"short", good[:959], good[:959], 960, band, whole, "959 samples make 1 segments of 480, which is 1.00 independent averages"},
		{"overlap is not two averages", good[:720], good[:720], 960, band, Options{480, 240, Hann}, "2 segments of 480, which is 1.95"},
		{"not a number", with(5, math.NaN()), good, 960, band, whole, "reference sample 5 is NaN"},
		{"infinite", good, with(1900, math.Inf(-1)), 960, band, whole, "microphone sample 1900 is -Inf"},
		{"silent", make([]float64, 1920), good, 960, band, whole, "reference is silent in the band"},
		{"prime factor", good, good, 960, band, Options{Segment: 484, Hop: 484}, "segment of 484 samples"},
		{"tiny segment", good, good, 960, band, Options{Segment: 4, Hop: 4}, "segment of 4 samples"},
		{"zero options", good, good, 960, band, Options{}, "segment of 0 samples"},
		{"negative segment", good, good, 960, band, Options{Segment: -480, Hop: 480}, "segment of -480 samples"},
		{"no hop", good, good, 960, band, Options{480, 0, Hann}, "hop of 0"},
		{"hop too long", good, good, 960, band, Options{480, 481, Hann}, "hop of 481"},
		{"rectangles overlap", good, good, 960, band, Options{480, 240, Rectangular}, "must not overlap"},
		{"window", good, good, 960, band, Options{480, 480, 7}, "window 7"},
		{"band between bins", good, good, 960, engine.Band{LowHz: 20.5, HighHz: 21.5}, whole, "no bin"},
		{"band above", good, good, 960, engine.Band{LowHz: 480, HighHz: 500}, whole, "no bin"},
		{"band upside down", good, good, 960, engine.Band{LowHz: 100, HighHz: 50}, whole, "no bin"},
		{"band not a number", good, good, 960, engine.Band{LowHz: math.NaN(), HighHz: 50}, whole, "no bin"},
		{"rate", good, good, 0, band, whole, "no bin"},
		{"rate below zero", good, good, -960, band, whole, "no bin"},
		{"rate infinite", good, good, math.Inf(1), band, whole, "no bin"},
	} {
		_, err := Estimate(c.x, c.y, c.rate, c.band, c.o)
		if err == nil || !strings.HasPrefix(err.Error(), "transfer function: ") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

func TestZeroFunctionIsSafe(t *testing.T) {
	if f := (Function{}).Advance(1); len(f.H) != 0 {
		t.Errorf("advanced nothing to %v", f)
	}
}
