package field

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
)

// yard is an invented site without any symmetry: sources of unlike level, two
// of them on one output, microphones off the axis.
func yard() engine.Site {
	return engine.Site{
		Job:        "coal yard (invented)",
		Air:        engine.Air{TemperatureC: 9, Humidity: 0.7, PressurePa: 100e3},
		Target:     engine.Target{NullHz: 45, Range: engine.Band{LowHz: 30, HighHz: 66}},
		Limits:     engine.Limits{NullDepthDB: 20, NullOffsetHz: 1, SumShortfallDB: 2},
		TestSignal: engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Wiring:     engine.Wiring{Profile: "plain-eight", Address: "192.0.2.7:8700"},
		Outputs:    []engine.Output{{Number: 2, MaxGainDB: 1}, {Number: 4, MaxGainDB: -1}, {Number: 7}},
		Sources: []engine.Source{
			{Name: "a", Row: engine.RowRear, At: engine.Point{X: 0.2, Y: 0.3, Z: 0.3}, LevelDB: 1.5, Output: 7},
			{Name: "b", Row: engine.RowFront, At: engine.Point{X: 2, Y: 2, Z: 0.4}, LevelDB: -2, Output: 2},
			{Name: "c", Row: engine.RowFront, At: engine.Point{X: 2.3, Y: -1, Z: 0.3}, Output: 4},
			{Name: "d", Row: engine.RowFront, At: engine.Point{X: 2.1, Y: 0.6, Z: 0.3}, Output: 2},
		},
		Microphones: []engine.Microphone{
			{Name: "ahead", Role: engine.RoleFront, At: engine.Point{X: 19, Y: 3, Z: 1.4}},
			{Name: "behind", Role: engine.RoleRear, At: engine.Point{X: -8, Y: -2, Z: 1}},
		},
		Zones: []engine.Zone{
			{Name: "crowd", Kind: engine.ZoneAudience, Corners: []engine.Point{{X: 6, Y: -7, Z: 1}, {X: 26, Y: -9, Z: 1}, {X: 24, Y: 8, Z: 1}}},
			{Name: "lane", Kind: engine.ZoneQuiet, Corners: []engine.Point{{X: -9, Y: -7, Z: 2}, {X: -20, Y: -5, Z: 2}, {X: -20, Y: 6, Z: 2}}},
		},
	}
}

func set() engine.Sheet {
	return engine.Sheet{Settings: []engine.Setting{
		{Output: 2, DelaySec: 0.0051, Polarity: 1, GainDB: -5},
		{Output: 4, DelaySec: 0.0062, Polarity: 1, GainDB: -4.2},
		{Output: 7, DelaySec: 0.0004, Polarity: -1},
	}}
}

