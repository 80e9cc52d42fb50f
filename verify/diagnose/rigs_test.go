package diagnose

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"time"

	"hushback/engine"
	"hushback/engine/field"
	"hushback/verify"
	"hushback/verify/transfer"
)

// rigs_test.go makes invented rigs with known faults. What they play is
// engine/field's prediction of the whole site as it really stands, which shares
// neither slopes nor steps with what is tested; the noise is drawn here.

// layout is one kind of site.
type layout struct {
	name  string
	at    []engine.Point
	rows  []engine.Row
	facet []float64 // where each looks
	front engine.Point
	rear  engine.Point
	band  engine.Band
}

func point(x, y, z float64) engine.Point { return engine.Point{X: x, Y: y, Z: z} }

// layouts are not symmetric about the axis through the microphones: a person
// who wants to know which of two boxes is out of order stands a little aside.
func layouts() []layout {
	const f, r = engine.RowFront, engine.RowRear
	return []layout{
		{
			name: "null arc", at: []engine.Point{point(0, 0.1, 0.3), point(1.6, 1.9, 0.3), point(2.1, 0, 0.3), point(1.5, -1.6, 0.3)},
			rows: []engine.Row{r, f, f, f}, front: point(24, 2.5, 1.2), rear: point(-11, -1.5, 1.2), band: engine.Band{LowHz: 32, HighHz: 68},
		},
		{
			name: "gradient pairs", at: []engine.Point{point(0, 2.4, 0.3), point(0.9, 2.4, 0.3), point(0, -2.2, 0.3), point(0.9, -2.2, 0.3)},
			rows: []engine.Row{r, f, r, f}, facet: []float64{math.Pi, 0, math.Pi, 0},
			front: point(18, 1.5, 1.5), rear: point(-9, 3, 1.2), band: engine.Band{LowHz: 35, HighHz: 80},
		},
		{
			name: "end-fire", at: []engine.Point{point(0, 0, 0.5), point(1.4, 0, 0.5), point(2.9, 0.1, 0.5)},
			rows: []engine.Row{r, f, f}, front: point(15, 1, 1.6), rear: point(-7, -2, 1.4), band: engine.Band{LowHz: 30, HighHz: 75},
		},
		{
			name: "two rows", at: []engine.Point{
				point(0, 2.2, 0.3), point(0.1, 0, 0.3), point(0, -2.5, 0.3),
				point(1.9, 2.3, 0.3), point(2.1, 0.1, 0.3), point(1.9, -2.4, 0.3),
			},
			rows: []engine.Row{r, r, r, f, f, f}, front: point(28, -3, 1.2), rear: point(-14, 2, 1.2), band: engine.Band{LowHz: 32, HighHz: 70},
		},
	}
}

// site is a layout as its drawing has it, in some air, with some tolerance.
func (l layout) site(rng *rand.Rand) engine.Site {
	s := engine.Site{
		Job: l.name + " (invented)",
		Air: engine.Air{TemperatureC: 5 + 25*rng.Float64(), Humidity: 0.5, PressurePa: 101e3},
		Target: engine.Target{
			NullHz: (l.band.LowHz + l.band.HighHz) / 2, Range: l.band,
		},
		Limits: engine.Limits{NullDepthDB: 20, NullOffsetHz: 1, SumShortfallDB: 2},
		Tolerance: engine.Tolerance{
			PositionM: 0.01 + 0.05*rng.Float64(), MicrophoneM: 0.02 + 0.2*rng.Float64(),
			LevelDB: 0.2 + 0.8*rng.Float64(), TemperatureC: 0.5 + 2*rng.Float64(),
		},
		TestSignal:  engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Microphones: []engine.Microphone{{Name: "mixing place", Role: engine.RoleFront, At: l.front}, {Name: "back fence", Role: engine.RoleRear, At: l.rear}},
		Cabinets: []engine.Cabinet{{Name: "box", WidthM: 1, DepthM: 0.8, HeightM: 0.6, Directivity: engine.Directivity{
			FreqHz: []float64{30, 120}, AngleRad: []float64{0, math.Pi}, LevelDB: [][]float64{{0, -1}, {0, -4}},
		}}},
	}
	for _, kind := range []engine.ZoneKind{engine.ZoneAudience, engine.ZoneQuiet} {
		s.Zones = append(s.Zones, engine.Zone{Name: string(kind), Kind: kind, Corners: []engine.Point{point(10, 0, 1), point(11, 0, 1), point(11, 1, 1)}})
	}
	if rng.IntN(2) == 0 {
		s.Ground = 0.9
	}
	if rng.IntN(3) == 0 {
		s.Walls = []engine.Wall{{Name: "hall", From: point(-20, 12, 0), To: point(40, 14, 0)}}
	}
	for i, at := range l.at {
		s.Outputs = append(s.Outputs, engine.Output{Number: i + 1, Label: []string{"one", "two", "three", "four", "five", "six"}[i%6]})
		src := engine.Source{Name: "sub " + s.Outputs[i].Label, Row: l.rows[i], At: at, Output: i + 1}
		if l.facet != nil {
			src.FacingRad, src.Cabinet = l.facet[i], "box"
		}
		s.Sources = append(s.Sources, src)
	}
	return s
}

