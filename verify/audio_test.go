package verify

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"hushback/engine"
	"hushback/verify/transfer"
)

// audio_test.go goes from samples to a verdict: what microphones hear of a periodic
// multisine is made line by line from the rig in closed form, with white noise on
// top, and estimated over whole periods.

// take is a capture of some boxes by one microphone. The reference has every line
// at amplitude 1. noise is the standard deviation of a sample.
type take struct {
	role   engine.Role
	solo   int
	noise  float64
	signal float64 // power in the operating range
	x, y   []float64
}

const (
	audioRate   = 1000
	audioPeriod = 500 // samples, 0.5 s
)

// heardIn plays whole periods of the multisine through some boxes to a microphone.
// Without noise one period is like the other, so noise is added afterwards.
func heardIn(r rig, role engine.Role, solo, periods int, phases []float64) take {
	m, open := frontMicrophone, []int{0, 1, 2, 3}
	if role == engine.RoleRear {
		m = rearMicrophone
	}
	if solo != Everything {
		open = []int{solo - 1}
	}
	t := take{role: role, solo: solo, x: make([]float64, periods*audioPeriod), y: make([]float64, periods*audioPeriod)}
	for k, hz := range lines() {
		h := r.hears(m, hz, open...)
		if hz >= 32 && hz <= 68 {
			t.signal += real(h*cmplx.Conj(h)) / 2
		}
		for n := range audioPeriod {
			turn := 2*math.Pi*hz*float64(n)/audioRate + phases[k]
			t.x[n] += math.Cos(turn)
			t.y[n] += cmplx.Abs(h) * math.Cos(turn+cmplx.Phase(h))
		}
	}
	for n := audioPeriod; n < len(t.x); n++ {
		t.x[n], t.y[n] = t.x[n-audioPeriod], t.y[n-audioPeriod]
	}
	return t
}

// capture adds the noise and estimates.
func (t take) capture(tb testing.TB, rng *rand.Rand) Capture {
	tb.Helper()
	y := make([]float64, len(t.y))
	for i, v := range t.y {
		y[i] = v + t.noise*rng.NormFloat64()
	}
	f, err := transfer.Estimate(t.x, y, audioRate, engine.Band{LowHz: 20, HighHz: 120},
		transfer.Options{Segment: audioPeriod, Hop: audioPeriod, Window: transfer.Rectangular})
	if err != nil {
		tb.Fatal(err)
	}
	return Capture{
		Microphone: string(t.role), Role: t.role, Solo: t.solo, SheetDigest: "sheet", Taken: time.Unix(0, 0),
		DelaySec: arrival(t.role), Function: f.Advance(arrival(t.role)),
	}
}

// noiseFor is the standard deviation of white samples whose power in the operating
// range, 36 of the audioRate/2 Hz, is so many dB below a signal's.
func noiseFor(signal, db float64) float64 {
	return math.Sqrt(signal * math.Pow(10, -db/10) * (audioRate / 2) / 36)
}

// pairs are two rear and two front boxes, so that every output alone is about as
// loud in front as any other and all four together 12 dB louder: aligned in front,
// matched and opposed behind at the target. Steps of 0.01 ms and 0.1 dB.
func pairs() rig {
	r := rig{celsius: celsius}
	for i, at := range [4][2]float64{{0, 1.3}, {0, -1.3}, {1.9, 1.3}, {1.9, -1.3}} {
		r.boxes[i] = box{x: at[0], y: at[1], z: 0.3, polarity: 1}
	}
	for i := range r.boxes {
		r.boxes[i].delaySec = (distance(r.boxes[0], frontMicrophone) - distance(r.boxes[i], frontMicrophone)) / soundSpeed(celsius)
	}
	rear, fronts := r.hears(rearMicrophone, targetHz, 0, 1), r.hears(rearMicrophone, targetHz, 2, 3)
	late := cmplx.Phase(-fronts/rear) / (2 * math.Pi * targetHz)
	for i := range r.boxes {
		b := &r.boxes[i]
		if i < 2 {
			b.gainDB = math.Round(200*math.Log10(cmplx.Abs(fronts)/cmplx.Abs(rear))) / 10
		} else {
			b.delaySec += late
		}
		b.delaySec = math.Round((b.delaySec+0.02)*1e5) / 1e5
	}
	return r
}

// short is the rig with its rear boxes so much louder that the null is only so deep.
func (r rig) short(depthDB float64) rig {
	ahead, behind := cmplx.Abs(r.all(frontMicrophone, targetHz)), cmplx.Abs(r.hears(rearMicrophone, targetHz, 0, 1))
	for i := range 2 {
		r.boxes[i].gainDB += 20 * math.Log10(1+math.Pow(10, -depthDB/20)*ahead/behind)
	}
	return r
}

