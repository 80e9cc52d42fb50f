package solve

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/field"
)

// What processors have: 0.01 ms and 0.1 dB; one sample at 96 kHz and 0.25 dB;
// and a grid so fine that it stands for none.
var (
	usual = engine.Ranges{DelaySec: engine.Grid{Max: 0.65, Step: 1e-5}, GainDB: engine.Grid{Min: -60, Max: 6, Step: 0.1}}
	other = engine.Ranges{DelaySec: engine.Grid{Max: 0.34, Step: 1.0 / 96000}, GainDB: engine.Grid{Min: -80, Max: 12, Step: 0.25}}
	exact = engine.Ranges{DelaySec: engine.Grid{Max: 0.65, Step: 1e-10}, GainDB: engine.Grid{Min: -60, Max: 6, Step: 1e-7}}
)

// base is a site without sources, to be filled in.
func base() engine.Site {
	return engine.Site{
		Job:        "sluice meadow (invented)",
		Air:        engine.Air{TemperatureC: 17.5, Humidity: 0.62, PressurePa: 100.9e3},
		Target:     engine.Target{NullHz: 47, Range: engine.Band{LowHz: 32, HighHz: 68}},
		Limits:     engine.Limits{NullDepthDB: 24, NullOffsetHz: 0.5, SumShortfallDB: 1.5},
		TestSignal: engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Wiring:     engine.Wiring{Profile: "plain-eight", Address: "192.0.2.7:8700"},
		Microphones: []engine.Microphone{
			{Name: "ahead", Role: engine.RoleFront, At: engine.Point{X: 24, Z: 1.2}},
			{Name: "behind", Role: engine.RoleRear, At: engine.Point{X: -12, Z: 1.2}},
		},
		Zones: []engine.Zone{
			{Name: "crowd", Kind: engine.ZoneAudience, Corners: []engine.Point{{X: 8, Y: -9}, {X: 30, Y: -9}, {X: 30, Y: 9}}},
			{Name: "houses", Kind: engine.ZoneQuiet, Corners: []engine.Point{{X: -30, Y: -9}, {X: -45, Y: -9}, {X: -45, Y: 9}}},
		},
	}
}

// arc is one source behind and three on an arc in front of it, outputs 1 to 4.
func arc() engine.Site {
	site := base()
	for i, at := range []engine.Point{{Z: 0.3}, {X: 1.65, Y: 1.75, Z: 0.3}, {X: 2.1, Z: 0.3}, {X: 1.65, Y: -1.75, Z: 0.3}} {
		row := engine.RowFront
		if i == 0 {
			row = engine.RowRear
		}
		site.Outputs = append(site.Outputs, engine.Output{Number: i + 1})
		site.Sources = append(site.Sources, engine.Source{Name: fmt.Sprint("s", i), Row: row, At: at, Output: i + 1})
	}
	return site
}

// couple is one source at the origin on output 1 and one d ahead on output 2,
// with the microphones on the axis, far metres from the nearer source.
func couple(d, far float64) engine.Site {
	site := base()
	site.Outputs = []engine.Output{{Number: 1}, {Number: 2}}
	site.Sources = []engine.Source{
		{Name: "rear", Row: engine.RowRear, Output: 1},
		{Name: "front", Row: engine.RowFront, At: engine.Point{X: d}, Output: 2},
	}
	site.Microphones[0].At = engine.Point{X: d + far}
	site.Microphones[1].At = engine.Point{X: -far}
	return site
}

func solved(t *testing.T, site engine.Site, r engine.Ranges) engine.Sheet {
	t.Helper()
	if found := site.Problems(); found != nil {
		t.Fatalf("the test's own site: %v", found)
	}
	sheet, err := Null(site, r)
	if err != nil {
		t.Fatal(err)
	}
	return sheet
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.9g, want %.9g within %g", what, got, want, within)
	}
}

// heard is a sheet's sum at a microphone without complex numbers: each source
// as an amplitude and an angle. total is the sum of the amplitudes alone.
func heard(site engine.Site, sheet engine.Sheet, mic int, hz float64) (sum, total float64) {
	c, _ := air.SoundSpeed(site.Air)
	var x, y float64
	for _, src := range site.Sources {
		set, _ := sheet.Setting(src.Output)
		r := src.At.Distance(site.Microphones[mic].At)
		amplitude := math.Pow(10, (src.LevelDB+set.GainDB)/20) / r
		turns := hz * (set.DelaySec + r/c)
		if set.Polarity < 0 {
			turns += 0.5
		}
		x += amplitude * math.Cos(2*math.Pi*turns)
		y += amplitude * math.Sin(2*math.Pi*turns)
		total += amplitude
	}
	return math.Hypot(x, y), total
}

