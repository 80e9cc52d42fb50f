package rehearsal

import (
	"context"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"hushback/cmd/internal/emulated"
	"hushback/engine"
	"hushback/engine/field"
)

// echoing is the test site on ground that reflects, between a wall behind it
// and one askew at its side, with cabinets that play forwards.
func echoing() engine.Site {
	site := testSite()
	site.Ground = 0.85
	site.Walls = []engine.Wall{
		{Name: "behind", From: engine.Point{X: -19, Y: -3}, To: engine.Point{X: -19, Y: 8}},
		{Name: "askew", From: engine.Point{X: -20, Y: 14}, To: engine.Point{X: 30, Y: 22}},
	}
	site.Cabinets = []engine.Cabinet{{
		Name: "horn", WidthM: 1, DepthM: 1, HeightM: 0.6,
		Directivity: engine.Directivity{
			FreqHz:   []float64{30, 60, 100},
			AngleRad: []float64{0, math.Pi / 3, math.Pi / 2, math.Pi},
			LevelDB:  [][]float64{{0.5, 0, -0.5, -1}, {0, -0.5, -2, -4}, {0, -1.5, -5, -9}},
		},
	}}
	for i, facing := range []float64{0, 0.3, 0, -0.4} {
		site.Sources[i].FacingRad = facing
		if i != 2 { // one stays the same in all directions
			site.Sources[i].Cabinet = "horn"
		}
	}
	return site
}

func startEchoing(t *testing.T, fault Fault) *Rig {
	t.Helper()
	r, err := Start(context.Background(), Options{Site: echoing(), Seed: testSeed, Fault: fault})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.Close)
	return r
}

// axis is every line of the test signal.
func axis() []float64 {
	freqHz := make([]float64, 51)
	for i := range freqHz {
		freqHz[i] = float64(20 + 2*i)
	}
	return freqHz
}

// The audio, made of images of the sources, against the closed form, made of
// images of the microphone, and against the prediction of the engine for what
// really stands there.
func TestEchoesAgreeThreeWays(t *testing.T) {
	settings := testSheet()
	settings[1].Polarity, settings[2].DelaySec = -1, 17.31e-3
	r := startEchoing(t, Fault{})
	truth := echoing()
	truth.Sources, truth.Air = r.Truth().Sources, r.Truth().Air
	for _, role := range roles {
		closed := r.Response(role, settings, axis())
		microphone, _ := truth.Microphone(role)
		heard, sent := make([]float64, sampleRate/2), make([]float64, sampleRate/2) // one period
		const from = 71.00001234
		r.space().hear(role, still(settings), from, heard)
		r.space().signal.add(sent, from, unity)
		turn := roots(sampleRate)
		for i, f := range axis() {
			predicted, err := field.Pressure(truth, engine.Sheet{Settings: settings}, microphone.At, f)
			if err != nil {
				t.Fatal(err)
			}
			audio := dft(heard, turn, int(f)) / dft(sent, turn, int(f))
			if off := cmplx.Abs(audio-closed[i]) / cmplx.Abs(closed[i]); off > 1e-8 {
				t.Errorf("%s, %v Hz: the audio is %.2g off the closed form", role, f, off)
			}
			if off := cmplx.Abs(predicted-closed[i]) / cmplx.Abs(closed[i]); off > 1e-9 {
				t.Errorf("%s, %v Hz: the prediction is %.2g off the closed form", role, f, off)
			}
		}
	}
}

// Each kind of echo matters at the microphones, or the test above would hold
// nothing.
func TestEveryEchoIsHeard(t *testing.T) {
	settings := testSheet()
	whole := startEchoing(t, Fault{}).Response(engine.RoleRear, settings, axis())
	for name, without := range map[string]func(*engine.Site){
		"ground":      func(s *engine.Site) { s.Ground = 0 },
		"wall behind": func(s *engine.Site) { s.Walls = s.Walls[1:] },
		"wall askew":  func(s *engine.Site) { s.Walls = s.Walls[:1] },
		"directivity": func(s *engine.Site) { s.Cabinets[0].Directivity = engine.Directivity{} },
		"facing":      func(s *engine.Site) { s.Sources[1].FacingRad = 2 },
	} {
		site := echoing()
		without(&site)
		r, err := Start(context.Background(), Options{Site: site, Seed: testSeed})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		most := 0.0
		for i, p := range r.Response(engine.RoleRear, settings, axis()) {
			most = math.Max(most, cmplx.Abs(p-whole[i])/cmplx.Abs(whole[i]))
		}
		if most < 0.01 {
			t.Errorf("without %s nothing changes by more than %.2g", name, most)
		}
	}
}