// series is ten times 15 s of a rig, 30 periods: everything and each output alone
// at both microphones.
func series(r rig, phases []float64) []take {
	var takes []take
	for _, role := range []engine.Role{engine.RoleFront, engine.RoleRear} {
		for solo := range 5 {
			takes = append(takes, heardIn(r, role, solo, 30, phases))
		}
	}
	return takes
}

// judged counts the outcomes of the null depth, and of the whole verdict, for one
// level of noise at both microphones. An interval that misses the truth is an error.
func outcomes(t *testing.T, r rig, takes []take, noise float64, runs int, rng *rand.Rand) (depth, whole map[Outcome]int) {
	t.Helper()
	s := site()
	s.Limits.NullDepthDB = 30
	depth, whole = map[Outcome]int{}, map[Outcome]int{}
	missed, deep := 0, r.truth().atTargetDB
	for range runs {
		var captures []Capture
		for _, k := range takes {
			k.noise = noise
			captures = append(captures, k.capture(t, rng))
		}
		v, err := Judge(s, predicted(pairs()), captures)
		if err != nil {
			t.Fatal(err)
		}
		whole[v.Outcome]++
		if v.Claims[0].Name != NullDepth {
			depth[Undecided]++
			continue // too little signal to make the claim
		}
		c := claim(t, v, NullDepth)
		depth[c.Outcome]++
		if deep < c.Low || deep > c.High {
			missed++
		}
	}
	if missed > 1+runs/50 { // one in a hundred is promised
		t.Errorf("%d of %d intervals miss the true %.2f dB", missed, runs, deep)
	}
	return depth, whole
}

// A null of 30 dB is proven from 15 s a capture where ONE output playing alone
// stands 10 dB above the noise at the front microphone: the power of the quietest
// one's lines in the operating range over the power of the noise in that range,
// which is what a practitioner reads off a meter while it plays. All four together
// stand 23 dB above it then. The true null is that of pairs, 47 dB deep. It takes
// some luck with the noise still, as the test's figure says. A rig
// that is a little short of 30 dB is never proven. HUSHTEST_TRIALS asks for more
// runs, and for the levels at which half of them and 95 % are proven.
//
// Where it is all outputs together that stand 10 dB above the noise, nothing of
// the kind can be said. Reckoning with what was heard of each output as well would
// help by 1 dB only, four of them having four times the noise; and everything may
// differ from their sum by -20 dB, which is more than such a null.
func TestThirtyDecibelsFromFifteenSeconds(t *testing.T) {
	const seed, aloneDB = 33, 10
	runs, long := trials(t, 12), os.Getenv("HUSHTEST_TRIALS") != ""
	rng := rand.New(rand.NewPCG(seed, 1))
	phases := make([]float64, len(lines()))
	for i := range phases {
		phases[i] = 2 * math.Pi * rng.Float64()
	}
	deep, shallow := pairs(), pairs().short(28)
	if at := deep.truth().atTargetDB; at > -40 || shallow.truth().atTargetDB < -30 {
		t.Fatalf("the rigs' nulls are %.2f and %.2f dB", at, shallow.truth().atTargetDB)
	}
	takes := series(deep, phases)
	quietest := math.Inf(1)
	for _, k := range takes[1:5] {
		quietest = math.Min(quietest, k.signal)
	}
	together := 10 * math.Log10(takes[0].signal/quietest)
	t.Logf("seed %d, true null %.1f dB; all outputs stand %.1f dB above the quietest alone", seed, deep.truth().atTargetDB, together)
	depth, whole := outcomes(t, deep, takes, noiseFor(quietest, aloneDB), runs, rng)
	t.Logf("one output alone %d dB above the noise: null depth %v, verdict %v", aloneDB, depth, whole)
	if depth[Proven] < runs*2/3 {
		t.Errorf("the null is proven in %d of %d runs, want two of three at least", depth[Proven], runs)
	}
	depth, whole = outcomes(t, shallow, series(shallow, phases), noiseFor(quietest, aloneDB), runs, rng)
	t.Logf("the same, %.2f dB deep: null depth %v, verdict %v", shallow.truth().atTargetDB, depth, whole)
	if depth[Proven] > 0 || whole[Proven] > 0 {
		t.Errorf("%.2f dB proven to be 30 dB: %v", shallow.truth().atTargetDB, depth)
	}
	for db := 10 - together; long && db < 16; db++ {
		depth, whole := outcomes(t, deep, takes, noiseFor(quietest, db), runs, rng)
		t.Logf("one output alone %.1f dB, all %.1f dB above the noise: null depth %v, verdict %v", db, db+together, depth, whole)
	}
}
