package verify

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"hushback/engine"
)

func judge(t *testing.T, captures []Capture) Verdict {
	t.Helper()
	v, err := Judge(site(), prediction(), captures)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func claim(t *testing.T, v Verdict, name string) Claim {
	t.Helper()
	for _, c := range v.Claims {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no claim %q in %+v", name, v.Claims)
	return Claim{}
}

// truth is the numbers of a rig without any noise, on a fine grid.
type truth struct{ atTargetDB, nullHz, shortfallDB float64 }

func (r rig) truth() truth {
	ratio := func(f float64) float64 { return cmplx.Abs(r.all(rearMicrophone, f) / r.all(frontMicrophone, f)) }
	s := truth{atTargetDB: 20 * math.Log10(ratio(targetHz)), shortfallDB: math.Inf(-1)}
	lowest := math.Inf(1)
	look := func(f float64) {
		if z := ratio(f); z < lowest && f >= 32 && f <= 68 {
			lowest, s.nullHz = z, f
		}
	}
	for f := 32.0; f <= 68; f += 0.25 {
		look(f)
		var coherent float64
		for k := range r.boxes {
			coherent += cmplx.Abs(r.hears(frontMicrophone, f, k))
		}
		s.shortfallDB = math.Max(s.shortfallDB, 20*math.Log10(coherent/cmplx.Abs(r.all(frontMicrophone, f))))
	}
	for coarse, i := s.nullHz, -256; i <= 256; i++ {
		look(coarse + float64(i)/1024)
	}
	return s
}

func (s truth) good() bool {
	return s.atTargetDB <= -24 && math.Abs(s.nullHz-targetHz) <= 0.5 && s.shortfallDB <= 1.5
}

// Rigs that a careful crew put up are proven, whatever the noise of the day.
func TestHealthyRigsAreProven(t *testing.T) {
	for seed := range uint64(trials(t, 40)) {
		rng := rand.New(rand.NewPCG(seed, 1))
		v := judge(t, listening(rng, quiet).measure(designed().usual(rng)))
		if v.Outcome != Proven {
			t.Errorf("seed %d: %s: %q", seed, v.Outcome, v.Reasons)
		}
		if len(v.Claims) != 14 || len(v.Reasons) != 3 {
			t.Fatalf("seed %d: %d claims and %d reasons, want 14 and 3: signal, the whole, the microphones, two of each output, and the array's three, which are the reasons", seed, len(v.Claims), len(v.Reasons))
		}
	}
}

// The same rigs in ever more noise: the verdict loses its certainty, but never
// turns against them.
func TestHealthyRigsAreNeverRefuted(t *testing.T) {
	for _, signalDB := range []float64{50, 40, 30, 20, 10, 0, -20} {
		outcomes := map[Outcome]int{}
		for seed := range uint64(trials(t, 10)) {
			rng := rand.New(rand.NewPCG(seed, 2))
			v := judge(t, listening(rng, signalDB).measure(designed().usual(rng)))
			outcomes[v.Outcome]++
			if v.Outcome == Refuted {
				t.Errorf("seed %d, signal %g dB over the noise: %q", seed, signalDB, v.Reasons)
			}
		}
		t.Logf("signal %g dB over the noise: %v", signalDB, outcomes)
		if signalDB <= 20 && outcomes[Proven] > 0 {
			t.Errorf("signal %g dB over the noise: %d of them proven", signalDB, outcomes[Proven])
		}
	}
}

// The depth that is reported is never deeper than the noise lets anybody say: at
// least the radius that the error lies within is reported, and the truth lies no
// further than that radius beyond what was measured, so that it is twice as much,
// 6 dB more, at most.
func TestDepthIsNotOverstated(t *testing.T) {
	worst := 0.0
	for _, signalDB := range []float64{quiet, 50, 40} {
		for seed := range uint64(trials(t, 10)) {
			rng := rand.New(rand.NewPCG(seed, 7))
			r := designed().usual(rng)
			v := judge(t, listening(rng, signalDB).measure(r))
			if v.Summary == (engine.Summary{}) {
				continue
			}
			nullHz := r.truth().nullHz
			deep := 20 * math.Log10(cmplx.Abs(r.all(rearMicrophone, nullHz)/r.all(frontMicrophone, nullHz)))
			over := deep - v.Summary.NullDepthDB
			worst = math.Max(worst, over)
			if over > 6 {
				t.Errorf("seed %d, signal %g dB: reported %.1f dB, %.1f dB deeper than it is", seed, signalDB, v.Summary.NullDepthDB, over)
			}
		}
	}
	t.Logf("overstated by %.2f dB at most", worst)
}

// Each fault on each output is refuted, and the claim that names it is among
// the refuted ones.
func TestFaultsAreRefuted(t *testing.T) {
	for _, fault := range []struct {
		name   string
		put    func(*box)
		claim  string
		phrase string
	}{
		{"polarity", func(b *box) { b.polarity = -1 }, "output %d in time", "polarity reversed"},
		{"dead", func(b *box) { b.gainDB = -400 }, "output %d heard", "is silent: at least "},
		{"late", func(b *box) { b.delaySec += 0.004 }, "output %d in time", "late"},
		{"moved forward", func(b *box) { b.x += 0.6 }, "output %d in time", "°"},
		{"moved back", func(b *box) { b.x -= 0.6 }, "output %d in time", "°"},
		{"6 dB down", func(b *box) { b.gainDB -= 6 }, "output %d heard", "at -"},
	} {
		for output := 1; output <= 4; output++ {
			for seed := range uint64(trials(t, 1)) {
				rng := rand.New(rand.NewPCG(seed, 3))
				r := designed().usual(rng)
				fault.put(&r.boxes[output-1])
				v := judge(t, listening(rng, quiet).measure(r))
				if v.Outcome != Refuted {
					t.Errorf("seed %d: %s=%d: %s", seed, fault.name, output, v.Outcome)
				}
				c := claim(t, v, fmt.Sprintf(fault.claim, output))
				if c.Outcome != Refuted || !strings.Contains(c.Sentence, fault.phrase) || !strings.Contains(c.Sentence, fmt.Sprintf("output %d (", output)) {
					t.Errorf("seed %d: %s=%d: claim %s, %q; want it refuted with %q", seed, fault.name, output, c.Outcome, c.Sentence, fault.phrase)
				}
				for other := 1; other <= 4; other++ { // and nobody else is blamed
					for _, name := range []string{"output %d in time", "output %d heard"} {
						if c := claim(t, v, fmt.Sprintf(name, other)); other != output && c.Outcome != Proven {
							t.Errorf("seed %d: %s=%d: %q", seed, fault.name, output, c.Sentence)
						}
					}
				}
			}
		}
	}
}

func TestColdIsNeverProven(t *testing.T) {
	for seed := range uint64(trials(t, 12)) {
		rng := rand.New(rand.NewPCG(seed, 4))
		r := designed().usual(rng)
		r.celsius -= 20
		if v := judge(t, listening(rng, quiet).measure(r)); v.Outcome == Proven {
			t.Errorf("seed %d: proven in the cold: %q", seed, v.Reasons)
		}
	}
}

// A deaf microphone, either or both, leaves everything undecided, whatever the
// rig is like.
func TestDeafIsUndecided(t *testing.T) {
	for seed := range uint64(trials(t, 12)) {
		for _, deaf := range [][]engine.Role{{engine.RoleFront}, {engine.RoleRear}, {engine.RoleFront, engine.RoleRear}} {
			rng := rand.New(rand.NewPCG(seed, 5))
			r := designed().usual(rng)
			if seed%2 == 1 {
				r.boxes[seed%4].polarity = -1
			}
			b := listening(rng, quiet)
			for _, role := range deaf {
				b.signalDB[role] -= 65
			}
			v := judge(t, b.measure(r))
			if v.Outcome != Undecided || len(v.Claims) != 1 || v.Claims[0].Name != "signal" {
				t.Errorf("seed %d, deaf %v: %s with %d claims", seed, deaf, v.Outcome, len(v.Claims))
			}
			if want := "dB are needed: turn up, or wait for quiet"; len(v.Reasons) != 1 || !strings.Contains(v.Reasons[0], want) {
				t.Errorf("seed %d, deaf %v: reasons %q, want one with %q", seed, deaf, v.Reasons, want)
			}
		}
	}
}

// A microphone that is not plugged in sends exact zeros.
func TestUnpluggedIsUndecided(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 6))
	captures := listening(rng, quiet).measure(designed())
	for i := range captures {
		if captures[i].Role == engine.RoleFront {
			clear(captures[i].Function.H)
			clear(captures[i].Function.Sigma)
		}
	}
	v := judge(t, captures)
	if v.Outcome != Undecided || !strings.Contains(v.Reasons[0], "hears nothing at all") || v.Summary != (engine.Summary{}) {
		t.Errorf("%s: %q, summary %+v", v.Outcome, v.Reasons, v.Summary)
	}
}