// A change of a setting is heard first straight, then by way of each echo:
// sample by sample, as a sum over the mirrored microphones.
func TestChangesReachTheMicrophoneByEveryEcho(t *testing.T) {
	site := echoing()
	site.Cabinets[0].Directivity = engine.Directivity{} // a cabinet's colour has no closed form in time
	r, err := Start(context.Background(), Options{Site: site, Seed: testSeed, Fault: Fault{Late, 3}})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	const from = 5.0000071
	rng := rand.New(rand.NewPCG(testSeed, 9))
	past := still(testSheet())
	for output := 1; output <= 4; output++ {
		at := from - 0.1
		for range 10 {
			at += 0.02 * rng.Float64()
			past[output] = append(past[output], emulated.Moment{At: at, Is: engine.Setting{
				Output: output, DelaySec: 0.02 * rng.Float64(), Polarity: 1 - 2*rng.IntN(2), GainDB: -12 * rng.Float64(), Muted: rng.IntN(3) == 0,
			}})
		}
	}
	for _, m := range site.Microphones {
		got := make([]float64, frameSamples)
		r.space().hear(m.Role, past, from, got)
		for i, y := range got {
			want := 0.0
			for _, ear := range ears(site, m.At) {
				want += ear.factor * heardAt(r, ear.Point, past, from+float64(i)/sampleRate)
			}
			if math.Abs(y-want) > 1e-9 {
				t.Fatalf("%s, sample %d: %v, want %v", m.Name, i, y, want)
			}
		}
	}
	furthest := 0.0
	for _, m := range site.Microphones {
		for _, ear := range ears(site, m.At) {
			for _, source := range r.Truth().Sources {
				furthest = math.Max(furthest, source.At.Distance(ear.Point)/r.Truth().SoundSpeed)
			}
		}
	}
	if reach := r.space().reach; reach < furthest || reach > furthest+0.004+1e-9 {
		t.Errorf("the reach is %v s, the longest way takes %v s", reach, furthest)
	}
}

// Mirror images placed by hand.
func TestImages(t *testing.T) {
	site := engine.Site{Ground: 0.5, Walls: []engine.Wall{
		{From: engine.Point{X: -1, Y: 4}, To: engine.Point{X: -1, Y: -9}},
		{From: engine.Point{}, To: engine.Point{X: 2, Y: 2}},
	}}
	source := engine.Source{At: engine.Point{X: 3, Y: 1, Z: 0.4}, FacingRad: math.Pi / 6}
	half, most := 0.5, math.Sqrt(3)/2
	want := []image{
		{engine.Point{X: 3, Y: 1, Z: 0.4}, most, half, 1},
		{engine.Point{X: -5, Y: 1, Z: 0.4}, -most, half, 1},
		{engine.Point{X: 1, Y: 3, Z: 0.4}, half, most, 1},
		{engine.Point{X: 3, Y: 1, Z: -0.4}, most, half, 0.5},
		{engine.Point{X: -5, Y: 1, Z: -0.4}, -most, half, 0.5},
		{engine.Point{X: 1, Y: 3, Z: -0.4}, half, most, 0.5},
	}
	got := images(site, source)
	if len(got) != len(want) {
		t.Fatalf("%d images, want %d", len(got), len(want))
	}
	for i, w := range want {
		g := got[i]
		if g.at.Distance(w.at) > 1e-12 || math.Hypot(g.faceX-w.faceX, g.faceY-w.faceY) > 1e-12 || g.factor != w.factor {
			t.Errorf("image %d is %+v, want %+v", i, g, w)
		}
	}
	site.Ground = 0
	if n := len(images(site, source)); n != 3 {
		t.Errorf("without ground %d images, want 3", n)
	}
	if off := want[0].off(engine.Point{X: 3, Y: 1, Z: 7}); math.Abs(off-math.Pi/2) > 1e-12 {
		t.Errorf("straight up is %v off a level facing", off)
	}
	if off := want[1].off(engine.Point{X: -5 + most, Y: 1 + half, Z: 0.4}); math.Abs(off-math.Pi*2/3) > 1e-12 {
		t.Errorf("the mirrored facing is %v off, want 120°", off)
	}
}

// The colour of a path against the engine's table, inside it and outside.
func TestColourIsTheTable(t *testing.T) {
	rng := rand.New(rand.NewPCG(testSeed, 4))
	d := echoing().Cabinets[0].Directivity
	for range 500 {
		angle, f := math.Pi*rng.Float64(), 20+120*rng.Float64()
		c := newColour(d, angle)
		if got, want := engine.Ratio(c.at(2*math.Pi*f)), d.Ratio(angle, f); math.Abs(got-want) > 1e-12 {
			t.Fatalf("seed %d: at %v rad and %v Hz %v, want %v", testSeed, angle, f, got, want)
		}
		if c.at(2*math.Pi*f) > c.most()+1e-12 {
			t.Fatalf("at %v rad and %v Hz %v dB, above the most, %v dB", angle, f, c.at(2*math.Pi*f), c.most())
		}
	}
	if flat := newColour(engine.Directivity{}, 1); flat.at(300) != 0 || flat.most() != 0 {
		t.Error("a cabinet without a table has a colour")
	}
}

// Cabinets that play 20 dB louder in some direction, and walls that double it,
// leave room in what the microphones send.
func TestLoudCabinetsDoNotClip(t *testing.T) {
	site := echoing()
	for _, levels := range site.Cabinets[0].Directivity.LevelDB {
		for i := range levels {
			levels[i] += 20
		}
	}
	fitsTheScale(t, site)
}
