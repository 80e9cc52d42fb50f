package verify

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"hushback/engine"
	"hushback/verify/transfer"
)

// This file is an invented rig in closed form: point sources e^{-jkr}/r with
// delay, polarity and gain, and Gaussian errors on what is measured of them.
// It shares nothing with engine/field.

const (
	targetHz = 47.0
	celsius  = 17.5
)

// soundSpeed is 20.05·sqrt(T) m/s, the usual rule for dry air (from memory);
// only its change with temperature matters here.
func soundSpeed(celsius float64) float64 { return 20.05 * math.Sqrt(celsius+273.15) }

// trials is how many a test draws of each case; HUSHTEST_TRIALS asks for more.
func trials(t *testing.T, ordinary int) int {
	t.Helper()
	text := os.Getenv("HUSHTEST_TRIALS")
	if text == "" {
		return ordinary
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("HUSHTEST_TRIALS=%q, want a number", text)
	}
	return n
}

// box is one source with what its output is set to.
type box struct {
	x, y, z  float64
	delaySec float64
	polarity float64
	gainDB   float64
}

// rig is what stands there: outputs 1 to 4 are rear, left, centre and right
// front.
type rig struct {
	boxes   [4]box
	celsius float64
}

var (
	frontMicrophone = [3]float64{24, 0, 1.2}
	rearMicrophone  = [3]float64{-12, 0, 1.2}
)

func distance(b box, m [3]float64) float64 {
	return math.Sqrt((b.x-m[0])*(b.x-m[0]) + (b.y-m[1])*(b.y-m[1]) + (b.z-m[2])*(b.z-m[2]))
}

// hears is the response of the boxes in open at a microphone.
func (r rig) hears(m [3]float64, f float64, open ...int) complex128 {
	var sum complex128
	for _, i := range open {
		b := r.boxes[i]
		d := distance(b, m)
		turn := -2 * math.Pi * f * (b.delaySec + d/soundSpeed(r.celsius))
		sum += cmplx.Rect(b.polarity*math.Pow(10, b.gainDB/20)/d, turn)
	}
	return sum
}

func (r rig) all(m [3]float64, f float64) complex128 { return r.hears(m, f, 0, 1, 2, 3) }

// designed is the rig as the site file has it, set up the way that makes it
// sum in front and null behind: everything aligned at the front microphone,
// fronts so loud that they equal the rear source behind, and late or early
// enough to oppose it there at the target. Steps of 0.01 ms and 0.1 dB.
func designed() rig {
	r := rig{celsius: celsius}
	for i, at := range [4][2]float64{{0, 0}, {1.65, 1.75}, {2.1, 0}, {1.65, -1.75}} {
		r.boxes[i] = box{x: at[0], y: at[1], z: 0.3, polarity: 1}
	}
	c := soundSpeed(celsius)
	farthest := distance(r.boxes[0], frontMicrophone)
	for i := range r.boxes {
		r.boxes[i].delaySec = (farthest - distance(r.boxes[i], frontMicrophone)) / c
	}
	rear, fronts := r.hears(rearMicrophone, targetHz, 0), r.hears(rearMicrophone, targetHz, 1, 2, 3)
	gain := 20 * math.Log10(cmplx.Abs(rear)/cmplx.Abs(fronts))
	extra := cmplx.Phase(-fronts/rear) / (2 * math.Pi * targetHz)
	for i := range r.boxes {
		if i > 0 {
			r.boxes[i].gainDB = math.Round(gain*10) / 10
			r.boxes[i].delaySec += extra
		}
		r.boxes[i].delaySec = math.Round((r.boxes[i].delaySec+0.02)*1e5) / 1e5
	}
	return r
}

// strayed moves, trims and warms the rig by up to the given amounts.
func (r rig) strayed(rng *rand.Rand, metres, db, kelvin float64) rig {
	stray := func(most float64) float64 { return most * (2*rng.Float64() - 1) }
	for i := range r.boxes {
		b := &r.boxes[i]
		b.x, b.y, b.z, b.gainDB = b.x+stray(metres), b.y+stray(metres), b.z+stray(metres), b.gainDB+stray(db)
	}
	r.celsius += stray(kelvin)
	return r
}

func (r rig) usual(rng *rand.Rand) rig { return r.strayed(rng, 0.01, 0.1, 0.3) }

func lines() []float64 {
	var f []float64
	for v := 20.0; v <= 120; v += 2 {
		f = append(f, v)
	}
	return f
}