// Rigs put up with all degrees of care, some with an output out of time, in
// all degrees of noise. What is proven must be true, what is refuted false.
func TestProvenIsTrueAndRefutedIsFalse(t *testing.T) {
	outcomes, rigs := map[Outcome]int{}, trials(t, 80)
	for seed := range uint64(rigs) {
		rng := rand.New(rand.NewPCG(seed, 7))
		sloppy := 10 * rng.Float64()
		r := designed().strayed(rng, 0.01*sloppy, 0.1*sloppy, 0.3*sloppy)
		if seed%2 == 0 {
			r.boxes[rng.IntN(4)].delaySec += 0.0015 * rng.NormFloat64() * sloppy / 10
		}
		v := judge(t, listening(rng, 30+40*rng.Float64()).measure(r))
		outcomes[v.Outcome]++
		s := r.truth()
		if v.Outcome == Proven && !s.good() {
			t.Errorf("seed %d: proven, but %+v: %q", seed, s, v.Reasons)
		}
		if v.Outcome == Refuted && s.good() {
			t.Errorf("seed %d: refuted, but %+v: %q", seed, s, v.Reasons)
		}
	}
	t.Logf("%d rigs: %v", rigs, outcomes)
	for _, o := range []Outcome{Proven, Refuted, Undecided} {
		if outcomes[o] < rigs/14 {
			t.Errorf("only %d of %d rigs %s: the trial shows nothing", outcomes[o], rigs, o)
		}
	}
}

