package rehearsal

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"hushback/cmd/internal/emulated"
	"hushback/engine"
)

const testSeed = 20260307

// startRig starts a rig on the test site and closes it after the test.
func startRig(t testing.TB, seed uint64, fault Fault) *Rig {
	t.Helper()
	r, err := Start(context.Background(), Options{Site: testSite(), Seed: seed, Fault: fault})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.Close)
	return r
}

// still is the past of outputs that never changed.
func still(settings []engine.Setting) past {
	p := past{}
	for _, set := range settings {
		p[set.Output] = []emulated.Moment{{Is: set}}
	}
	return p
}

// space is the air of a rig.
func (r *Rig) space() *space { return r.microphones[0].space }

var roles = []engine.Role{engine.RoleFront, engine.RoleRear}

// roots is one turn of e^{-jωt} at 1 Hz, rate samples long.
func roots(rate int) []complex128 {
	turn := make([]complex128, rate)
	for i := range turn {
		turn[i] = cmplx.Rect(1, -2*math.Pi*float64(i)/float64(rate))
	}
	return turn
}

// dft is the complex amplitude at a frequency that fits the signal a whole
// number of times: 2/N Σ x e^{-jωt}, t counted from the first sample.
func dft(x []float64, turn []complex128, freqHz int) complex128 {
	var sum complex128
	for i, v := range x {
		sum += complex(v, 0) * turn[freqHz*i%len(turn)]
	}
	return sum * complex(2/float64(len(x)), 0)
}

// differ is by how many dB and degrees a is off b.
func differ(a, b complex128) (db, degrees float64) {
	q := a / b
	return 20 * math.Log10(cmplx.Abs(q)), cmplx.Phase(q) * 180 / math.Pi
}

// A captured second against the closed form, every line, both microphones,
// every fault that changes the paths.
func TestMicrophonesHearTheClosedForm(t *testing.T) {
	settings := testSheet()
	settings[1].Polarity, settings[2].DelaySec = -1, 17.31e-3 // nothing symmetric, nothing deep
	for _, fault := range []Fault{{}, {Polarity, 2}, {Dead, 4}, {Late, 3}, {Moved, 1}, {Kind: Cold}} {
		r := startRig(t, testSeed, fault)
		freqHz := make([]float64, 51)
		for i := range freqHz {
			freqHz[i] = float64(20 + 2*i)
		}
		for _, role := range roles {
			want := r.Response(role, settings, freqHz)
			const from, thin = 71.00001234, 40 // every 40th sample holds all there is up to 600 Hz
			turn := roots(sampleRate / thin)
			var x, y []float64
			for frame := range 10 {
				heard, at := make([]float64, frameSamples), from+float64(frame)/10
				r.space().hear(role, still(settings), at, heard)
				for i := 0; i < frameSamples; i += thin {
					x = append(x, sines(r.space().signal, at+float64(i)/sampleRate))
					y = append(y, heard[i])
				}
			}
			for i, f := range freqHz {
				db, degrees := differ(dft(y, turn, int(f))/dft(x, turn, int(f)), want[i])
				if math.Abs(db) > 0.05 || math.Abs(degrees) > 0.3 {
					t.Errorf("fault %q, %s, %v Hz: heard %.4f dB and %.3f° off the closed form", fault, role, f, db, degrees)
				}
			}
		}
	}
}

