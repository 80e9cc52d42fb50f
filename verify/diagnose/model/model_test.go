package model

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distmv"

	"hushback/engine"
	"hushback/engine/field"
	"hushback/verify"
	"hushback/verify/transfer"
)

// site is an invented pair before a wall, with echoes.
func site() engine.Site {
	return engine.Site{
		Air: engine.Air{TemperatureC: 14, Humidity: 0.4, PressurePa: 100e3}, Ground: 0.8,
		Walls:     []engine.Wall{{Name: "barn", From: engine.Point{X: -9, Y: 9}, To: engine.Point{X: 30, Y: 12}}},
		Target:    engine.Target{NullHz: 50, Range: engine.Band{LowHz: 35, HighHz: 70}},
		Tolerance: engine.Tolerance{PositionM: 0.02, MicrophoneM: 0.04, LevelDB: 0.4, TemperatureC: 0.5},
		Outputs:   []engine.Output{{Number: 2, Label: "behind"}, {Number: 5}},
		Sources: []engine.Source{
			{Name: "a", Row: engine.RowRear, Output: 2, At: engine.Point{Y: 0.2, Z: 0.3}},
			{Name: "b", Row: engine.RowFront, Output: 5, At: engine.Point{X: 1.7, Y: -0.1, Z: 0.3}, LevelDB: -1},
			{Name: "c", Row: engine.RowFront, Output: 5, At: engine.Point{X: 1.6, Y: 1.4, Z: 0.3}},
		},
		Microphones: []engine.Microphone{
			{Name: "far", Role: engine.RoleFront, At: engine.Point{X: 20, Y: 1, Z: 1.2}},
			{Name: "back", Role: engine.RoleRear, At: engine.Point{X: -9, Y: -1, Z: 1.2}},
		},
	}
}

func sheet() engine.Sheet {
	return engine.Sheet{Settings: []engine.Setting{{Output: 2, Polarity: -1, DelaySec: 0.006}, {Output: 5, Polarity: 1, DelaySec: 0.001, GainDB: -3}}}
}

// series is measured by engine/field, output by output and all together.
func series(t *testing.T, s engine.Site, set engine.Sheet, sigma float64, rng *rand.Rand) []verify.Capture {
	t.Helper()
	var freq []float64
	for f := 30.0; f <= 80; f += 5 {
		freq = append(freq, f)
	}
	var captures []verify.Capture
	for _, solo := range []int{0, 2, 5} {
		open := engine.Sheet{Settings: append([]engine.Setting(nil), set.Settings...)}
		for i := range open.Settings {
			open.Settings[i].Muted = solo != 0 && open.Settings[i].Output != solo
		}
		for _, mic := range s.Microphones {
			p, err := field.Along(s, open, []engine.Point{mic.At}, freq)
			if err != nil {
				t.Fatal(err)
			}
			f := transfer.Function{FreqHz: freq, Averages: 5}
			for _, row := range p {
				f.H = append(f.H, row[0]+complex(sigma*rng.NormFloat64(), sigma*rng.NormFloat64()))
				f.Sigma, f.Coherence = append(f.Sigma, sigma), append(f.Coherence, 1)
			}
			captures = append(captures, verify.Capture{Microphone: mic.Name, Role: mic.Role, Solo: solo, SheetDigest: sheet().Digest(), Function: f})
		}
	}
	return captures
}

// What is left of noiseless captures at the truth, wherever that is, is nothing:
// engine/field of the whole site against the model's sum of its parts.
func TestTruthFits(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 20 {
		off := func() float64 { return 0.02 * rng.NormFloat64() }
		real := site()
		truth := map[int]float64{}
		l := Layout{Sources: 3, Outputs: 2}
		for i := range real.Sources {
			src := &real.Sources[i]
			x, y, level := off(), off(), off()
			src.At.X, src.At.Y, src.LevelDB = src.At.X+x, src.At.Y+y, src.LevelDB+level
			truth[l.SourceX(i)], truth[l.SourceY(i)], truth[l.SourceLevel(i)] = x, y, level
		}
		for i := range real.Microphones {
			x, y := off(), off()
			real.Microphones[i].At.X += x
			real.Microphones[i].At.Y += y
			truth[l.MicrophoneX(i)], truth[l.MicrophoneY(i)] = x, y
		}
		truth[l.Warmer()] = 10 * off()
		real.Air.TemperatureC += truth[l.Warmer()]
		m, err := New(site(), sheet(), series(t, real, sheet(), 1e-5, rng))
		if err != nil {
			t.Fatal(err)
		}
		f := m.open(m.Healthy())
		if err := f.begin(nil); err != nil {
			t.Fatal(err)
		}
		clear(f.theta)
		for p, v := range truth {
			f.theta[p] = v
		}
		if err := f.survey(fine); err != nil {
			t.Fatal(err)
		}
		f.compute()
		if off := f.result().Off(); !(off < 2e-3) {
			t.Errorf("at the truth the captures are %.2g off", off)
		}
	}
}