// The intervals of the array's claims hold the noiseless truth, at least 99 %
// of the time.
func TestIntervalsHoldTheTruth(t *testing.T) {
	trials := trials(t, 40)
	for _, signalDB := range []float64{quiet, 40} {
		misses := map[string]int{}
		for seed := range uint64(trials) {
			rng := rand.New(rand.NewPCG(seed, 8))
			r := designed().strayed(rng, 0.03, 0.3, 1)
			v := judge(t, listening(rng, signalDB).measure(r))
			s := r.truth()
			for name, want := range map[string]float64{
				"null depth": s.atTargetDB, "null frequency": s.nullHz - targetHz, "sum in front": s.shortfallDB,
			} {
				c := claim(t, v, name)
				if want < c.Low-0.0005 || want > c.High+0.0005 { // half a step of the truth's own grid
					misses[name]++
				}
				if c.Value < c.Low || c.Value > c.High {
					t.Errorf("seed %d: %s: %g lies outside its own interval %g to %g", seed, name, c.Value, c.Low, c.High)
				}
			}
		}
		for name, n := range misses {
			if n > 1+trials/100 {
				t.Errorf("signal %g dB over the noise: %s: %d of %d intervals miss the truth", signalDB, name, n, trials)
			}
		}
	}
}

// What the outputs' claims measure is what was put in.
func TestOutputsAreMeasured(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	r := designed()
	r.boxes[1].gainDB -= 1.5
	r.boxes[2].delaySec += 0.0005 // 9° at 50 Hz, the middle of the range
	v := judge(t, listening(rng, quiet).measure(r))
	for name, want := range map[string]float64{
		"output 1 heard": 0, "output 2 heard": -1.5, "output 3 heard": 0, "output 4 heard": 0,
		"output 1 in time": 0, "output 2 in time": 0, "output 3 in time": 9, "output 4 in time": 0,
	} {
		if c := claim(t, v, name); math.Abs(c.Value-want) > 0.1 || c.Low > want || c.High < want {
			t.Errorf("%s: %.3f %s (%.3f to %.3f), want %g", name, c.Value, c.Unit, c.Low, c.High, want)
		}
	}
	if v.Summary.NullHz == 0 || claim(t, v, "null depth").Value != v.Summary.AtTargetDB || claim(t, v, "sum in front").Value != v.Summary.SumShortfallDB {
		t.Errorf("claims and summary differ: %+v", v.Summary)
	}
}

// "signal" is counted against the noise of one average, at the microphone and
// frequency where it stands lowest.
func TestSignalIsMeasured(t *testing.T) {
	b := listening(rand.New(rand.NewPCG(1, 10)), 30)
	b.averages = 400
	b.signalDB[engine.RoleRear] = 14
	// Closed form: behind, the rear box alone is the loudest, 14 dB over the
	// noise less what it falls short of the front sum.
	want := 14 + 20*math.Log10(1/distance(designed().boxes[0], rearMicrophone)/cmplx.Abs(designed().all(frontMicrophone, targetHz)))
	c := claim(t, judge(t, b.measure(designed())), "signal")
	if math.Abs(c.Value-want) > 1 || c.Outcome != Proven || c.Low > want {
		t.Errorf("signal %.2f dB (%.2f to %.2f), %s; want %.2f proven", c.Value, c.Low, c.High, c.Outcome, want)
	}
	b.signalDB[engine.RoleRear] = 10.5 - (want - 14)
	c = claim(t, judge(t, b.measure(designed())), "signal")
	if c.Outcome != Undecided || !(c.Low < 10 && c.High > 10) {
		t.Errorf("signal %.2f dB (%.2f to %.2f), %s; want it too close to tell", c.Value, c.Low, c.High, c.Outcome)
	}
}