// sheet is a plausible one: everything delayed to arrive together in front, the
// front rows later by a little and, in pairs, the rear ones reversed.
func (l layout) sheet(site engine.Site, rng *rand.Rand) engine.Sheet {
	const c = 343
	var farthest float64
	for _, src := range site.Sources {
		farthest = math.Max(farthest, src.At.Distance(l.front))
	}
	extra := 0.004 * rng.Float64()
	var sheet engine.Sheet
	for i, src := range site.Sources {
		set := engine.Setting{Output: i + 1, Polarity: 1, DelaySec: 0.001 + (farthest-src.At.Distance(l.front))/c}
		if src.Row == engine.RowFront {
			set.DelaySec += extra
			set.GainDB = -math.Round(60*rng.Float64()) / 10
		} else if l.facet != nil {
			set.Polarity = -1
		}
		set.DelaySec = math.Round(set.DelaySec*1e5) / 1e5
		sheet.Settings = append(sheet.Settings, set)
	}
	return sheet
}

// rig is what really stands and plays.
type rig struct {
	site      engine.Site
	sheet     engine.Sheet
	exchanged bool
	inverted  bool
	limitDB   float64
	filter    func(f float64) complex128 // what all captures share
	signalDB  float64                    // of everything in front over the noise of one average
}

// channel is what a microphone's chain does to all it hears.
type channel struct {
	gain, sec float64
}

func (r rig) clone() rig {
	r.site.Sources = append([]engine.Source(nil), r.site.Sources...)
	r.site.Microphones = append([]engine.Microphone(nil), r.site.Microphones...)
	r.sheet.Settings = append([]engine.Setting(nil), r.sheet.Settings...)
	return r
}

// strayed is the rig with everything off as the tolerance allows.
func (r rig) strayed(rng *rand.Rand) rig {
	r = r.clone()
	t := r.site.Tolerance
	off := func(tolerance float64) float64 { return rng.NormFloat64() * tolerance / 2 }
	for i := range r.site.Sources {
		src := &r.site.Sources[i]
		src.At.X += off(t.PositionM)
		src.At.Y += off(t.PositionM)
		src.LevelDB += off(t.LevelDB)
	}
	for i := range r.site.Microphones {
		mic := &r.site.Microphones[i]
		mic.At.X += off(t.MicrophoneM)
		mic.At.Y += off(t.MicrophoneM)
	}
	r.site.Air.TemperatureC += off(t.TemperatureC)
	return r
}

// averages are the periods of the test signal in a capture, 15 s.
const averages = 30

// sigma is the error of a capture's parts where everything does this in front.
func (r rig) sigma(front engine.Curve) float64 {
	loud := 0.0
	for i, f := range front.FreqHz {
		if r.site.Target.Range.Contains(f) {
			loud = math.Max(loud, cmplx.Abs(front.P[i]))
		}
	}
	return loud * math.Pow(10, -r.signalDB/20) / math.Sqrt(2*averages)
}

// measure takes the series. Without rng there is no noise, but Sigma is the same.
func (r rig) measure(sheet engine.Sheet, channels [2]channel, rng *rand.Rand) ([]verify.Capture, error) {
	p, err := field.Predict(r.site, r.sheet)
	if err != nil {
		return nil, err
	}
	sigma := r.sigma(p.Front)
	var arrivals [2]float64
	for mic := range arrivals {
		if arrivals[mic], err = field.Arrival(r.site, sheet, r.site.Microphones[mic]); err != nil {
			return nil, err
		}
	}
	var captures []verify.Capture
	take := func(solo int, front, rear engine.Curve) {
		if r.exchanged {
			front, rear = rear, front
		}
		for mic, curve := range []engine.Curve{front, rear} {
			c := verify.Capture{
				Microphone: r.site.Microphones[mic].Name, Role: r.site.Microphones[mic].Role, Solo: solo,
				SheetDigest: sheet.Digest(), Taken: time.Unix(0, 0), Air: r.site.Air, DelaySec: arrivals[mic], LatencySec: math.Round(2000*channels[mic].sec) / 2000,
			}
			c.Function = r.function(curve, solo, channels[mic], sigma, rng).Advance(c.DelaySec + c.LatencySec)
			captures = append(captures, c)
		}
	}
	take(verify.Everything, p.Front, p.Rear)
	for _, s := range p.Solos {
		take(s.Output, s.Front, s.Rear)
	}
	return captures, nil
}

func (r rig) function(curve engine.Curve, solo int, ch channel, sigma float64, rng *rand.Rand) transfer.Function {
	f := transfer.Function{FreqHz: curve.FreqHz, Averages: averages}
	for i, p := range curve.P {
		h := p
		if solo == verify.Everything {
			h *= complex(math.Pow(10, -r.limitDB/20), 0)
		}
		if r.filter != nil {
			h *= r.filter(curve.FreqHz[i])
		}
		if rng != nil {
			h += complex(sigma*rng.NormFloat64(), sigma*rng.NormFloat64())
		}
		if h == 0 { // a dead output without noise, which nobody ever measured
			h = complex(sigma*1e-3, 0)
		}
		h *= complex(ch.gain, 0) * cmplx.Rect(1, -2*math.Pi*curve.FreqHz[i]*ch.sec)
		off := sigma * math.Abs(ch.gain)
		if r.inverted {
			off /= real(h)*real(h) + imag(h)*imag(h)
			h = 1 / h
		}
		f.H, f.Sigma, f.Coherence = append(f.H, h), append(f.Sigma, off), append(f.Coherence, 1)
	}
	return f
}