// The closed form worked out once more for one output alone: magnitude 1/r,
// phase of delay and travel.
func TestResponseOfOneOutput(t *testing.T) {
	healthy := startRig(t, testSeed, Fault{})
	c := healthy.Truth().SoundSpeed
	for i, source := range healthy.Truth().Sources {
		set := engine.Setting{Output: source.Output, DelaySec: 2.5e-3, Polarity: 1, GainDB: -6}
		for _, m := range testSite().Microphones {
			r := source.At.Distance(m.At)
			want := cmplx.Exp(complex(0, -2*math.Pi*47*(2.5e-3+r/c))) * complex(math.Pow(10, (-6+source.LevelDB)/20)/r, 0)
			got := healthy.Response(m.Role, []engine.Setting{set}, []float64{47})[0]
			if cmplx.Abs(got-want) > 1e-12 {
				t.Errorf("%s at %s: %v, want %v", source.Name, m.Name, got, want)
			}
			for _, fault := range []Fault{{Polarity, source.Output}, {Dead, source.Output}, {Late, source.Output}} {
				faulty := startRig(t, testSeed, fault)
				factor := map[FaultKind]complex128{Polarity: -1, Dead: 0, Late: cmplx.Exp(complex(0, -2*math.Pi*47*0.004))}[fault.Kind]
				got := faulty.Response(m.Role, []engine.Setting{set}, []float64{47})[0]
				if cmplx.Abs(got-want*factor) > 1e-12 {
					t.Errorf("%s: %s at %s: %v, want %v", fault, source.Name, m.Name, got, want*factor)
				}
			}
		}
		muted := set
		muted.Muted = true
		if got := healthy.Response(engine.RoleFront, []engine.Setting{muted}, []float64{47})[0]; got != 0 {
			t.Errorf("source %d muted still gives %v", i, got)
		}
	}
	if got := healthy.Response("overhead", testSheet(), []float64{47, 48}); !slices.Equal(got, []complex128{0, 0}) {
		t.Errorf("a role without a microphone hears %v", got)
	}
}

// Every sample of a stretch full of changes, against the definition.
func TestChangesReachTheMicrophoneWithTheTravelOfTheSound(t *testing.T) {
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(testSeed, seed))
		r := startRig(t, testSeed+seed, Fault{Late, 3})
		const from = 5.0000071
		past := still(testSheet())
		for range 40 {
			set := engine.Setting{
				Output: 1 + rng.IntN(4), DelaySec: 0.02 * rng.Float64(), Polarity: 1 - 2*rng.IntN(2),
				GainDB: -12 * rng.Float64(), Muted: rng.IntN(3) == 0,
			}
			past[set.Output] = append(past[set.Output], emulated.Moment{At: from - 0.15 + 0.3*rng.Float64(), Is: set})
		}
		for output := range past {
			slices.SortFunc(past[output], func(a, b emulated.Moment) int { return int(math.Copysign(1, a.At-b.At)) })
		}
		for _, m := range testSite().Microphones {
			got := make([]float64, frameSamples)
			r.space().hear(m.Role, past, from, got)
			for i, y := range got {
				if want := heardAt(r, m.At, past, from+float64(i)/sampleRate); math.Abs(y-want) > 1e-9 {
					t.Fatalf("seed %d, %s, sample %d: %v, want %v", seed, m.Name, i, y, want)
				}
			}
		}
	}
}

// heardAt is one moment at a place, source by source.
func heardAt(r *Rig, place engine.Point, past past, t float64) float64 {
	sum := 0.0
	for _, source := range r.Truth().Sources {
		distance := source.At.Distance(place)
		left := t - distance/r.Truth().SoundSpeed
		if f := r.Truth().Fault; f.Kind == Late && f.Output == source.Output {
			left -= 0.004
		}
		var set engine.Setting
		for i, m := range past[source.Output] {
			if i == 0 || m.At <= left {
				set = m.Is
			}
		}
		if !set.Muted {
			sum += float64(set.Polarity) * math.Pow(10, (set.GainDB+source.LevelDB)/20) / distance * sines(r.space().signal, left-set.DelaySec)
		}
	}
	return sum
}

func TestMuteSilencesFromTheSampleThatTheSoundNeeds(t *testing.T) {
	for fault, extra := range map[Fault]float64{{}: 0, {Late, 1}: 0.004} {
		r := startRig(t, testSeed, fault)
		settings := testSheet()
		for i := range settings {
			settings[i].Muted = settings[i].Output != 1
		}
		past, muted := still(settings), settings[0]
		muted.Muted = true
		const from, at = 3, 3.01
		past[1] = append(past[1], emulated.Moment{At: at, Is: muted})
		y := make([]float64, frameSamples)
		r.space().hear(engine.RoleFront, past, from, y)
		travel := r.Truth().Sources[0].At.Distance(engine.Point{X: 24, Z: 1.2}) / r.Truth().SoundSpeed
		silent := int(math.Ceil((at + travel + extra - from) * sampleRate))
		for i, v := range y {
			if (v == 0) != (i >= silent) {
				t.Fatalf("fault %q: sample %d holds %v, silence starts at %d", fault, i, v, silent)
			}
		}
	}
}