func predicted(t *testing.T, site engine.Site, sheet engine.Sheet) engine.Prediction {
	t.Helper()
	p, err := Predict(site, sheet)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// phasor is one source at a microphone by levels and angles, the way it is
// done on paper: dB that add up, degrees that turn, sine and cosine.
func phasor(site engine.Site, sheet engine.Sheet, src engine.Source, mic engine.Point, hz float64) (re, im float64) {
	c, _ := air.SoundSpeed(site.Air)
	set, _ := sheet.Setting(src.Output)
	r := math.Sqrt(math.Pow(src.At.X-mic.X, 2) + math.Pow(src.At.Y-mic.Y, 2) + math.Pow(src.At.Z-mic.Z, 2))
	dB := src.LevelDB + set.GainDB - 20*math.Log10(r)
	degrees := -360*hz*set.DelaySec - 360*r/(c/hz)
	if set.Polarity < 0 {
		degrees += 180
	}
	return math.Pow(10, dB/20) * math.Cos(degrees*math.Pi/180), math.Pow(10, dB/20) * math.Sin(degrees*math.Pi/180)
}

func TestPredictionByLevelsAndAngles(t *testing.T) {
	site, sheet := yard(), set()
	p := predicted(t, site, sheet)
	short, shortAt, worst, loudest := math.Inf(-1), 0.0, math.Inf(1), 0.0
	for _, src := range site.Sources {
		o, _ := site.Output(src.Output)
		loudest += math.Pow(10, (src.LevelDB+o.MaxGainDB)/20) / src.At.Distance(site.Microphones[0].At)
	}
	for i, hz := range site.TestSignal.Lines() {
		for m, curve := range []engine.Curve{p.Front, p.Rear} {
			if curve.FreqHz[i] != hz {
				t.Fatalf("line %d is %g Hz, want %g Hz", i, curve.FreqHz[i], hz)
			}
			var re, im float64
			soloRe, soloIm := map[int]float64{}, map[int]float64{}
			for _, src := range site.Sources {
				x, y := phasor(site, sheet, src, site.Microphones[m].At, hz)
				re, im = re+x, im+y
				soloRe[src.Output] += x
				soloIm[src.Output] += y
			}
			near(t, "real part", real(curve.P[i]), re, 1e-12)
			near(t, "imaginary part", imag(curve.P[i]), im, 1e-12)
			var coherent float64
			for _, solo := range p.Solos {
				alone := []engine.Curve{solo.Front, solo.Rear}[m].P[i]
				near(t, "solo", real(alone), soloRe[solo.Output], 1e-12)
				near(t, "solo", imag(alone), soloIm[solo.Output], 1e-12)
				coherent += math.Hypot(soloRe[solo.Output], soloIm[solo.Output])
			}
			if m == 0 && hz >= 30 && hz <= 66 {
				worst = math.Min(worst, math.Hypot(re, im))
				if s := 20 * math.Log10(coherent/math.Hypot(re, im)); s > short {
					short, shortAt = s, hz
				}
			}
		}
	}
	near(t, "shortfall", p.Summary.SumShortfallDB, short, 1e-9)
	near(t, "shortfall at", p.Summary.ShortfallAtHz, shortAt, 0)
	near(t, "headroom cost", p.HeadroomCostDB, 20*math.Log10(loudest/worst), 1e-9)
	if len(p.Solos) != 3 || p.Solos[0].Output != 2 || p.Solos[2].Output != 7 {
		t.Errorf("solos are not ascending by output: %d of them", len(p.Solos))
	}
}

// A common delay, or reversing everything, cannot be heard.
func TestWhatCannotBeHeard(t *testing.T) {
	site := yard()
	want := predicted(t, site, set())
	later, reversed := set(), set()
	for i := range later.Settings {
		later.Settings[i].DelaySec += 0.0173
		reversed.Settings[i].Polarity *= -1
	}
	for _, sheet := range []engine.Sheet{later, reversed} {
		got := predicted(t, site, sheet)
		for i := range want.Front.P {
			near(t, "front", cmplx.Abs(got.Front.P[i]), cmplx.Abs(want.Front.P[i]), 1e-12)
			near(t, "rear", cmplx.Abs(got.Rear.P[i]), cmplx.Abs(want.Rear.P[i]), 1e-12)
		}
		near(t, "null", got.Summary.NullHz, want.Summary.NullHz, 1e-9)
		near(t, "depth", got.Summary.NullDepthDB, want.Summary.NullDepthDB, 1e-6)
		near(t, "quiet", got.QuietDB, want.QuietDB, 1e-9)
	}
}

// Twice the size at half the frequency is the same, 6 dB down.
func TestOnlyWavelengthsCount(t *testing.T) {
	site, sheet := yard(), set()
	big, slow := yard(), set()
	double := func(p engine.Point) engine.Point { return engine.Point{X: 2 * p.X, Y: 2 * p.Y, Z: 2 * p.Z} }
	for i := range big.Sources {
		big.Sources[i].At = double(big.Sources[i].At)
	}
	for i := range slow.Settings {
		slow.Settings[i].DelaySec *= 2
	}
	for _, mic := range site.Microphones {
		for hz := 20.0; hz <= 120; hz += 7 {
			small, err := Pressure(site, sheet, mic.At, hz)
			if err != nil {
				t.Fatal(err)
			}
			large, err := Pressure(big, slow, double(mic.At), hz/2)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "scaled", cmplx.Abs(small-2*large), 0, 1e-12)
		}
	}
}

func TestMutedIsNotThere(t *testing.T) {
	sheet := set()
	sheet.Settings[0].Muted = true
	p := predicted(t, yard(), sheet)
	without := yard()
	without.Sources = []engine.Source{without.Sources[0], without.Sources[2]}
	want := predicted(t, without, sheet)
	for i := range p.Front.P {
		near(t, "front", cmplx.Abs(p.Front.P[i]-want.Front.P[i]), 0, 1e-15)
		near(t, "solo of the muted output", cmplx.Abs(p.Solos[0].Front.P[i]), 0, 0)
	}
	near(t, "quiet", p.QuietDB, want.QuietDB, 1e-9)
}

