package field

import (
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"hushback/engine"
)

// numpy is a Python that has numpy and scipy. Without one the test fails,
// unless only the short tests are wanted: then it reports false.
func numpy(t testing.TB) (string, bool) {
	t.Helper()
	if testing.Short() {
		return "", false
	}
	for _, python := range []string{"/usr/bin/python3", "python3"} {
		if exec.Command(python, "-c", "import numpy, scipy").Run() == nil {
			return python, true
		}
	}
	t.Fatal("no python3 with numpy and scipy to compare with: install the Debian packages python3-numpy and python3-scipy, or run the tests with -short")
	return "", false
}

// theCase is a site as testdata/independent/field.py reads it.
type theCase struct {
	C        float64               `json:"c"`
	Ground   float64               `json:"ground"`
	Walls    [][4]float64          `json:"walls"`
	Sources  []theSource           `json:"sources"`
	Settings map[string][4]any     `json:"settings"` // by output: gain in dB, polarity, delay, muted
	Cabinets map[string]theCabinet `json:"cabinets"`
	Points   [][3]float64          `json:"points"`
	Angles   []float64             `json:"angles"`
	Freq     []float64             `json:"freq"`
	Area     map[string]any        `json:"area"`
}

type theSource struct {
	At      [3]float64 `json:"at"`
	LevelDB float64    `json:"level_db"`
	Output  int        `json:"output"`
	Facing  float64    `json:"facing"`
	Cabinet string     `json:"cabinet"`
}

type theCabinet struct {
	Freq    []float64   `json:"freq"`
	Angle   []float64   `json:"angle"`
	LevelDB [][]float64 `json:"level_db"`
}

// scene is one computation, for the engine and for the script.
type scene struct {
	name  string
	site  engine.Site
	sheet engine.Sheet
	at    []engine.Point
	angle []float64
	freq  []float64
	area  Area
}

func (s scene) script(t *testing.T) theCase {
	t.Helper()
	c, err := speed(s.site.Air)
	if err != nil {
		t.Fatal(err)
	}
	out := theCase{
		C: c, Ground: s.site.Ground, Walls: [][4]float64{}, Angles: s.angle, Freq: s.freq,
		Settings: map[string][4]any{}, Cabinets: map[string]theCabinet{},
		Area: map[string]any{"min_x": s.area.MinX, "max_x": s.area.MaxX, "min_y": s.area.MinY, "max_y": s.area.MaxY,
			"z": s.area.Z, "nx": s.area.NX, "ny": s.area.NY},
	}
	for _, w := range s.site.Walls {
		out.Walls = append(out.Walls, [4]float64{w.From.X, w.From.Y, w.To.X, w.To.Y})
	}
	for _, v := range s.site.Sources {
		out.Sources = append(out.Sources, theSource{[3]float64{v.At.X, v.At.Y, v.At.Z}, v.LevelDB, v.Output, v.FacingRad, v.Cabinet})
	}
	for _, v := range s.sheet.Settings {
		out.Settings[strconv.Itoa(v.Output)] = [4]any{v.GainDB, v.Polarity, v.DelaySec, v.Muted}
	}
	for _, v := range s.site.Cabinets {
		if d := v.Directivity; !d.Flat() {
			out.Cabinets[v.Name] = theCabinet{d.FreqHz, d.AngleRad, d.LevelDB}
		}
	}
	for _, p := range s.at {
		out.Points = append(out.Points, [3]float64{p.X, p.Y, p.Z})
	}
	return out
}

// beam is an invented pattern: less to the side and behind, the more so the
// higher the frequency.
func beam() engine.Directivity {
	return engine.Directivity{
		FreqHz:   []float64{25, 50, 80, 120},
		AngleRad: []float64{0, 0.6, 1.3, 2.1, math.Pi},
		LevelDB:  [][]float64{{0, 0, -0.5, -1, -1.5}, {0.2, -0.3, -1.2, -3, -4}, {0.5, -0.8, -3, -7, -6}, {1, -2, -6, -12, -9}},
	}
}

func spread(rng *rand.Rand, low, high float64) float64 { return low + (high-low)*rng.Float64() }