func site() engine.Site {
	s := engine.Site{
		Target: engine.Target{NullHz: targetHz, Range: engine.Band{LowHz: 32, HighHz: 68}},
		Limits: engine.Limits{NullDepthDB: 24, NullOffsetHz: 0.5, SumShortfallDB: 1.5},
	}
	for i, label := range []string{"rear", "left front", "centre front", "right front"} {
		s.Outputs = append(s.Outputs, engine.Output{Number: i + 1, Label: label})
	}
	return s
}

func curve(r rig, m [3]float64, open ...int) engine.Curve {
	c := engine.Curve{FreqHz: lines()}
	for _, f := range c.FreqHz {
		c.P = append(c.P, r.hears(m, f, open...))
	}
	return c
}

func prediction() engine.Prediction { return predicted(designed()) }

func predicted(r rig) engine.Prediction {
	p := engine.Prediction{SoundSpeed: soundSpeed(celsius)}
	p.Front, p.Rear = curve(r, frontMicrophone, 0, 1, 2, 3), curve(r, rearMicrophone, 0, 1, 2, 3)
	for i := range r.boxes {
		p.Solos = append(p.Solos, engine.Solo{Output: i + 1, Front: curve(r, frontMicrophone, i), Rear: curve(r, rearMicrophone, i)})
	}
	return p
}

// bench measures rigs: signalDB is how far the front sum of the design stands
// above the noise of one average at a microphone, averages how many are taken
// of everything and half as many of the solos.
type bench struct {
	rng      *rand.Rand
	signalDB map[engine.Role]float64
	averages int
}

// listening is a bench with the same noise at both microphones.
func listening(rng *rand.Rand, signalDB float64) bench {
	return bench{rng, map[engine.Role]float64{engine.RoleFront: signalDB, engine.RoleRear: signalDB}, 6}
}

// quiet is a calm evening: 45 dB broadband, and 51 sines against the noise of
// 12000 bins make 23 dB more.
const quiet = 68

func (b bench) measure(r rig) []Capture {
	var captures []Capture
	for _, mic := range []struct {
		name string
		role engine.Role
		at   [3]float64
	}{{"far", engine.RoleFront, frontMicrophone}, {"back", engine.RoleRear, rearMicrophone}} {
		captures = append(captures, b.capture(curve(r, mic.at, 0, 1, 2, 3), mic.name, mic.role, Everything, b.averages))
		for i := range r.boxes {
			captures = append(captures, b.capture(curve(r, mic.at, i), mic.name, mic.role, i+1, (b.averages+1)/2))
		}
	}
	return captures
}

// arrival is the mean time at which the design's boxes are heard, by
// prediction: what a daemon takes out of its captures.
func arrival(role engine.Role) float64 {
	m := frontMicrophone
	if role == engine.RoleRear {
		m = rearMicrophone
	}
	var mean float64
	for _, b := range designed().boxes {
		mean += (b.delaySec + distance(b, m)/soundSpeed(celsius)) / 4
	}
	return mean
}

// capture draws what a chain of unknown sensitivity, polarity and latency makes
// of a true curve, with errors of which Sigma is the estimate that so few
// averages allow.
func (b bench) capture(truth engine.Curve, name string, role engine.Role, solo, averages int) Capture {
	const sensitivity, latency = -0.37, 0.0071
	front := cmplx.Abs(designed().all(frontMicrophone, targetHz))
	sigma := sensitivity * -1 * front * math.Pow(10, -b.signalDB[role]/20) / math.Sqrt(2*float64(averages))
	f := transfer.Function{FreqHz: truth.FreqHz, Averages: float64(averages)}
	for i, p := range truth.P {
		noise := complex(sigma*b.rng.NormFloat64(), sigma*b.rng.NormFloat64())
		f.H = append(f.H, p*cmplx.Rect(1, -2*math.Pi*truth.FreqHz[i]*latency)*sensitivity+noise)
		var square float64
		for range 2 * (averages - 1) {
			v := b.rng.NormFloat64()
			square += v * v
		}
		f.Sigma = append(f.Sigma, sigma*math.Sqrt(square/f.DegreesOfFreedom()))
		f.Coherence = append(f.Coherence, 1)
	}
	return Capture{
		Microphone: name, Role: role, Solo: solo, SheetDigest: "sheet", Taken: time.Unix(0, 0),
		DelaySec: arrival(role), Function: f.Advance(arrival(role)),
	}
}