// The rule of thumb (common practice, no published source) and the closed
// form: an end-fire pair d apart nulls behind at c/4d, 1.9 m for 45 Hz.
func TestQuarterWavelength(t *testing.T) {
	c, _ := air.SoundSpeed(yard().Air)
	near(t, "a quarter wavelength at 45 Hz", c/4/45, 1.9, 0.05)
	for _, hz := range []float64{40, 45, 52.5} {
		d := c / 4 / hz
		site := yard()
		site.Outputs, site.Sources = pair(d).Outputs, pair(d).Sources
		site.Microphones[0].At, site.Microphones[1].At = engine.Point{X: 900}, engine.Point{X: -900}
		site.Target.NullHz = hz
		p := predicted(t, site, endfire(d, c))
		near(t, "null", p.Summary.NullHz, hz, 0.02)
		// 900 m and 900 m + d: what 1/r leaves of two equal sources.
		near(t, "depth", math.Pow(10, p.Summary.NullDepthDB/20), d/1800, 4e-4)
		near(t, "shortfall", p.Summary.SumShortfallDB, 0, 1e-9)
		near(t, "headroom cost", p.HeadroomCostDB, 0, 1e-9)
	}
}

func TestArrival(t *testing.T) {
	site, sheet := yard(), set()
	c, _ := air.SoundSpeed(site.Air)
	mic := site.Microphones[1]
	for i := range sheet.Settings {
		sheet.Settings[i].Muted = sheet.Settings[i].Output != 7
	}
	got, err := Arrival(site, sheet, mic)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "one source", got, 0.0004+site.Sources[0].At.Distance(mic.At)/c, 1e-12)

	// 1/4 against 1/1: a mean with the weights 1 and 4.
	two := pair(0)
	two.Air = site.Air
	two.Sources[1].At.X = 5
	got, err = Arrival(two, endfire(0, c), engine.Microphone{At: engine.Point{X: 4}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "two sources", got, (1*4+4*1)/5.0/c, 1e-12)

	sheet.Settings[2].Muted = true
	if got, err := Arrival(site, sheet, mic); got != 0 || err != nil {
		t.Errorf("everything muted: got %g, %v", got, err)
	}
	if _, err := Arrival(site, engine.Sheet{}, mic); err == nil {
		t.Error("a sheet without settings was accepted")
	}
}

// Taken out, the arrival leaves no delay: the slope of the phase at low
// frequency is zero when nothing is reversed.
func TestArrivalIsTheBulkDelay(t *testing.T) {
	sheet := set()
	sheet.Settings[2].Polarity = 1
	site := yard()
	for _, mic := range site.Microphones {
		delay, err := Arrival(site, sheet, mic)
		if err != nil {
			t.Fatal(err)
		}
		const hz = 0.01
		p, err := Pressure(site, sheet, mic.At, hz)
		if err != nil {
			t.Fatal(err)
		}
		left := -cmplx.Phase(p*cmplx.Rect(1, 2*math.Pi*hz*delay)) / (2 * math.Pi * hz)
		near(t, "delay left, s", left, 0, 1e-8)
	}
}

// Energy over zones of one source alone, against a ten times finer sum in
// polar form over the same rectangles.
func TestQuietIsAMeanOfEnergy(t *testing.T) {
	site := yard()
	site.Outputs, site.Sources = site.Outputs[2:], site.Sources[:1]
	source := site.Sources[0].At
	rectangle := func(x0, x1, y0, y1, z float64) []engine.Point {
		return []engine.Point{{X: x0, Y: y0, Z: z}, {X: x1, Y: y0, Z: z}, {X: x1, Y: y1, Z: z}, {X: x0, Y: y1, Z: z}}
	}
	fine := func(x0, x1, y0, y1, z float64) float64 {
		const n = 400
		var mean float64
		for i := range n {
			for j := range n {
				dx := x0 + (x1-x0)*(float64(i)+0.5)/n - source.X
				dy := y0 + (y1-y0)*(float64(j)+0.5)/n - source.Y
				mean += 1 / (dx*dx + dy*dy + (z-source.Z)*(z-source.Z)) / n / n
			}
		}
		return mean
	}
	site.Zones[0].Corners = rectangle(6, 20, -7, 4, 1)
	site.Zones[1].Corners = rectangle(-16, -5, -3, 9, 2)
	want := 10 * math.Log10(fine(-16, -5, -3, 9, 2)/fine(6, 20, -7, 4, 1))
	near(t, "quiet", predicted(t, site, set()).QuietDB, want, 0.05)
}