// With one line in the range there is no worst to pick: the sum's interval
// must then hold the truth in both directions.
func TestSumIntervalIsTwoSided(t *testing.T) {
	one := site()
	one.Target.Range = engine.Band{LowHz: 45.5, HighHz: 46.5}
	r := designed()
	r.boxes[0].delaySec += 0.002
	var coherent float64
	for k := range r.boxes {
		coherent += cmplx.Abs(r.hears(frontMicrophone, 46, k))
	}
	want := 20 * math.Log10(coherent/cmplx.Abs(r.all(frontMicrophone, 46)))
	above, misses := 0, 0
	for seed := range uint64(200) {
		v, err := Judge(one, prediction(), listening(rand.New(rand.NewPCG(seed, 11)), 45).measure(r))
		if err != nil {
			t.Fatal(err)
		}
		c := claim(t, v, "sum in front")
		if c.Value > want {
			above++
		}
		if c.Low > want || c.High < want {
			misses++
		}
	}
	if misses > 2 || above < 50 || above > 150 {
		t.Errorf("the true %.3f dB is missed by %d and exceeded by %d of 200 measurements, want at most 2 and about half", want, misses, above)
	}
}

// Where noise leaves two places for the null, the interval holds both.
func TestRivalNullsWidenTheInterval(t *testing.T) {
	captures := listening(rand.New(rand.NewPCG(1, 12)), 45).measure(designed())
	front, rear := captures[0].Function, captures[5].Function
	near := cmplx.Abs(rear.H[13] / front.H[13]) // at 46 Hz, one line below the true null
	rear.H[20] = front.H[20] * complex(1.05*near, 0)
	c := claim(t, judge(t, captures), "null frequency")
	if c.Outcome != Undecided || c.Low > 0 || c.High < 60-targetHz {
		t.Errorf("%s: %q, want it to allow for 60 Hz", c.Outcome, c.Sentence)
	}
}

// The noise's own power is not counted as level.
func TestFaintOutputIsNotFlattered(t *testing.T) {
	const down, seeds = -20, 60
	var mean, bias float64
	for seed := range uint64(seeds) {
		b := listening(rand.New(rand.NewPCG(seed, 13)), 20)
		b.averages = 400
		r := designed()
		r.boxes[1].gainDB += down
		e, missing, err := gather(site(), prediction(), b.measure(r))
		if err != nil || missing != nil {
			t.Fatal(missing, err)
		}
		claims, err := e.heard()
		if err != nil {
			t.Fatal(err)
		}
		mean += claims[1].Value / seeds
		f := e.parts[1].front.Function
		bias += 10 * math.Log10(1+2*math.Pow(f.Sigma[13]/cmplx.Abs(f.H[13]), 2)) / seeds
	}
	if bias < 0.3 {
		t.Fatalf("noise would add %.2f dB: the trial shows nothing", bias)
	}
	if math.Abs(mean-down) > 0.15 {
		t.Errorf("mean level %.2f dB over %d seeds, want %d; noise uncorrected would add %.2f", mean, seeds, down, bias)
	}
}

// A capture with another delay taken out tells the same.
func TestDelayTakenOutIsPutBack(t *testing.T) {
	captures := listening(rand.New(rand.NewPCG(1, 14)), quiet).measure(designed())
	captures[3].DelaySec += 0.003
	captures[3].Function = captures[3].Function.Advance(0.003)
	if c := claim(t, judge(t, captures), "output 3 in time"); math.Abs(c.Value) > 0.1 {
		t.Errorf("%.2f° late, want 0", c.Value)
	}
}

// Both microphones count: a source that turned about the front one is only
// late behind.
func TestEitherMicrophoneCanRefuteTiming(t *testing.T) {
	captures := listening(rand.New(rand.NewPCG(1, 15)), quiet).measure(designed())
	captures[8].Function = captures[8].Function.Advance(-0.002) // output 3 at the rear, 36° at 50 Hz
	c := claim(t, judge(t, captures), "output 3 in time")
	if c.Outcome != Refuted || math.Abs(c.Value-36) > 1 || !strings.Contains(c.Sentence, "late at the rear microphone") {
		t.Errorf("%s: %q, want 36° late at the rear", c.Outcome, c.Sentence)
	}
	proven, doubtful := Claim{Outcome: Proven, Value: 15}, Claim{Outcome: Undecided, Value: -2}
	if badness(doubtful) <= badness(proven) || badness(c) <= badness(doubtful) {
		t.Error("refuted must come before undecided, undecided before proven")
	}
}
