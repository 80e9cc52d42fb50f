package field

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"hushback/engine"
)

// job is one level map for the engine and for the programs that it is compared
// with, in free space without patterns.
type job struct {
	site  engine.Site
	sheet engine.Sheet
	area  Area
	freq  []float64
}

// levelMap is the job that the engine is built for when given 300, 200, 32, 31.
func levelMap(nx, ny, sources, frequencies int) job {
	j := job{
		site: engine.Site{Air: engine.Air{TemperatureC: 20, Humidity: 0.5, PressurePa: 101325}},
		area: Area{MinX: -40, MaxX: 60, MinY: -30, MaxY: 30, Z: 1.2, NX: nx, NY: ny},
		freq: equalSteps(30, 1, frequencies),
	}
	for i := range sources {
		j.site.Sources = append(j.site.Sources, engine.Source{
			Name: strconv.Itoa(i), Output: 1 + i%8, LevelDB: float64(i%3) - 1,
			At: engine.Point{X: -1.9 * float64(i%2), Y: 0.9 * (float64(i/2) - float64(sources)/4), Z: 0.3},
		})
	}
	for out := 1; out <= 8; out++ {
		j.site.Outputs = append(j.site.Outputs, engine.Output{Number: out})
		j.sheet.Settings = append(j.sheet.Settings, engine.Setting{
			Output: out, Polarity: 1 - 2*(out%2), DelaySec: 0.0007 * float64(out), GainDB: -float64(out) / 4})
	}
	return j
}

func (j job) run(t testing.TB) *Map {
	t.Helper()
	m, err := NewMap(j.site, j.sheet, j.area, j.freq)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// timed is how long the quickest of some rounds took, in nanoseconds.
func (j job) timed(t testing.TB, cores, rounds int) float64 {
	t.Helper()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(cores))
	best := math.Inf(1)
	for range rounds {
		start := time.Now()
		j.run(t)
		best = math.Min(best, float64(time.Since(start)))
	}
	return best
}

// rival is another program for the same job; command runs it.
type rival struct{ command []string }

func numpyMap(t testing.TB) (rival, bool) {
	t.Helper()
	python, ok := numpy(t)
	return rival{[]string{python, "../../testdata/independent/map.py"}}, ok
}

// cMap is map.c, compiled for this machine. Without a compiler the test fails,
// unless only the short tests are wanted.
func cMap(t testing.TB) (rival, bool) {
	t.Helper()
	if testing.Short() {
		return rival{}, false
	}
	program := filepath.Join(t.TempDir(), "map")
	said, err := exec.Command("gcc", "-O3", "-march=native", "-o", program, "../../testdata/independent/map.c", "-lm").CombinedOutput()
	if err != nil {
		t.Fatalf("gcc cannot build the C program to compare with: %v\n%s\ninstall the Debian packages gcc and libc6-dev, or run the tests with -short", err, said)
	}
	return rival{[]string{program}}, true
}

// run gives the program the job and returns what it computed and how long its
// quickest round took, in nanoseconds, by its own clock.
func (v rival) run(t testing.TB, j job, rounds int) (p [][]complex128, ns float64) {
	t.Helper()
	folder := t.TempDir()
	in, out := filepath.Join(folder, "in"), filepath.Join(folder, "out")
	if err := os.WriteFile(in, j.numbers(t), 0o600); err != nil {
		t.Fatal(err)
	}
	command := append(v.command[1:len(v.command):len(v.command)], in, out, strconv.Itoa(rounds))
	said, err := exec.Command(v.command[0], command...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v: %s", v.command[0], err, said)
	}
	if ns, err = strconv.ParseFloat(strings.TrimSpace(string(said)), 64); err != nil {
		t.Fatal(err)
	}
	raw, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	values := make([]complex128, len(j.freq)*j.area.NX*j.area.NY)
	if err := binary.Read(bytes.NewReader(raw), binary.NativeEndian, values); err != nil || len(raw) != 16*len(values) {
		t.Fatalf("%d bytes for %d values: %v", len(raw), len(values), err)
	}
	for n := j.area.NX * j.area.NY; len(values) > 0; values = values[n:] {
		p = append(p, values[:n])
	}
	return p, ns
}

// numbers is the job as map.py and map.c read it.
func (j job) numbers(t testing.TB) []byte {
	t.Helper()
	c, err := speed(j.site.Air)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	fmt.Fprintln(&b, c, j.area.NX, j.area.NY, len(j.site.Sources), len(j.freq),
		j.area.MinX, j.area.MaxX, j.area.MinY, j.area.MaxY, j.area.Z, j.freq[0], j.freq[1]-j.freq[0])
	for _, src := range j.site.Sources {
		set, _ := j.sheet.Setting(src.Output)
		amplitude := math.Pow(10, (src.LevelDB+set.GainDB)/20) * float64(set.Polarity)
		fmt.Fprintln(&b, src.At.X, src.At.Y, src.At.Z, amplitude, set.DelaySec)
	}
	return b.Bytes()
}