func TestSamplesFillThePolygon(t *testing.T) {
	ell := []engine.Point{{X: 0, Y: 0}, {X: 10, Y: 0}, {X: 10, Y: 3}, {X: 4, Y: 3}, {X: 4, Y: 8}, {X: 0, Y: 8}}
	points := samples(ell, 1)
	if len(points) != 10*3+4*5 {
		t.Errorf("got %d points in an L of 50 m²", len(points))
	}
	for _, p := range points {
		if p.X > 4 && p.Y > 3 {
			t.Errorf("%v lies in the notch", p)
		}
	}
	slices.Reverse(ell)
	if again := samples(ell, 1); !slices.Equal(again, points) {
		t.Error("walking round the other way changes the points")
	}
	triangle := []engine.Point{{X: 0, Y: 0, Z: 2}, {X: 60, Y: 0, Z: 2}, {X: 0, Y: 40, Z: 2}}
	if n := float64(len(samples(triangle, 1))); math.Abs(n-1200) > 40 {
		t.Errorf("got %g points in a triangle of 1200 m²", n)
	}
	thin := []engine.Point{{X: 0, Y: 0}, {X: 9, Y: 0}, {X: 9, Y: 0.2}}
	if got := samples(thin, 1); !slices.Equal(got, thin) {
		t.Errorf("a thin zone: got %v, want its corners", got)
	}
}

func TestLargeZonesStayAffordable(t *testing.T) {
	huge := []engine.Point{{X: -1000, Y: -1000}, {X: 1000, Y: -1000}, {X: 1000, Y: 1000}, {X: -1000, Y: 1000}}
	zones := []engine.Zone{{Corners: huge}, {Corners: huge}}
	cell := cellFor(zones, maxPoints)
	if n := 2 * len(samples(huge, cell)); n < maxPoints*9/10 || n > maxPoints*11/10 {
		t.Errorf("got %d points, want about %d", n, maxPoints)
	}
	if cell := cellFor(yard().Zones, maxPoints); cell != cellM {
		t.Errorf("a small site is sampled every %g m", cell)
	}
}

func TestPredictRefuses(t *testing.T) {
	tests := []struct {
		want  string
		spoil func(*engine.Site, *engine.Sheet)
	}{
		{"no front microphone", func(s *engine.Site, _ *engine.Sheet) { s.Microphones = s.Microphones[1:] }},
		{"no rear microphone", func(s *engine.Site, _ *engine.Sheet) { s.Microphones = s.Microphones[:1] }},
		{`source "c": the sheet has no setting for output 4`, func(_ *engine.Site, sh *engine.Sheet) {
			sh.Settings = []engine.Setting{sh.Settings[0], sh.Settings[2]}
		}},
		{"no speed of sound", func(s *engine.Site, _ *engine.Sheet) { s.Air.TemperatureC = -300 }},
		{"no speed of sound", func(s *engine.Site, _ *engine.Sheet) { s.Air.Humidity = math.Inf(1) }},
		{"got 0 frequencies", func(s *engine.Site, _ *engine.Sheet) { s.TestSignal = engine.TestSignal{} }},
		{"nothing arrives in front", func(_ *engine.Site, sh *engine.Sheet) {
			for i := range sh.Settings {
				sh.Settings[i].Muted = true
			}
		}},
		{"audience zone and a quiet zone", func(s *engine.Site, _ *engine.Sheet) { s.Zones = s.Zones[:1] }},
	}
	for _, test := range tests {
		site, sheet := yard(), set()
		test.spoil(&site, &sheet)
		p, err := Predict(site, sheet)
		if err == nil || !strings.HasPrefix(err.Error(), "prediction: ") || !strings.Contains(err.Error(), test.want) {
			t.Errorf("got %v, want it to say %q", err, test.want)
		}
		if p.SoundSpeed != 0 || p.Solos != nil {
			t.Errorf("%v: an error came with a prediction", err)
		}
	}
	if _, err := Pressure(yard(), engine.Sheet{}, engine.Point{}, 50); err == nil {
		t.Error("a sheet without settings was accepted")
	}
	if _, err := Pressure(engine.Site{Air: engine.Air{TemperatureC: -300}}, engine.Sheet{}, engine.Point{}, 50); err == nil {
		t.Error("air without sound was accepted")
	}
}

// On top of a source the field is large but finite.
func TestNearFieldIsHeld(t *testing.T) {
	site := yard()
	const seed = 5
	rng := rand.New(rand.NewPCG(seed, seed))
	for range 100 {
		at := site.Sources[rng.IntN(4)].At
		at.X += rng.NormFloat64() * 1e-3
		p, err := Pressure(site, set(), at, 50)
		if err != nil || cmplx.Abs(p) > 4/minRangeM {
			t.Fatalf("seed %d: got %v, %v at %v", seed, p, err, at)
		}
	}
}