// depthAt is rear over front in dB.
func depthAt(site engine.Site, sheet engine.Sheet, hz float64) float64 {
	front, _ := heard(site, sheet, 0, hz)
	rear, _ := heard(site, sheet, 1, hz)
	return engine.DB(rear / front)
}

func setting(t *testing.T, sheet engine.Sheet, output int) engine.Setting {
	t.Helper()
	set, ok := sheet.Setting(output)
	if !ok {
		t.Fatalf("no setting for output %d", output)
	}
	return set
}

func TestArc(t *testing.T) {
	site := arc()
	for _, r := range []engine.Ranges{usual, other} {
		sheet := solved(t, site, r)
		if depth := depthAt(site, sheet, 47); depth > -40 {
			t.Errorf("the null is %.1f dB deep", depth)
		}
		rear, left, centre, right := setting(t, sheet, 1), setting(t, sheet, 2), setting(t, sheet, 3), setting(t, sheet, 4)
		if left.DelaySec != right.DelaySec || left.GainDB != right.GainDB {
			t.Errorf("a symmetric array got %+v left and %+v right", left, right)
		}
		// Three against one: about a third each. Common practice, no published source.
		near(t, "fronts below rear, dB", centre.GainDB-rear.GainDB, -8, 1.5)
		if rear.DelaySec != 0 || rear.Polarity != 1 || rear.GainDB != 0 {
			t.Errorf("the rear source should lead, plain and at its loudest: %+v", rear)
		}
		c, _ := air.SoundSpeed(site.Air)
		sides := site.Sources[1].At.Distance(site.Microphones[0].At) - site.Sources[2].At.Distance(site.Microphones[0].At)
		near(t, "centre waits for the sides, s", centre.DelaySec-left.DelaySec, sides/c, 2*r.DelaySec.Step)
		p, err := field.Predict(site, sheet)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "null, Hz", p.Summary.NullHz, 47, 0.05)
		if p.Summary.SumShortfallDB > 0.1 || p.Summary.NullDepthDB > -40 {
			t.Errorf("got %+v", p.Summary)
		}
	}
}

// A quarter wavelength apart: the front one waits d/c, and is louder by the
// little that it is further away behind.
func TestEndFireInClosedForm(t *testing.T) {
	c, _ := air.SoundSpeed(base().Air)
	const hz, far = 47, 300
	d := c / 4 / hz
	sheet := solved(t, couple(d, far), exact)
	rear, front := setting(t, sheet, 1), setting(t, sheet, 2)
	near(t, "front waits, s", front.DelaySec, d/c, 1e-9)
	near(t, "rear waits, s", rear.DelaySec, 0, 0)
	near(t, "rear below front, dB", rear.GainDB-front.GainDB, -20*math.Log10((far+d)/far), 1e-6)
	if front.GainDB != 0 || front.Polarity != 1 || rear.Polarity != 1 {
		t.Errorf("got %+v and %+v", front, rear)
	}
}

// Much closer than that: the rear one is reversed and waits for the front one's
// sound to come by on its way back, d/c. That is a gradient pair.
func TestGradientInClosedForm(t *testing.T) {
	c, _ := air.SoundSpeed(base().Air)
	for _, d := range []float64{0.4, 0.7, 1} {
		sheet := solved(t, couple(d, 300), exact)
		rear, front := setting(t, sheet, 1), setting(t, sheet, 2)
		near(t, "rear waits, s", rear.DelaySec-front.DelaySec, d/c, 1e-9)
		if rear.Polarity != -1 || front.Polarity != 1 {
			t.Errorf("%g m: got polarities %d and %d", d, rear.Polarity, front.Polarity)
		}
	}
}