func TestTruthIsTheSiteNotQuite(t *testing.T) {
	site := testSite()
	for seed := range uint64(20) {
		truth := startRig(t, seed, Fault{}).Truth()
		for i, s := range truth.Sources {
			want := site.Sources[i]
			off := max(math.Abs(s.At.X-want.At.X), math.Abs(s.At.Y-want.At.Y), math.Abs(s.At.Z-want.At.Z))
			level := math.Abs(s.LevelDB - want.LevelDB)
			if off > 0.01 || off == 0 || level > 0.1 || level == 0 {
				t.Errorf("seed %d: %s strays %v m and %v dB", seed, s.Name, off, level)
			}
			if s.Name != want.Name || s.Output != want.Output || s.Row != want.Row {
				t.Errorf("seed %d: %+v stands for %+v", seed, s, want)
			}
		}
		if off := math.Abs(truth.Air.TemperatureC - 17.5); off > 0.3 || off == 0 {
			t.Errorf("seed %d: air strays %v K", seed, off)
		}
	}
}

// A fault changes what it is about and nothing else, with the same seed.
func TestFaultsChangeTheTruthAsStated(t *testing.T) {
	healthy := startRig(t, testSeed, Fault{}).Truth()
	if again := startRig(t, testSeed, Fault{}).Truth(); !slices.Equal(again.Sources, healthy.Sources) || again.Air != healthy.Air {
		t.Error("the same seed gave two rigs")
	}
	if other := startRig(t, testSeed+1, Fault{}).Truth(); slices.Equal(other.Sources, healthy.Sources) {
		t.Error("another seed gave the same rig")
	}
	moved := startRig(t, testSeed, Fault{Kind: Moved}).Truth()
	for i, s := range moved.Sources {
		want := healthy.Sources[i]
		if s.Output == 2 { // the first front output
			want.At.X += 0.6
		}
		if s != want {
			t.Errorf("moved: %+v, want %+v", s, want)
		}
	}
	cold := startRig(t, testSeed, Fault{Kind: Cold}).Truth()
	if drop := healthy.Air.TemperatureC - cold.Air.TemperatureC; math.Abs(drop-20) > 1e-9 {
		t.Errorf("cold: %v K colder, want 20", drop)
	}
	// 331.3·√(1 + T/273.15) m/s for dry air, a textbook formula: near enough to
	// tell 20 K, whatever the humidity.
	slower := 331.3 * (math.Sqrt(1+17.5/273.15) - math.Sqrt(1-2.5/273.15))
	if got := healthy.SoundSpeed - cold.SoundSpeed; math.Abs(got-slower) > 1.5 {
		t.Errorf("cold: sound %v m/s slower, want about %v", got, slower)
	}
	for _, fault := range []Fault{{Kind: Polarity}, {Kind: Dead}, {Kind: Late}, {Kind: Deaf}} {
		truth := startRig(t, testSeed, fault).Truth()
		if !slices.Equal(truth.Sources, healthy.Sources) || truth.Air != healthy.Air {
			t.Errorf("%s changed places or air", fault)
		}
	}
}