// linear's slope and curvature against differences of the values themselves.
func TestLinearIsTheDerivative(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	m, err := New(site(), sheet(), series(t, site(), sheet(), 1e-3, rng))
	if err != nil {
		t.Fatal(err)
	}
	rig := m.Healthy()
	for p := range rig.Sigma {
		rig.Sigma[p] = 0.01
	}
	rig.Sigma[m.Delay(0)], rig.Sigma[m.Delay(1)] = 1e-4, 1e-4
	f := m.open(rig)
	if err := f.begin(nil); err != nil {
		t.Fatal(err)
	}
	for _, p := range f.active {
		f.theta[p] += 0.3 * rig.Sigma[p] * rng.NormFloat64()
	}
	f.compute()
	_, slope := f.linear()
	for i, p := range f.active {
		const h = 1e-4
		at := f.theta[p]
		f.theta[p] = at + h*rig.Sigma[p]
		f.compute()
		above := f.loss()
		f.theta[p] = at - h*rig.Sigma[p]
		f.compute()
		below := f.loss()
		f.theta[p] = at
		f.compute()
		if want := -(above - below) / (2 * h); math.Abs(slope.AtVec(i)-want) > 1e-4*(1+math.Abs(want)) {
			t.Errorf("quantity %d: slope %.8g, by differences %.8g", p, slope.AtVec(i), want)
		}
	}
}

// Where the model is as good as linear, LogZ is the density of one large normal
// distribution, which gonum knows: mean as predicted, covariance noise and what
// every quantity's uncertainty adds.
func TestLogZIsTheNormalDensity(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	m, err := New(site(), sheet(), series(t, site(), sheet(), 2e-3, rng))
	if err != nil {
		t.Fatal(err)
	}
	density := func(rig Rig) (got, want float64) {
		f := m.open(rig)
		if err := f.begin(nil); err != nil {
			t.Fatal(err)
		}
		clear(f.theta)
		clear(f.centre)
		f.compute()
		values := func() (all []float64) {
			for i := range f.takes {
				for j := range f.takes[i].h {
					v := f.channel[f.takes[i].mic][j] * f.heard(&f.takes[i], j)
					all = append(all, real(v), imag(v))
				}
			}
			return all
		}
		mean := values()
		n := len(mean)
		cov := mat.NewSymDense(n, nil)
		var data []float64
		for i := range f.takes {
			for j, h := range f.takes[i].h {
				for range 2 {
					cov.SetSym(len(data), len(data), 1/f.scale[i][j])
					data = append(data, real(h))
					h *= complex(0, -1)
				}
			}
		}
		for _, p := range f.active {
			const h = 1e-4
			f.theta[p] = h * rig.Sigma[p]
			f.compute()
			up := values()
			f.theta[p] = 0
			d := mat.NewVecDense(n, nil)
			for i := range up {
				d.SetVec(i, (up[i]-mean[i])/h)
			}
			cov.SymRankOne(cov, 1, d)
		}
		f.compute()
		normal, ok := distmv.NewNormal(mean, cov, nil)
		if !ok {
			t.Fatal("not a covariance")
		}
		f.descend(20)
		return f.result().LogZ - float64(n)/2*math.Log(2*math.Pi), normal.LogProb(data)
	}
	tight := m.Healthy()
	for p := range tight.Sigma {
		tight.Sigma[p] *= 0.01
	}
	tight.Sigma[m.Level(0)] = 0.05
	got, want := density(tight)
	if math.Abs(got-want) > 0.02 {
		t.Errorf("logarithm of the density %.4f, by gonum %.4f", got, want)
	}
}

// Captures of exchanged channels are as probable under the exchange as the
// others are without: a density changes by the Jacobian of 1/H, |dy/dh|² = |h|^-4.
func TestInvertedDensity(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	captures := series(t, site(), sheet(), 1e-4, rng)
	m, err := New(site(), sheet(), captures)
	if err != nil {
		t.Fatal(err)
	}
	jacobian := 0.0
	for i := range captures {
		f := &captures[i].Function
		f.H, f.Sigma = append([]complex128(nil), f.H...), append([]float64(nil), f.Sigma...)
		for j, h := range f.H {
			if f.FreqHz[j] >= 35 && f.FreqHz[j] <= 70 {
				jacobian += 4 * math.Log(cmplx.Abs(h))
			}
			f.Sigma[j] /= power(h)
			f.H[j] = 1 / h
		}
	}
	other, err := New(site(), sheet(), captures)
	if err != nil {
		t.Fatal(err)
	}
	straight := m.Healthy()
	straight.Error = 0
	turned := straight.Clone()
	turned.Inverted = true
	a, err := m.Fit(straight, [][]Push{nil})
	if err != nil {
		t.Fatal(err)
	}
	b, err := other.Fit(turned, [][]Push{nil})
	if err != nil {
		t.Fatal(err)
	}
	// pooled noise is not quite the noise of each line once it is divided
	if math.Abs(b.LogZ-jacobian-a.LogZ) > 0.05*math.Abs(a.LogZ) {
		t.Errorf("straight %.2f, inverted %.2f less %.2f", a.LogZ, b.LogZ, jacobian)
	}
}

func TestThinnedLines(t *testing.T) {
	var freq []float64
	for f := 1.0; f <= 200; f++ {
		freq = append(freq, f)
	}
	kept := lines(freq, engine.Band{LowHz: 30, HighHz: 129})
	if len(kept) != maxLines || freq[kept[0]] != 30 || freq[kept[maxLines-1]] != 129 {
		t.Fatalf("kept %v", kept)
	}
	for i := 1; i < len(kept); i++ {
		if step := kept[i] - kept[i-1]; step < 5 || step > 6 {
			t.Errorf("a step of %d lines", step)
		}
	}
}