// Every delay and both polarities, walked in 0.01 ms: nothing that cancels
// behind within a period sums better in front than what was chosen.
func TestNoOtherDelaySumsBetter(t *testing.T) {
	for _, d := range []float64{0.5, 1.2, 1.82, 2.6, 3.3} {
		site := couple(d, 40)
		sheet := solved(t, site, exact)
		chosen := shortfall(site, sheet)
		tried := 0
		for _, polarity := range []int{1, -1} {
			for late := -1 / 47.0; late <= 1/47.0; late += 1e-5 {
				other := engine.Sheet{Settings: []engine.Setting{setting(t, sheet, 1), setting(t, sheet, 2)}}
				c, _ := air.SoundSpeed(site.Air)
				other.Settings[0].Polarity = polarity
				other.Settings[0].DelaySec, other.Settings[1].DelaySec = late, d/c // together in front at late = 0
				if depthAt(site, other, 47) > -50 {
					continue
				}
				tried++
				if s := shortfall(site, other); s < chosen-0.05 {
					t.Errorf("%g m apart: %.2f ms at polarity %d falls short by %.2f dB, chosen %.2f dB", d, late*1e3, polarity, s, chosen)
				}
			}
		}
		if tried < 3 {
			t.Errorf("%g m apart: walked past every null but %d", d, tried)
		}
	}
}

// shortfall is the worst coherent sum over sum in front, inside the range.
func shortfall(site engine.Site, sheet engine.Sheet) float64 {
	worst := 0.0
	for hz := site.Target.Range.LowHz; hz <= site.Target.Range.HighHz; hz += 2 {
		sum, total := heard(site, sheet, 0, hz)
		worst = math.Max(worst, 20*math.Log10(total/sum))
	}
	return worst
}

// On a grid so coarse that all of it can be tried, nothing of the same
// polarity within a quarter period is deeper.
func TestCoarseGridByBruteForce(t *testing.T) {
	coarse := engine.Ranges{DelaySec: engine.Grid{Max: 0.03, Step: 5e-4}, GainDB: engine.Grid{Min: -12, Step: 0.5}}
	for _, d := range []float64{0.8, 1.5, 1.82, 2.2, 3} {
		for _, far := range []float64{4, 9, 23} {
			site := couple(d, far)
			sheet := solved(t, site, coarse)
			got := depthAt(site, sheet, 47)
			apart := sheet.Settings[0].DelaySec - sheet.Settings[1].DelaySec
			best, settings := math.Inf(1), engine.Sheet{}
			for rear := 0; rear <= 60; rear++ {
				for front := 0; front <= 60; front++ {
					if math.Abs(float64(rear-front)*5e-4-apart) > 0.25/47 || (rear > 0 && front > 0) {
						continue
					}
					for gain := range 25 {
						for _, quiet := range []int{0, 1} {
							try := engine.Sheet{Settings: []engine.Setting{sheet.Settings[0], sheet.Settings[1]}}
							try.Settings[0].DelaySec, try.Settings[1].DelaySec = float64(rear)*5e-4, float64(front)*5e-4
							try.Settings[0].GainDB, try.Settings[1].GainDB = 0, 0
							try.Settings[quiet].GainDB = -0.5 * float64(gain)
							if depth := depthAt(site, try, 47); depth < best {
								best, settings = depth, try
							}
						}
					}
				}
			}
			if got > best+1e-6 {
				t.Errorf("%g m apart, %g m away: got %.2f dB by %v, brute force %.2f dB by %v", d, far, got, sheet, best, settings)
			}
		}
	}
}