func TestNoiseLevelAndIndependence(t *testing.T) {
	for fault, wantDB := range map[Fault]float64{{}: -45, {Kind: Deaf}: 20} {
		r := startRig(t, testSeed, fault)
		// Nothing but noise: all outputs are muted, and their last sound is gone.
		for _, set := range r.Processor.Settings() {
			set.Muted = true
			r.Processor.Set(set)
		}
		from := r.Processor.Seconds() + r.space().reach
		frontSum := 0.0
		for _, s := range testSite().Sources {
			frontSum += math.Pow(10, -6.0/20) / s.At.Distance(engine.Point{X: 24, Z: 1.2})
		}
		frontSum *= r.space().signal.rms()
		const n = 4 * sampleRate
		var noise [2][]float32
		var square [2]float64
		cross := 0.0
		for i, m := range r.microphones {
			noise[i] = m.record(from, n, rand.New(rand.NewPCG(m.seed, m.stream)))
		}
		for i := 1; i < 2*n; i += 2 {
			a, b := float64(noise[0][i]), float64(noise[1][i])
			square[0], square[1], cross = square[0]+a*a, square[1]+b*b, cross+a*b
		}
		for i := range square {
			if got := 20 * math.Log10(math.Sqrt(square[i]/n)/frontSum); math.Abs(got-wantDB) > 0.3 {
				t.Errorf("fault %q, microphone %d: noise at %.2f dB of the front sum, want %v", fault, i, got, wantDB)
			}
		}
		// Of independent noise the correlation has a deviation of 1/√n = 0.0023.
		if rho := cross / math.Sqrt(square[0]*square[1]); math.Abs(rho) > 0.01 {
			t.Errorf("fault %q: the microphones' noise correlates by %v", fault, rho)
		}
	}
}

func TestNothingClips(t *testing.T) {
	fitsTheScale(t, testSite())
	site := testSite()
	site.Microphones[1].At.X = -0.5 // hard against the rear source
	fitsTheScale(t, site)
}

// fitsTheScale has every output of a rig play at +6 dB for two periods: the
// microphones' noise has room on top of it.
func fitsTheScale(t *testing.T, site engine.Site) {
	t.Helper()
	r, err := Start(context.Background(), Options{Site: site, Seed: testSeed})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	loud := testSheet()
	for i := range loud {
		loud[i].GainDB = 6
	}
	for _, role := range roles {
		y := make([]float64, sampleRate)
		r.space().hear(role, still(loud), 9, y)
		top := max(slices.Max(y), -slices.Min(y))
		if top > fullScale || top+5*r.space().noise >= 1 || top < 0.01 {
			t.Errorf("%s peaks at %v with every output at +6 dB", role, top)
		}
	}
}

// The rig must be good enough to prove a right sheet whatever the crew's
// scatter, and its faults bad enough to refute one, by the limits of the site:
// by the closed form, on a fine axis, judged here by hand.
func TestFaultsMatterAndScatterDoesNot(t *testing.T) {
	limits, target := testSite().Limits, testSite().Target
	judge := func(r *Rig) (ok bool, words string) {
		var freqHz []float64
		for f := target.Range.LowHz; f <= target.Range.HighHz; f += 0.1 {
			freqHz = append(freqHz, f)
		}
		front, rear := r.Response(engine.RoleFront, testSheet(), freqHz), r.Response(engine.RoleRear, testSheet(), freqHz)
		coherent := 0.0
		for _, s := range testSheet() {
			coherent += cmplx.Abs(r.Response(engine.RoleFront, []engine.Setting{s}, freqHz[:1])[0])
		}
		nullHz, depth, atTarget, short := 0.0, math.Inf(1), 0.0, 0.0
		for i, f := range freqHz {
			ratio := 20 * math.Log10(cmplx.Abs(rear[i])/cmplx.Abs(front[i]))
			if ratio < depth {
				nullHz, depth = f, ratio
			}
			if math.Abs(f-target.NullHz) < 0.01 {
				atTarget = ratio
			}
			short = max(short, 20*math.Log10(coherent/cmplx.Abs(front[i])))
		}
		ok = atTarget <= -limits.NullDepthDB && math.Abs(nullHz-target.NullHz) <= limits.NullOffsetHz && short <= limits.SumShortfallDB
		return ok, fmt.Sprintf("null %.1f dB at %.2f Hz, %.1f dB at target, sum %.2f dB short", depth, nullHz, atTarget, short)
	}
	for seed := range uint64(20) {
		if ok, words := judge(startRig(t, seed, Fault{})); !ok {
			t.Errorf("seed %d: a rig in order fails: %s", seed, words)
		}
	}
	for _, kind := range []FaultKind{Polarity, Dead, Late, Moved} {
		for output := 1; output <= 4; output++ {
			for seed := range uint64(4) {
				fault := Fault{kind, output}
				if ok, words := judge(startRig(t, seed, fault)); ok {
					t.Errorf("seed %d: %s passes: %s", seed, fault, words)
				}
			}
		}
	}
}