// strewn is a random site on one side of its walls, above its ground.
func strewn(rng *rand.Rand, name string, sources int, ground float64, walls int, cabinets bool, freq []float64) scene {
	s := scene{name: name, freq: freq, area: Area{MinX: -12, MaxX: 25, MinY: -9, MaxY: 14, Z: spread(rng, 0, 2), NX: 17, NY: 11}}
	s.site = engine.Site{
		Air: engine.Air{TemperatureC: spread(rng, 0, 30), Humidity: 0.6, PressurePa: 99e3}, Ground: ground,
		Walls: []engine.Wall{
			{Name: "hall", From: engine.Point{X: -30, Y: -25}, To: engine.Point{X: 40, Y: -31}},
			{Name: "shed", From: engine.Point{X: -28, Y: 3}, To: engine.Point{X: -34, Y: 50}},
		}[:walls],
		Cabinets: []engine.Cabinet{{Name: "box"}, {Name: "horn", Directivity: beam()}},
	}
	for out := 1; out <= 4; out++ {
		s.site.Outputs = append(s.site.Outputs, engine.Output{Number: out})
		s.sheet.Settings = append(s.sheet.Settings, engine.Setting{
			Output: out, DelaySec: spread(rng, 0, 0.02), GainDB: spread(rng, -9, 0), Polarity: 1 - 2*rng.IntN(2), Muted: out == 3})
	}
	for i := range sources {
		v := engine.Source{
			Name: "s" + strconv.Itoa(i), Output: 1 + i%4, LevelDB: spread(rng, -3, 3), FacingRad: spread(rng, -4, 4),
			At: engine.Point{X: spread(rng, -4, 3), Y: spread(rng, -6, 6), Z: spread(rng, 0, 2)},
		}
		if cabinets {
			v.Cabinet = []string{"", "box", "horn"}[i%3]
		}
		s.site.Sources = append(s.site.Sources, v)
	}
	for range 60 {
		s.at = append(s.at, engine.Point{X: spread(rng, -20, 40), Y: spread(rng, -20, 40), Z: spread(rng, 0, 4)})
		s.angle = append(s.angle, spread(rng, -math.Pi, 2*math.Pi))
	}
	s.at[0] = s.site.Sources[0].At // held to the least distance
	return s
}

func equalSteps(first, step float64, n int) []float64 {
	freq := make([]float64, n)
	for i := range freq {
		freq[i] = first + float64(i)*step
	}
	return freq
}

func geometric(first, ratio float64, n int) []float64 {
	freq := make([]float64, n)
	for i := range freq {
		freq[i] = first * math.Pow(ratio, float64(i))
	}
	return freq
}

func scenes(rng *rand.Rand) []scene {
	equal, octaves, long := equalSteps(20, 3.3, 31), geometric(16, 1.11, 25), equalSteps(20, 0.5, 201)
	return []scene{
		strewn(rng, "one source in free space", 1, 0, 0, false, equal),
		strewn(rng, "free space", 11, 0, 0, false, octaves),
		strewn(rng, "ground", 8, 0.7, 0, false, equal),
		strewn(rng, "rigid ground and walls", 7, 1, 2, false, long),
		strewn(rng, "patterns in free space", 9, 0, 0, true, octaves),
		strewn(rng, "all of it", 10, 0.4, 2, true, append(equalSteps(30, 2, 20), octaves...)),
	}
}

type theResult struct{ Points, Far, Map [][][2]float64 }

// The engine against numpy and scipy, which share nothing but the definition.
func TestAgainstNumpy(t *testing.T) {
	python, ok := numpy(t)
	if !ok {
		return
	}
	const seed = 20
	rng := rand.New(rand.NewPCG(seed, seed))
	t.Logf("seed %d", seed)
	all := scenes(rng)
	var cases []theCase
	for _, s := range all {
		cases = append(cases, s.script(t))
	}
	for i, want := range compute(t, python, cases) {
		s := all[i]
		points, err := Along(s.site, s.sheet, s.at, s.freq)
		if err != nil {
			t.Fatal(err)
		}
		far, err := FarField(s.site, s.sheet, s.angle, s.freq)
		if err != nil {
			t.Fatal(err)
		}
		m, err := NewMap(s.site, s.sheet, s.area, s.freq)
		if err != nil {
			t.Fatal(err)
		}
		alike(t, s.name+", points", points, want.Points)
		alike(t, s.name+", far field", far, want.Far)
		alike(t, s.name+", map", m.P, want.Map)
	}
}

func compute(t *testing.T, python string, cases []theCase) []theResult {
	t.Helper()
	in, out := filepath.Join(t.TempDir(), "cases.json"), filepath.Join(t.TempDir(), "results.json")
	text, err := json.Marshal(cases)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(in, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if said, err := exec.Command(python, "../../testdata/independent/field.py", in, out).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	text, err = os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	var results []theResult
	if err := json.Unmarshal(text, &results); err != nil {
		t.Fatal(err)
	}
	if len(results) != len(cases) {
		t.Fatalf("%d results for %d cases", len(results), len(cases))
	}
	return results
}

// alike holds got to 1e-9 of the loudest of its frequency, and to 1e-9 of
// itself where it is not 60 dB below that.
func alike(t *testing.T, what string, got [][]complex128, want [][][2]float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %d frequencies, want %d", what, len(got), len(want))
	}
	var worst float64
	for f := range want {
		if len(got[f]) != len(want[f]) || len(want[f]) == 0 {
			t.Fatalf("%s: %d points, want %d", what, len(got[f]), len(want[f]))
		}
		var loudest float64
		for _, w := range want[f] {
			loudest = math.Max(loudest, math.Hypot(w[0], w[1]))
		}
		if !(loudest > 0) {
			t.Fatalf("%s: nothing to compare at frequency %d", what, f)
		}
		for i, w := range want[f] {
			apart, size := cmplx.Abs(got[f][i]-complex(w[0], w[1])), math.Hypot(w[0], w[1])
			if size < 1e-3*loudest {
				size = loudest
			}
			worst = math.Max(worst, apart/size)
			if !(apart <= 1e-9*size) {
				t.Fatalf("%s: frequency %d, point %d: got %v, want %v", what, f, i, got[f][i], w)
			}
		}
	}
	t.Logf("%s: at most %.1e apart", what, worst)
}