func TestWhatDoesNotFitIsSaid(t *testing.T) {
	c, _ := air.SoundSpeed(base().Air)
	tests := []struct {
		want  string
		spoil func(*engine.Site, *engine.Ranges)
	}{
		{"rise in steps above 0", func(_ *engine.Site, r *engine.Ranges) { *r = engine.Ranges{} }},
		{"rise in steps above 0", func(_ *engine.Site, r *engine.Ranges) { r.GainDB.Step = math.NaN() }},
		{"need delays 6.22 ms apart, the processor has 5.00 ms in steps of 0.01 ms", func(_ *engine.Site, r *engine.Ranges) { r.DelaySec.Max = 0.005 }},
		{"needs a gain of -7.8 dB, the processor goes down to -3 dB", func(_ *engine.Site, r *engine.Ranges) { r.GainDB.Min = -3 }},
		{"may play at -70 dB at most, the processor goes down to -60 dB", func(s *engine.Site, _ *engine.Ranges) { s.Outputs[2].MaxGainDB = -70 }},
		{"no rear microphone", func(s *engine.Site, _ *engine.Ranges) { s.Microphones = s.Microphones[:1] }},
		{"no front microphone", func(s *engine.Site, _ *engine.Ranges) { s.Microphones = nil }},
		{"output 9 feeds no source", func(s *engine.Site, _ *engine.Ranges) { s.Outputs = append(s.Outputs, engine.Output{Number: 9}) }},
		{"no speed of sound", func(s *engine.Site, _ *engine.Ranges) { s.Air.TemperatureC = -400 }},
		{"no setting for output 8", func(s *engine.Site, _ *engine.Ranges) { s.Sources[3].Output = 8; s.Outputs = s.Outputs[:3] }},
		{"audience zone", func(s *engine.Site, _ *engine.Ranges) { s.Zones = nil }},
		{"cancels itself at the rear microphone", func(s *engine.Site, _ *engine.Ranges) {
			// Two fronts on one output, half a wavelength apart seen from behind.
			*s = couple(2, 10)
			further := engine.Source{Name: "further", Row: engine.RowFront, At: engine.Point{X: 2 + c/2/47}, Output: 2}
			further.LevelDB = 20 * math.Log10((12+c/2/47)/12)
			s.Sources = append(s.Sources, further)
		}},
	}
	for _, test := range tests {
		site, r := arc(), usual
		test.spoil(&site, &r)
		sheet, err := Null(site, r)
		if err == nil || !strings.HasPrefix(err.Error(), "solving for a null at 47 Hz: ") || !strings.Contains(err.Error(), test.want) {
			t.Errorf("got %v, want it to say %q", err, test.want)
		}
		if sheet.Settings != nil {
			t.Errorf("%v came with a sheet", err)
		}
	}
}

// Exact delays may fit where none of their roundings does: 5.9 ms in steps of
// 3.5 ms are two steps, and the processor ends at 6.5 ms.
func TestRoundingThatDoesNotFit(t *testing.T) {
	a := array{hz: 47, treatments: []engine.Treatment{engine.TreatNull}, channels: []channel{
		{output: 1, polarity: 1, front: 1, rear: 1}, {output: 2, polarity: 1, front: 1, rear: 1, delaySec: 0.0059},
		{output: 3, polarity: 1, row: rear, front: 1, rear: -2, delaySec: 0.003},
	}}
	r := engine.Ranges{DelaySec: engine.Grid{Max: 0.0065, Step: 0.0035}, GainDB: engine.Grid{Max: 6, Step: 1}}
	if sheet, err := a.round(r); err == nil || !strings.Contains(err.Error(), "5.90 ms apart, the processor has 6.50 ms in steps of 3.5 ms") {
		t.Errorf("got %v, %v", sheet, err)
	}
	r.DelaySec.Max = 0.007
	if _, err := a.round(r); err != nil {
		t.Errorf("with room for two steps: %v", err)
	}
}

// The ends of a processor's ranges and an output's own maximum are kept.
func TestRangesAreKept(t *testing.T) {
	site, r := arc(), usual
	site.Outputs[0].MaxGainDB = -2.34
	r.DelaySec.Min = 0.0005
	sheet := solved(t, site, r)
	near(t, "rear gain, dB", setting(t, sheet, 1).GainDB, -2.4, 1e-9)
	near(t, "front gain, dB", setting(t, sheet, 3).GainDB, -10.2, 1e-9)
	near(t, "least delay, s", setting(t, sheet, 1).DelaySec, 0.0005, 1e-12)
	near(t, "other delays, s", setting(t, sheet, 3).DelaySec, 0.0005+setting(t, solved(t, arc(), usual), 3).DelaySec, 1.5e-5)

	site.Outputs[3].MaxGainDB = -20 // one front that must stay low holds its row
	sheet = solved(t, site, usual)
	near(t, "front gain, dB", setting(t, sheet, 2).GainDB, -20, 1e-9)
	near(t, "rear gain, dB", setting(t, sheet, 1).GainDB, -12.2, 1e-9)

	site.Outputs = arc().Outputs
	for i := range site.Outputs {
		site.Outputs[i].MaxGainDB = 30 // above what the processor has
	}
	sheet = solved(t, site, usual)
	near(t, "rear gain, dB", setting(t, sheet, 1).GainDB, 6, 1e-9)
	near(t, "front gain, dB", setting(t, sheet, 3).GainDB, -1.8, 0.051)
}