// The three maps whose times are compared are the same map.
func TestMapsAgree(t *testing.T) {
	j := levelMap(31, 23, 13, 17)
	got := j.run(t).P
	for _, program := range []func(testing.TB) (rival, bool){numpyMap, cMap} {
		v, ok := program(t)
		if !ok {
			return
		}
		want, _ := v.run(t, j, 1)
		for f := range want {
			for i := range want[f] {
				if apart := cmplx.Abs(got[f][i] - want[f][i]); !(apart < 1e-12) {
					t.Fatalf("%s: frequency %d, point %d: %g apart", v.command[0], f, i, apart)
				}
			}
		}
	}
}

func BenchmarkMap(b *testing.B) {
	j := levelMap(300, 200, 32, 31)
	b.ReportAllocs()
	for b.Loop() {
		j.run(b)
	}
}

// What ground, walls and patterns cost: six times as many voices, and an
// exponential for each voice, point and frequency.
func BenchmarkMapInTheOpen(b *testing.B) {
	for _, way := range []string{"ground", "ground and two walls", "patterns"} {
		b.Run(way, func(b *testing.B) {
			j := levelMap(300, 200, 32, 31)
			j.site.Ground = 1
			switch way {
			case "ground and two walls":
				j.site.Walls = []engine.Wall{
					{Name: "left", From: engine.Point{Y: 40}, To: engine.Point{X: 1, Y: 40}},
					{Name: "back", From: engine.Point{X: -50}, To: engine.Point{X: -50, Y: 1}}}
			case "patterns":
				j.site.Ground, j.site.Cabinets = 0, []engine.Cabinet{{Name: "horn", Directivity: beam()}}
				for i := range j.site.Sources {
					j.site.Sources[i].Cabinet = "horn"
				}
			}
			for b.Loop() {
				j.run(b)
			}
		})
	}
}

func BenchmarkMapNumpy(b *testing.B) { benchmarkRival(b, numpyMap) }

func BenchmarkMapC(b *testing.B) { benchmarkRival(b, cMap) }

func benchmarkRival(b *testing.B, program func(testing.TB) (rival, bool)) {
	v, ok := program(b)
	if !ok {
		b.Fatal("there is nothing to compare with under -short")
	}
	best := math.Inf(1)
	for b.Loop() {
		_, ns := v.run(b, levelMap(300, 200, 32, 31), 3)
		best = math.Min(best, ns)
	}
	b.ReportMetric(0, "ns/op") // its start and its files are not what is compared
	b.ReportMetric(best, "ns/map")
}

// All in one run, in turns, each by its quickest round, so that whatever else
// the machine does weighs on all alike. The engine is given one core, as the
// others have, and then all. 4.7 numpy/go reads: numpy takes 4.7 times as long.
func BenchmarkMapRatios(b *testing.B) {
	j := levelMap(300, 200, 32, 31)
	python, ok := numpyMap(b)
	c, ok2 := cMap(b)
	if !ok || !ok2 {
		b.Fatal("there is nothing to compare with under -short")
	}
	one, all, slow, plain := math.Inf(1), math.Inf(1), math.Inf(1), math.Inf(1)
	for b.Loop() {
		for range 4 {
			one = math.Min(one, j.timed(b, 1, 3))
			all = math.Min(all, j.timed(b, runtime.NumCPU(), 3))
			_, ns := c.run(b, j, 3)
			plain = math.Min(plain, ns)
			_, ns = python.run(b, j, 1)
			slow = math.Min(slow, ns)
		}
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(one/1e6, "go-one-core-ms")
	b.ReportMetric(all/1e6, "go-ms")
	b.ReportMetric(plain/1e6, "c-ms")
	b.ReportMetric(slow/1e6, "numpy-ms")
	b.ReportMetric(slow/all, "numpy/go")
	b.ReportMetric(slow/one, "numpy/go-one-core")
	b.ReportMetric(all/plain, "go/c")
	b.ReportMetric(one/plain, "go-one-core/c")
}

// Doubling points, sources or frequencies doubles the time: the nanoseconds
// for each point, source and frequency stay, but for what every point and
// source costs at any number of frequencies.
func BenchmarkMapGrows(b *testing.B) {
	for _, size := range [][4]int{{150, 100, 16, 31}, {300, 100, 16, 31}, {300, 200, 16, 31}, {150, 100, 32, 31}, {150, 100, 64, 31}, {150, 100, 16, 62}, {150, 100, 16, 124}} {
		b.Run(fmt.Sprintf("%dx%d points, %d sources, %d frequencies", size[0], size[1], size[2], size[3]), func(b *testing.B) {
			j := levelMap(size[0], size[1], size[2], size[3])
			best := math.Inf(1)
			for b.Loop() {
				best = math.Min(best, j.timed(b, 1, 1))
			}
			b.ReportMetric(best/1e6, "ms/map")
			b.ReportMetric(best/float64(size[0]*size[1]*size[2]*size[3]), "ns/term")
		})
	}
}

// One source of 32 moved: two voices of work instead of 32.
func BenchmarkReplace(b *testing.B) {
	j := levelMap(300, 200, 32, 31)
	m := j.run(b)
	moved := j.site.Sources[5]
	for b.Loop() {
		moved.At.X += 0.01
		if err := m.Replace(5, moved); err != nil {
			b.Fatal(err)
		}
	}
}
