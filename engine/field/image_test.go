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

func heardAt(t *testing.T, site engine.Site, sheet engine.Sheet, at engine.Point, hz float64) complex128 {
	t.Helper()
	p, err := Pressure(site, sheet, at, hz)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// alone is one source on output 1, facing an angle, and its sheet.
func alone(at engine.Point, facing float64, cabinet string) (engine.Site, engine.Sheet) {
	return engine.Site{
			Air:      engine.Air{TemperatureC: 20, Humidity: 0.5, PressurePa: 101325},
			Outputs:  []engine.Output{{Number: 1, MaxGainDB: 3}},
			Cabinets: []engine.Cabinet{{Name: "horn", Directivity: beam()}},
			Sources:  []engine.Source{{Name: "only", At: at, Output: 1, FacingRad: facing, Cabinet: cabinet}},
		},
		engine.Sheet{Settings: []engine.Setting{{Output: 1, Polarity: 1}}}
}

// On a rigid plane the image is in the same place: one doubles, two at right
// angles make four.
func TestRigidPlanesDouble(t *testing.T) {
	site, sheet := alone(engine.Point{X: 1, Y: 2}, 0, "")
	wall := engine.Wall{Name: "side", From: engine.Point{X: -5, Y: 2}, To: engine.Point{X: 5, Y: 2}}
	at := engine.Point{X: 7, Y: -3, Z: 1.5}
	free := heardAt(t, site, sheet, at, 47)
	for _, test := range []struct {
		ground float64
		walls  []engine.Wall
		factor complex128
	}{{1, nil, 2}, {0.5, nil, 1.5}, {0, []engine.Wall{wall}, 2}, {1, []engine.Wall{wall}, 4}, {0, nil, 1}} {
		site.Ground, site.Walls = test.ground, test.walls
		near(t, "against free space", cmplx.Abs(heardAt(t, site, sheet, at, 47)-test.factor*free), 0, 1e-15)
	}
}

// A source 2 m high, 2.6 m before the wall: the ways to the point by Pythagoras
// on paper, each counted by what reflects it.
func TestFourWaysByPythagoras(t *testing.T) {
	site, sheet := alone(engine.Point{Z: 2}, 0, "")
	site.Ground = 0.6
	site.Walls = []engine.Wall{{Name: "back", From: engine.Point{X: -2.6, Y: 9}, To: engine.Point{X: -2.6, Y: -4}}}
	at := engine.Point{X: 8, Y: 3, Z: 1}
	c, _ := air.SoundSpeed(site.Air)
	for hz := 20.0; hz < 200; hz += 13 {
		var want complex128
		for _, way := range []struct{ along, up, factor float64 }{
			{8, 1, 1}, {8, 3, 0.6}, {8 + 2*2.6, 1, 1}, {8 + 2*2.6, 3, 0.6},
		} {
			r := math.Sqrt(way.along*way.along + 9 + way.up*way.up)
			want += cmplx.Rect(way.factor/r, -2*math.Pi*hz*r/c)
		}
		near(t, "four ways", cmplx.Abs(heardAt(t, site, sheet, at, hz)-want), 0, 1e-14)
	}
}

// A plane that reflects all is what a second, mirrored array would be.
func TestImagesAreMirroredSources(t *testing.T) {
	const seed = 8
	rng := rand.New(rand.NewPCG(seed, seed))
	s := strewn(rng, "", 7, 0, 0, true, nil)
	slant := math.Pi / 6                          // the wall's direction, through (-15, 0)
	mirror := func(p engine.Point) engine.Point { // by lengths along the wall and away from it
		sin, cos := math.Sincos(slant)
		along, away := (p.X+15)*cos+p.Y*sin, -((p.Y * cos) - (p.X+15)*sin)
		return engine.Point{X: -15 + along*cos - away*sin, Y: along*sin + away*cos, Z: p.Z}
	}
	walled, doubled := s.site, s.site
	walled.Walls = []engine.Wall{{Name: "slant", From: engine.Point{X: -15}, To: engine.Point{X: -15 + 3*math.Cos(slant), Y: 3 * math.Sin(slant)}}}
	doubled.Sources = nil
	for _, src := range s.site.Sources {
		image := src
		image.At, image.FacingRad = mirror(src.At), 2*slant-src.FacingRad
		doubled.Sources = append(doubled.Sources, src, image)
	}
	for _, ground := range []float64{0, 0.3} {
		walled.Ground, doubled.Ground = ground, ground
		for _, at := range s.at {
			want := heardAt(t, doubled, s.sheet, at, 61)
			near(t, "walled", cmplx.Abs(heardAt(t, walled, s.sheet, at, 61)-want), 0, 1e-12)
			near(t, "across the wall", cmplx.Abs(heardAt(t, walled, s.sheet, mirror(at), 61)-want), 0, 1e-12)
		}
	}
}

// Sources that play the same in all directions may change places with those
// who hear them.
func TestReciprocity(t *testing.T) {
	const seed = 31
	rng := rand.New(rand.NewPCG(seed, seed))
	for range 50 {
		s := strewn(rng, "", 1, spread(rng, 0, 1), rng.IntN(3), false, nil)
		hz := spread(rng, 20, 150)
		there := heardAt(t, s.site, s.sheet, s.at[1], hz)
		s.site.Sources[0].At, s.at[1] = s.at[1], s.site.Sources[0].At
		near(t, "there and back", cmplx.Abs(heardAt(t, s.site, s.sheet, s.at[1], hz)-there), 0, 1e-13)
	}
}

// The site seen in a mirror, or from another side, sounds the same.
func TestMirroredAndTurnedSites(t *testing.T) {
	const seed = 77
	rng := rand.New(rand.NewPCG(seed, seed))
	s := strewn(rng, "", 9, 0.8, 2, true, nil)
	turn := 1.234
	sin, cos := math.Sincos(turn)
	for name, change := range map[string]struct {
		point func(engine.Point) engine.Point
		angle func(float64) float64
	}{
		"mirrored": {func(p engine.Point) engine.Point { return engine.Point{X: p.X, Y: -p.Y, Z: p.Z} }, func(a float64) float64 { return -a }},
		"turned": {func(p engine.Point) engine.Point {
			return engine.Point{X: p.X*cos - p.Y*sin + 3, Y: p.X*sin + p.Y*cos - 2, Z: p.Z}
		}, func(a float64) float64 { return a + turn }},
	} {
		other := s.site
		other.Sources, other.Walls = nil, nil
		for _, src := range s.site.Sources {
			src.At, src.FacingRad = change.point(src.At), change.angle(src.FacingRad)
			other.Sources = append(other.Sources, src)
		}
		for _, w := range s.site.Walls {
			other.Walls = append(other.Walls, engine.Wall{Name: w.Name, From: change.point(w.To), To: change.point(w.From)})
		}
		for _, at := range s.at[1:] { // the first is at a source, where an angle is rounding
			want := heardAt(t, s.site, s.sheet, at, 58)
			near(t, name, cmplx.Abs(heardAt(t, other, s.sheet, change.point(at), 58)-want), 0, 1e-12)
		}
	}
}

// Levels read off the table by hand, 10 m away: at 50 Hz -0.3 dB at 0.6 and
// -1.2 dB at 1.3, so -0.75 dB half way; straight up is a right angle.
func TestDirectivityByHand(t *testing.T) {
	up := -1.2 + (-3+1.2)*(math.Pi/2-1.3)/(2.1-1.3)
	halfway := math.Sqrt(50 * 80) // in the logarithm
	for _, test := range []struct {
		what     string
		to       engine.Point // from the source, which faces 100 degrees
		hz, want float64
	}{
		{"ahead", polar(100, 10), 50, 0.2},
		{"34.377 degrees left", polar(100+0.6*180/math.Pi, 10), 50, -0.3},
		{"the same right", polar(100-0.6*180/math.Pi, 10), 50, -0.3},
		{"between two angles", polar(100-0.95*180/math.Pi, 10), 50, -0.75},
		{"behind", polar(280, 10), 50, -4},
		{"up", engine.Point{Z: 10}, 50, up},
		{"down", engine.Point{Z: -10}, 50, up},
		{"behind, between two frequencies", polar(280, 10), halfway, -5},
		{"behind, below the table", polar(280, 10), 20, -1.5},
		{"behind, above the table", polar(280, 10), 500, -9},
	} {
		site, sheet := alone(engine.Point{X: 3, Y: 4, Z: 12}, 100*math.Pi/180, "horn")
		at := engine.Point{X: 3 + test.to.X, Y: 4 + test.to.Y, Z: 12 + test.to.Z}
		near(t, test.what, 20*math.Log10(10*cmplx.Abs(heardAt(t, site, sheet, at, test.hz))), test.want, 1e-9)
		// the image in the ground faces the same way, seen from below
		mirrored := site
		mirrored.Ground = 1
		below := engine.Point{X: at.X, Y: at.Y, Z: -at.Z}
		near(t, test.what+", ground", cmplx.Abs(heardAt(t, mirrored, sheet, at, test.hz)-heardAt(t, mirrored, sheet, below, test.hz)), 0, 1e-13)
	}
}

// A pattern drawn up for an axis is the directivity at every angle, also where
// the table does not reach all round.
func TestPatternIsTheDirectivity(t *testing.T) {
	const seed = 6
	rng := rand.New(rand.NewPCG(seed, seed))
	part := engine.Directivity{FreqHz: []float64{40, 60}, AngleRad: []float64{0.4, 1, 2}, LevelDB: [][]float64{{1, -2, -9}, {0, -4, -7}}}
	single := engine.Directivity{FreqHz: []float64{40}, AngleRad: []float64{0.4}, LevelDB: [][]float64{{-3}}}
	for _, d := range []engine.Directivity{beam(), part, single} {
		p := pattern{Directivity: d}
		freq := []float64{10, 40, 41, 55, 60, 90}
		p.tune(freq)
		for range 200 {
			angle := []float64{0, 0.4, 1, 2, math.Pi, spread(rng, 0, math.Pi)}[rng.IntN(6)]
			j, way := p.between(angle)
			for i, hz := range freq {
				near(t, "ratio", p.ratio(i, j, way), d.Ratio(angle, hz), 1e-14)
			}
		}
	}
}

func polar(degrees, r float64) engine.Point {
	sin, cos := math.Sincos(degrees * math.Pi / 180)
	return engine.Point{X: r * cos, Y: r * sin}
}

// The cost of headroom is what the settings take away: nothing of a source that is
// alone, whatever its pattern and its echoes, which no setting could undo; and of
// two sources the closed form of what each does with its echo.
func TestHeadroomCountsEachSourceWithItsEchoes(t *testing.T) {
	site := yard()
	site.Outputs, site.Sources = site.Outputs[2:], site.Sources[:1]
	site.Outputs[0].MaxGainDB = 6
	site.Cabinets = []engine.Cabinet{{Name: "horn", Directivity: beam()}}
	sheet := engine.Sheet{Settings: []engine.Setting{{Output: 7, Polarity: -1, GainDB: 6}}}
	near(t, "free space", predicted(t, site, sheet).HeadroomCostDB, 0, 1e-12)
	site.Sources[0].Cabinet = "horn"
	near(t, "a pattern", predicted(t, site, sheet).HeadroomCostDB, 0, 1e-12)

	site.Sources[0].At, site.Microphones[0].At = engine.Point{Z: 3}, engine.Point{X: 4, Z: 3}
	site.Sources[0].Cabinet, site.Ground = "", 0.5
	c, _ := air.SoundSpeed(site.Air)
	direct, bounced := 1/4.0, 0.5/math.Sqrt(16+36)
	near(t, "an echo", predicted(t, site, sheet).HeadroomCostDB, 0, 1e-9)
	walled := site
	walled.Ground, walled.Walls = 0, []engine.Wall{{Name: "behind", From: engine.Point{X: -3}, To: engine.Point{X: -3, Y: 1}}}
	near(t, "a wall", predicted(t, walled, sheet).HeadroomCostDB, 0, 1e-9)
	if c := comb(t, walled, sheet); c < 1 {
		t.Errorf("the wall's echo changes the front by %g dB only: it tests nothing", c)
	}
	pair := site
	pair.Sources = append(slices.Clone(site.Sources), site.Sources[0])
	pair.Sources[1].At, pair.Sources[1].Name = engine.Point{X: 1.5, Z: 3}, "nearer"
	worst := 0.0
	for _, hz := range site.TestSignal.Lines() {
		if hz >= 30 && hz <= 66 {
			with := func(d float64) complex128 { // what a source does from d metres away, the ground's echo in it
				long := math.Hypot(d, 6)
				return cmplx.Rect(1/d, -2*math.Pi*hz*d/c) + cmplx.Rect(0.5/long, -2*math.Pi*hz*long/c)
			}
			worst = math.Max(worst, (cmplx.Abs(with(4))+cmplx.Abs(with(2.5)))/cmplx.Abs(with(4)+with(2.5)))
		}
	}
	near(t, "two sources", predicted(t, pair, sheet).HeadroomCostDB, 20*math.Log10(worst), 1e-9)
	got, err := Arrival(site, sheet, site.Microphones[0])
	if err != nil {
		t.Fatal(err)
	}
	near(t, "arrival", got, (direct*4+bounced*math.Sqrt(52))/(direct+bounced)/c, 1e-12)

	// with the pattern each way counts by what goes its way at the target
	site.Sources[0].Cabinet = "horn"
	level := func(angle float64) float64 { return math.Pow(10, beamAt45(angle)/20) }
	bounced *= level(math.Atan2(6, 4))
	direct *= level(0)
	got, err = Arrival(site, sheet, site.Microphones[0])
	if err != nil {
		t.Fatal(err)
	}
	near(t, "arrival with a pattern", got, (direct*4+bounced*math.Sqrt(52))/(direct+bounced)/c, 1e-12)
}

// comb is how far the front level varies over the lines, dB.
func comb(t *testing.T, site engine.Site, sheet engine.Sheet) float64 {
	t.Helper()
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range predicted(t, site, sheet).Front.P {
		low, high = math.Min(low, cmplx.Abs(p)), math.Max(high, cmplx.Abs(p))
	}
	return 20 * math.Log10(high/low)
}

// beamAt45 is the invented pattern at 45 Hz, between 0 and 1.3, by hand.
func beamAt45(angle float64) float64 {
	u := math.Log(45.0/25) / math.Log(50.0/25)
	between := func(a, b, v float64) float64 { return a + (b-a)*v }
	if angle < 0.6 {
		return between(between(0, 0, angle/0.6), between(0.2, -0.3, angle/0.6), u)
	}
	v := (angle - 0.6) / 0.7
	return between(between(0, -0.5, v), between(-0.3, -1.2, v), u)
}

// Zones hear the ground too: all doubles alike on a rigid one.
func TestQuietOnRigidGround(t *testing.T) {
	site := yard()
	for i := range site.Sources {
		site.Sources[i].At.Z = 0
	}
	want := predicted(t, site, set()).QuietDB
	site.Ground = 1
	near(t, "quiet", predicted(t, site, set()).QuietDB, want, 1e-9)
	site.Walls = []engine.Wall{{Name: "back", From: engine.Point{X: -30, Y: -30}, To: engine.Point{X: -30, Y: 30}}}
	if got := predicted(t, site, set()).QuietDB; math.Abs(got-want) < 0.1 {
		t.Errorf("a wall behind the quiet zone changes it from %g to %g dB only", want, got)
	}
}

func TestFieldRefuses(t *testing.T) {
	nan := math.NaN()
	for _, test := range []struct {
		want  string
		spoil func(*engine.Site, *engine.Sheet)
	}{
		{"the site has no sources", func(s *engine.Site, _ *engine.Sheet) { s.Sources = nil }},
		{"ground: got a reflection of NaN, want 0 to 1", func(s *engine.Site, _ *engine.Sheet) { s.Ground = nan }},
		{"ground: got a reflection of 1.5, want 0 to 1", func(s *engine.Site, _ *engine.Sheet) { s.Ground = 1.5 }},
		{`wall "a": got no direction from (3, 4) m to (3, 4) m, want two places`, func(s *engine.Site, _ *engine.Sheet) {
			s.Walls = []engine.Wall{{Name: "a", From: engine.Point{X: 3, Y: 4}, To: engine.Point{X: 3, Y: 4, Z: 9}}}
		}},
		{`wall "a": got no direction`, func(s *engine.Site, _ *engine.Sheet) {
			s.Walls = []engine.Wall{{Name: "a", To: engine.Point{X: nan}}}
		}},
		{`wall "a": got no direction`, func(s *engine.Site, _ *engine.Sheet) {
			s.Walls = []engine.Wall{{Name: "a", To: engine.Point{X: math.Inf(1)}}}
		}},
		{`source "only": place, facing and level must be numbers`, func(s *engine.Site, _ *engine.Sheet) { s.Sources[0].At.Z = nan }},
		{`source "only": place, facing and level must be numbers`, func(s *engine.Site, _ *engine.Sheet) { s.Sources[0].FacingRad = math.Inf(1) }},
		{`source "only": place, facing and level must be numbers`, func(s *engine.Site, _ *engine.Sheet) { s.Sources[0].LevelDB = nan }},
		{`source "only": delay and gain of output 1 must be numbers`, func(_ *engine.Site, sh *engine.Sheet) { sh.Settings[0].GainDB = nan }},
		{`source "only": delay and gain of output 1 must be numbers`, func(_ *engine.Site, sh *engine.Sheet) { sh.Settings[0].DelaySec = math.Inf(-1) }},
		{`source "only": the sheet has no setting for output 2`, func(s *engine.Site, _ *engine.Sheet) { s.Sources[0].Output = 2 }},
		{`source "only": the site has no cabinet "tuba"`, func(s *engine.Site, _ *engine.Sheet) { s.Sources[0].Cabinet = "tuba" }},
		{`source "only": cabinet "horn": the directivity table must have a number for each of 4 frequencies at each of 0 angles`,
			func(s *engine.Site, _ *engine.Sheet) { s.Cabinets[0].Directivity.AngleRad = nil }},
		{`source "only": cabinet "horn": the directivity table`, func(s *engine.Site, _ *engine.Sheet) { s.Cabinets[0].Directivity.LevelDB[2][1] = nan }},
		{`source "only": cabinet "horn": the directivity table`, func(s *engine.Site, _ *engine.Sheet) { s.Cabinets[0].Directivity.AngleRad[2] = nan }},
		{`source "only": cabinet "horn": the directivity table`, func(s *engine.Site, _ *engine.Sheet) {
			s.Cabinets[0].Directivity.LevelDB = s.Cabinets[0].Directivity.LevelDB[:3]
		}},
	} {
		site, sheet := alone(engine.Point{}, 0, "horn")
		test.spoil(&site, &sheet)
		refused := func(_ any, err error) {
			t.Helper()
			if err == nil || !strings.HasPrefix(err.Error(), test.want) {
				t.Errorf("got %v, want %q", err, test.want)
			}
		}
		here, hz := []engine.Point{{X: 5}}, []float64{50}
		refused(Pressure(site, sheet, here[0], 50))
		refused(Along(site, sheet, here, hz))
		refused(NewMap(site, sheet, Area{NX: 1, NY: 1}, hz))
		refused(Arrival(site, sheet, engine.Microphone{At: here[0]}))
		if !strings.HasPrefix(test.want, "ground") && !strings.HasPrefix(test.want, "wall") {
			refused(FarField(site, sheet, []float64{0}, hz))
		}
		if !strings.Contains(test.want, "output") {
			refused(ByOutput(site, here, hz))
		}
	}
}

func TestPointsAndFrequenciesAreRefused(t *testing.T) {
	site, sheet := alone(engine.Point{}, 0, "horn")
	here, hz := []engine.Point{{X: 5}}, []float64{50}
	refused := func(want string) func(any, error) {
		return func(_ any, err error) {
			t.Helper()
			if err == nil || !strings.HasPrefix(err.Error(), want) {
				t.Errorf("got %v, want %q", err, want)
			}
		}
	}
	lost := []engine.Point{{X: 5}, {Y: math.NaN()}}
	refused("point 2 of 2: got (0, NaN, 0) m, want numbers")(Along(site, sheet, lost, hz))
	refused("point 2 of 2: got (0, NaN, 0) m, want numbers")(ByOutput(site, lost, hz))
	refused("point 1 of 1: got (0, NaN, 0) m")(Pressure(site, sheet, lost[1], 50))
	refused(`microphone "m": point 1 of 1: got (0, NaN, 0) m`)(Arrival(site, sheet, engine.Microphone{Name: "m", At: lost[1]}))
	refused("angle 1 of 1: got NaN, want a number")(FarField(site, sheet, []float64{math.NaN()}, hz))
	for want, freq := range map[string][]float64{
		"got 0 frequencies, want at least one":            nil,
		"frequency 2 of 2: got 0 Hz, want more than 0":    {50, 0},
		"frequency 1 of 1: got -50 Hz, want more than 0":  {-50},
		"frequency 3 of 3: got NaN Hz, want more than 0":  {50, 51, math.NaN()},
		"frequency 3 of 4: got +Inf Hz, want more than 0": {50, 51, math.Inf(1), 53},
	} {
		refused(want)(Along(site, sheet, here, freq))
		refused(want)(FarField(site, sheet, []float64{0}, freq))
		refused(want)(ByOutput(site, here, freq))
		refused(want)(NewMap(site, sheet, Area{NX: 1, NY: 1}, freq))
	}
	many := yard()
	many.Zones[0].Corners[0].X = math.Inf(1)
	refused(`prediction: zone "crowd": point 1 of 3: got (+Inf, -7, 1) m, want numbers`)(Predict(many, set()))
	many = yard()
	many.Microphones[1].At.Y = math.NaN()
	refused(`prediction: microphone "behind": point 1 of 1: got (-8, NaN, 1) m, want numbers`)(Predict(many, set()))
}