// yards makes invented sites: arcs of any depth and bend, rows of one or
// several outputs, outputs that feed two sources, levels and limits of their
// own, microphones off the axis.
func yards(seed uint64, n int) []engine.Site {
	rng := rand.New(rand.NewPCG(seed, seed))
	between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	var sites []engine.Site
	for range n {
		site := base()
		site.Air = engine.Air{TemperatureC: between(-5, 35), Humidity: rng.Float64(), PressurePa: between(85e3, 103e3)}
		site.Target.NullHz = between(36, 64)
		site.Microphones[0].At = engine.Point{X: between(14, 40), Y: between(-4, 4), Z: between(0.5, 2)}
		site.Microphones[1].At = engine.Point{X: between(-18, -7), Y: between(-3, 3), Z: between(0.5, 2)}
		depth := between(0.6, 2.6)
		for row, kind := range []engine.Row{engine.RowRear, engine.RowFront} {
			spacing, bend, sources := between(0.7, 1.6), between(0, 0.3), 1+rng.IntN(2+2*row)
			for i := range sources {
				y := (float64(i) - float64(sources-1)/2) * spacing
				number := 10*row + i + 1
				if i > 0 && rng.IntN(4) == 0 {
					number = site.Outputs[len(site.Outputs)-1].Number // wired through
				} else {
					site.Outputs = append(site.Outputs, engine.Output{Number: number, MaxGainDB: between(-6, 6)})
				}
				site.Sources = append(site.Sources, engine.Source{
					Name: fmt.Sprint(kind, i), Row: kind, Output: number, LevelDB: between(-2, 2),
					At: engine.Point{X: float64(row)*depth - bend*y*y + between(-0.1, 0.1), Y: y, Z: 0.3},
				})
			}
		}
		sites = append(sites, site)
	}
	return sites
}

func TestHundredSites(t *testing.T) {
	const seed = 2024
	for i, site := range yards(seed, 100) {
		name := fmt.Sprintf("seed %d, site %d", seed, i)
		if depth := depthAt(site, solved(t, site, exact), site.Target.NullHz); depth > -80 {
			t.Errorf("%s: off the grid the null is %.1f dB deep", name, depth)
		}
		for _, r := range []engine.Ranges{usual, other} {
			sheet := solved(t, site, r)
			kept(t, name, site, sheet, r)
			aligned(t, name, site, sheet, r)
			if again := solved(t, site, r); again.Digest() != sheet.Digest() {
				t.Errorf("%s: solved again it differs", name)
			}
			// Half a step too late and half a step too loud, everywhere at once
			// and all in the worst direction, is the most that rounding costs.
			front, _ := heard(site, sheet, 0, site.Target.NullHz)
			_, total := heard(site, sheet, 1, site.Target.NullHz)
			step := math.Pow(10, r.GainDB.Step/40) - 1 + math.Pi*site.Target.NullHz*r.DelaySec.Step
			if depth := depthAt(site, sheet, site.Target.NullHz); depth > 20*math.Log10(total*step/front) {
				t.Errorf("%s: %.1f dB is worse than the grid's own bound", name, depth)
			}
		}
	}
}

// kept holds a sheet to the ranges: every output once, on the grid, below its
// maximum, the first one at the least delay.
func kept(t *testing.T, name string, site engine.Site, sheet engine.Sheet, r engine.Ranges) {
	t.Helper()
	least := math.Inf(1)
	if len(sheet.Settings) != len(site.Outputs) {
		t.Fatalf("%s: %d settings for %d outputs", name, len(sheet.Settings), len(site.Outputs))
	}
	for i, set := range sheet.Settings {
		least = math.Min(least, set.DelaySec)
		if set.Output != site.Outputs[i].Number || set.Muted || (set.Polarity != 1 && set.Polarity != -1) {
			t.Errorf("%s: %+v", name, set)
		}
		if set.DelaySec != r.DelaySec.Nearest(set.DelaySec) || set.GainDB != r.GainDB.Nearest(set.GainDB) {
			t.Errorf("%s: %+v is off the grid", name, set)
		}
		if set.GainDB > site.Outputs[i].MaxGainDB {
			t.Errorf("%s: %+v is above %g dB", name, set, site.Outputs[i].MaxGainDB)
		}
	}
	if least != r.DelaySec.Min {
		t.Errorf("%s: the least delay is %g s", name, least)
	}
}

// aligned holds each row to arriving together in front, two steps for rounding.
func aligned(t *testing.T, name string, site engine.Site, sheet engine.Sheet, r engine.Ranges) {
	t.Helper()
	for _, row := range []engine.Row{engine.RowFront, engine.RowRear} {
		first, last := math.Inf(1), math.Inf(-1)
		for _, set := range sheet.Settings {
			if site.Fed(set.Output)[0].Row != row {
				continue
			}
			alone := engine.Sheet{}
			for _, other := range sheet.Settings {
				other.Muted = other.Output != set.Output
				alone.Settings = append(alone.Settings, other)
			}
			arrival, err := field.Arrival(site, alone, site.Microphones[0])
			if err != nil {
				t.Fatal(err)
			}
			first, last = math.Min(first, arrival), math.Max(last, arrival)
		}
		if last-first > 2*r.DelaySec.Step*(1+1e-9) {
			t.Errorf("%s: the %s row arrives %g ms apart", name, row, (last-first)*1e3)
		}
	}
}

// What must not matter does not: which side is left, how loud everything is,
// where the origin lies, how big the wave is that everything is measured in.
func TestInvariances(t *testing.T) {
	const seed = 77
	for i, site := range yards(seed, 12) {
		want := solved(t, site, exact)
		same := func(what string, changed engine.Site, stretch float64) {
			t.Helper()
			got := solved(t, changed, exact)
			for k, set := range got.Settings {
				ref := want.Settings[k]
				if math.Abs(set.DelaySec-stretch*ref.DelaySec) > 1e-8 || math.Abs(set.GainDB-ref.GainDB) > 1e-5 || set.Polarity != ref.Polarity {
					t.Errorf("seed %d, site %d, %s: got %+v, was %+v", seed, i, what, set, ref)
				}
			}
		}
		same("mirrored", moved(site, func(p engine.Point) engine.Point { p.Y = -p.Y; return p }), 1)
		same("turned and shifted", moved(site, func(p engine.Point) engine.Point {
			return engine.Point{X: 50 - p.Y, Y: 20 + p.X, Z: p.Z}
		}), 1)
		same("twice as big", doubled(site), 2)
		loud := moved(site, func(p engine.Point) engine.Point { return p })
		for k := range loud.Sources {
			loud.Sources[k].LevelDB += 3
		}
		same("louder", loud, 1)
	}
}

func moved(site engine.Site, to func(engine.Point) engine.Point) engine.Site {
	site.Sources = append([]engine.Source(nil), site.Sources...)
	for i := range site.Sources {
		site.Sources[i].At = to(site.Sources[i].At)
	}
	site.Microphones = append([]engine.Microphone(nil), site.Microphones...)
	for i := range site.Microphones {
		site.Microphones[i].At = to(site.Microphones[i].At)
	}
	return site
}

func doubled(site engine.Site) engine.Site {
	big := moved(site, func(p engine.Point) engine.Point { return engine.Point{X: 2 * p.X, Y: 2 * p.Y, Z: 2 * p.Z} })
	big.Target.NullHz /= 2
	big.Target.Range = engine.Band{LowHz: big.Target.Range.LowHz / 2, HighHz: big.Target.Range.HighHz / 2}
	big.TestSignal.PeriodSec *= 2
	big.TestSignal.Band = engine.Band{LowHz: big.TestSignal.Band.LowHz / 2, HighHz: big.TestSignal.Band.HighHz / 2}
	return big
}

// The search is worth its lines: never worse than plain rounding and some
// decibels deeper on average, where gains are coarse and where delays are.
func TestSearchBeatsPlainRounding(t *testing.T) {
	const seed, sites = 31, 60
	late := engine.Ranges{DelaySec: engine.Grid{Max: 0.65, Step: 2e-4}, GainDB: engine.Grid{Min: -60, Max: 6, Step: 0.001}}
	for _, test := range []struct {
		r    engine.Ranges
		gain float64
	}{{usual, 3}, {late, 2}} {
		var gained float64
		for i, site := range yards(seed, sites) {
			a, err := arrange(site)
			if err != nil {
				t.Fatal(err)
			}
			if err := a.match(test.r.GainDB); err != nil {
				t.Fatal(err)
			}
			if a, err = choose(site, a); err != nil {
				t.Fatal(err)
			}
			plain := depthAt(site, a.plain(test.r).sheet(), site.Target.NullHz)
			found := depthAt(site, solved(t, site, test.r), site.Target.NullHz)
			if found > plain+1e-9 {
				t.Errorf("seed %d, site %d: %.2f dB after the search, %.2f dB before", seed, i, found, plain)
			}
			gained += (plain - found) / sites
		}
		if gained < test.gain {
			t.Errorf("%+v: the search gained %.1f dB on average, want %g dB", test.r, gained, test.gain)
		}
	}
}
