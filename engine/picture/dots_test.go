package picture

import (
	"image"
	"image/color"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/field"
	"hushback/engine/picture/paper"
)

// lone is an invented site with one source and nothing else to draw over the field;
// its microphones are out of sight.
func lone() design.Report {
	site := engine.Site{
		Job:     "one source (invented)",
		Air:     engine.Air{TemperatureC: 20, Humidity: 0.5, PressurePa: 101325},
		Outputs: []engine.Output{{Number: 1}},
		Sources: []engine.Source{{Name: "one", Row: engine.RowFront, Output: 1}},
		Microphones: []engine.Microphone{{Name: "far", Role: engine.RoleFront, At: engine.Point{X: 100}},
			{Name: "back", Role: engine.RoleRear, At: engine.Point{X: -100}}},
	}
	return design.Report{Site: site, Sheet: engine.Sheet{Settings: []engine.Setting{{Output: 1, Polarity: 1}}}}
}

// frame finds the plot in a map: where the axis lines, black and long, cross at its
// lower left, and how far the lower one runs. In dots.
func frame(t *testing.T, img image.Image) (left, right, foot int) {
	t.Helper()
	dark := func(x, y int) bool {
		return differ(color.NRGBAModel.Convert(img.At(x, y)).(color.NRGBA), paper.Ink) < 0x90
	}
	run := func(x, y, dx, dy int) int {
		n := 0
		for (image.Point{X: x, Y: y}).In(img.Bounds()) && dark(x, y) {
			n, x, y = n+1, x+dx, y+dy
		}
		return n
	}
	for y := img.Bounds().Max.Y - 1; y >= 0; y-- {
		for x := range img.Bounds().Dx() {
			if across := run(x, y, 1, 0); across > 600 && run(x, y, 0, -1) > 300 {
				return x, x + across, y
			}
		}
	}
	t.Fatal("the map has no axes")
	return 0, 0, 0
}

// A field that is +7 dB on the left, -8 dB on the right, -40 dB at the rear has the
// colours of those bands there, and left is left. The scale under it has the same
// ends. A metre is as long both ways.
func TestMapShowsTheField(t *testing.T) {
	r := lone()
	r.Site.Microphones[1].At = engine.Point{X: 12, Y: 17}
	area := field.Area{MinX: -20, MaxX: 20, MinY: -25, MaxY: 25, NX: 41, NY: 51}
	m := &field.Map{Area: area, FreqHz: []float64{50}, P: make([][]complex128, 1)}
	zero := 0.01 // one source at 0 dB heard over 100 m
	for iy := range area.NY {
		for ix := range area.NX {
			db := 7.0
			switch p := area.At(ix, iy); {
			case p.X < -5:
				db = -40
			case p.Y < 0:
				db = -8
			}
			m.P[0] = append(m.P[0], complex(0, zero*math.Pow(10, db/20)))
		}
	}
	d, err := LevelMap("", r, m)
	img := seen(t, d, err)
	colours, err := scale()
	if err != nil {
		t.Fatal(err)
	}
	left, right, foot := frame(t, img)
	perMetre := float64(right-left) / 50
	at := func(x, y float64) color.NRGBA {
		return color.NRGBAModel.Convert(img.At(left+int((25-y)*perMetre), foot-int((x+20)*perMetre))).(color.NRGBA)
	}
	for _, c := range []struct {
		x, y, db float64
	}{{15, 20, 7}, {1, 12, 7}, {15, -20, -8}, {-1, -12, -8}, {-15, 20, -40}, {-15, -20, -40}, {19, 2, 7}, {19, -3, -8}} {
		want := color.NRGBAModel.Convert(colours[int(math.Floor((math.Max(-38, c.db)+39)/3))]).(color.NRGBA)
		if got := at(c.x, c.y); differ(got, want) > 3 {
			t.Errorf("at x %v, y %v: %v, want %v for %v dB", c.x, c.y, got, want, c.db)
		}
	}
	// The source without a size is a dark ring around a light dot.
	if got := at(-0.2, 0); differ(got, paper.Shade) > 40 && differ(got, paper.Ink) > 40 {
		t.Errorf("at the source: %v", got)
	}
	ring := 0
	for dx := range 30 {
		if c := color.NRGBAModel.Convert(img.At(left+int(25*perMetre)-15+dx, foot-int(20*perMetre)+4)).(color.NRGBA); differ(c, paper.Ink) < 60 {
			ring++
		}
	}
	if ring < 3 {
		t.Errorf("%d dark dots around the source", ring)
	}
	// The rear microphone has a dark middle, at the left, and no twin at the right.
	if got := at(12, 17); differ(got, paper.Ink) > 60 {
		t.Errorf("at the microphone: %v", got)
	}
	if got := at(12, -17); differ(got, at(15, -20)) > 3 {
		t.Errorf("where the microphone is not: %v", got)
	}
	bar := vg.Length(4 + 2*paper.Small*1.3 + 6) // up from the margin to the middle of the scale
	ends := []color.NRGBA{dot(img, vg.Point{X: paper.Margin + 6, Y: paper.Margin + bar}), dot(img, vg.Point{X: paper.Width - paper.Margin - 6, Y: paper.Margin + bar})}
	for i, want := range []color.Color{colours[0], colours[bands-1]} {
		if differ(ends[i], color.NRGBAModel.Convert(want).(color.NRGBA)) > 2 {
			t.Errorf("end %d of the scale is %v, want %v", i, ends[i], want)
		}
	}
	// 40 m up the plan are as long as 40 m across it: the top edge is blank above.
	if above, below := at(20.4, 20), at(19.6, 20); differ(above, color.NRGBA{R: 255, G: 255, B: 255}) > 2 || differ(below, above) < 10 {
		t.Errorf("the top of the area is not at 20 m: %v above, %v below", above, below)
	}
}

// Behind a wall there is paper; on the near side the field.
func TestNothingBehindWalls(t *testing.T) {
	r := lone()
	r.Site.Walls = []engine.Wall{{Name: "shed", From: engine.Point{X: -10, Y: -5}, To: engine.Point{X: -10, Y: 5}}}
	for _, c := range []struct {
		p    engine.Point
		want bool
	}{{engine.Point{X: -11, Y: 40}, true}, {engine.Point{X: -9, Y: -40}, false}, {engine.Point{X: 90}, false}, {engine.Point{X: -10}, false}} {
		area := field.Area{MinX: -20, MaxX: 90, MinY: -50, MaxY: 70}
		hidden := behind(r.Site.Walls, r.Site.Sources, area)
		if got := hidden[0].holds((c.p.X-area.MinX)/110, (c.p.Y-area.MinY)/120); got != c.want {
			t.Errorf("behind at %v: %v", c.p, got)
		}
	}
	slant := behind([]engine.Wall{{From: engine.Point{X: -10}, To: engine.Point{Y: 10}}}, r.Site.Sources, field.Area{MinX: -20, MaxX: 20, MinY: -20, MaxY: 20})
	for p, want := range map[engine.Point]bool{{X: -11}: true, {X: -9}: false, {X: -6, Y: 5}: true, {X: -4, Y: 5}: false, {Y: 11}: true, {Y: -19}: false} {
		if got := slant[0].holds((p.X+20)/40, (p.Y+20)/40); got != want {
			t.Errorf("behind a slanting wall at %v: %v", p, got)
		}
	}
	g := grid{2, 2, []float64{6, 6, 6, 6}}
	colours, err := scale()
	if err != nil {
		t.Fatal(err)
	}
	img := g.banded(40, 40, colours, []half{{at: -0.25, alongU: 1}})
	if c := img.At(5, 38); differ(color.NRGBAModel.Convert(c).(color.NRGBA), color.NRGBA{R: 255, G: 255, B: 255}) != 0 {
		t.Errorf("hidden: %v", c)
	}
	if c := img.At(5, 5); c != colours[15] {
		t.Errorf("shown: %v, want %v", c, colours[15])
	}
	m := &field.Map{Area: field.Area{MinX: -20, MaxX: 20, MinY: -20, MaxY: 20, NX: 2, NY: 2}, FreqHz: []float64{50}, P: [][]complex128{{nan(), 1, nan(), 1}}}
	if _, err := LevelMap("", r, m); err != nil {
		t.Errorf("the far side of a wall may hold anything: %v", err)
	}
}

// Between the points of the grid the level is a plane where the grid is one, and the
// contours lie where a plane crosses multiples of 6 dB.
func TestLevelsBetweenPoints(t *testing.T) {
	g := grid{5, 3, nil}
	plane := func(u, v float64) float64 { return 20*u - 10*v - 8 }
	for j := range g.ny {
		for i := range g.nx {
			g.db = append(g.db, plane(float64(i)/4, float64(j)/2))
		}
	}
	for _, u := range []float64{0, 0.1, 0.25, 0.77, 1} {
		for _, v := range []float64{0, 0.3, 0.5, 1} {
			if got, want := markAt(v, g.ny).level(g.across(markAt(u, g.nx))), plane(u, v); math.Abs(got-want) > 1e-12 {
				t.Errorf("level at %v, %v: %v, want %v", u, v, got, want)
			}
		}
	}
	slope := grid{2, 2, []float64{-10, 10, -10, 10}}
	colours, err := scale()
	if err != nil {
		t.Fatal(err)
	}
	img := slope.banded(1, 2000, colours, nil)
	var crossings []float64
	for row := range 2000 {
		if img.At(0, row) == color.Color(paper.Ink) {
			crossings = append(crossings, math.Round(100*(10-20*float64(row)/2000))/100)
		}
	}
	if want := []float64{6, 0, -6}; !slices.Equal(crossings, want) {
		t.Errorf("contours at %v dB, want %v", crossings, want)
	}
}

// The plan's scale is the same both ways, whatever the area, and a slim or broad area
// is padded, not squeezed.
func TestPlansAreToScale(t *testing.T) {
	for _, w := range []window{{-30, 34, -20, 20}, {0, 100, -1, 1}, {-1, 1, -80, 80}, {5, 5.5, 2, 2.4}, {-2000, 3000, -900, 4000}} {
		shaped := w.shaped()
		if shaped.minX > w.minX || shaped.maxX < w.maxX || shaped.minY > w.minY || shaped.maxY < w.maxY {
			t.Errorf("%v was cut to %v", w, shaped)
		}
		p := plan(shaped)
		height := toScale(p, 300)
		data := p.DataCanvas(canvasOf(300, height)).Size()
		across := float64(data.X) / (shaped.maxY - shaped.minY)
		up := float64(data.Y) / (shaped.maxX - shaped.minX)
		if math.Abs(across/up-1) > 1e-3 || height > 300*2.6 || height < 80 {
			t.Errorf("%v: %v points a metre across, %v up, %v tall", w, across, up, height)
		}
	}
}

// A single source far away plays the same all around: its pattern is the outer ring.
func TestPolarOfOneSource(t *testing.T) {
	d, err := Polar("", lone(), []float64{50})
	img := seen(t, d, err)
	c := vg.Point{X: paper.Width / 2, Y: paper.Margin + paper.InnerWidth/2}
	radius := paper.InnerWidth/2 - 22
	blue := paper.Line(0).Color.(color.NRGBA)
	for deg := 4; deg < 360; deg += 15 {
		if deg == 319 || deg == 304 { // beside the label 0 dB
			continue
		}
		sin, cos := math.Sincos(float64(deg) * math.Pi / 180)
		at := vg.Point{X: c.X - radius*vg.Length(sin), Y: c.Y + radius*vg.Length(cos)}
		if got := dot(img, at); differ(got, blue) > 60 {
			t.Errorf("at %d°: %v, want %v", deg, got, blue)
		}
	}
}

// Two sources a quarter wavelength apart, the rear one reversed and late by as much,
// are a cardioid: (1 + cos a)/2 of small spacing, sin(kd(1+cos a)/2) exactly; nothing
// behind, and as the closed form says in every other direction.
func TestPatternOfAGradientPair(t *testing.T) {
	r := lone()
	const d, hz = 0.8, 60.0
	r.Site.Outputs = append(r.Site.Outputs, engine.Output{Number: 2})
	r.Site.Sources = append(r.Site.Sources, engine.Source{Name: "two", Row: engine.RowRear, Output: 2, At: engine.Point{X: -d}})
	// The speed of sound that the engine uses, from the delay that it needs itself.
	one, err := field.FarField(r.Site, engine.Sheet{Settings: []engine.Setting{{Output: 1, Polarity: 1, Muted: true}, {Output: 2, Polarity: 1}}}, []float64{0}, []float64{hz})
	if err != nil {
		t.Fatal(err)
	}
	delay := math.Atan2(-imag(one[0][0]), real(one[0][0])) / (2 * math.Pi * hz)
	r.Sheet.Settings = append(r.Sheet.Settings, engine.Setting{Output: 2, Polarity: -1, DelaySec: math.Abs(delay)})
	levels, err := patterns(r.Site, r.Sheet, []float64{hz})
	if err != nil {
		t.Fatal(err)
	}
	kd := 2 * math.Pi * hz * math.Abs(delay)
	n := len(levels[0])
	for i, got := range levels[0] {
		a := -math.Pi + 2*math.Pi*float64(i)/float64(n-1)
		want := math.Max(-120, 20*math.Log10(math.Abs(math.Sin(kd*(1+math.Cos(a))/2)/math.Sin(kd))))
		if got > -80 && math.Abs(got-want) > 1e-6 {
			t.Fatalf("at %.1f°: %v dB, want %v", a*180/math.Pi, got, want)
		}
	}
	// Drawn, the line is as far out as its level says, at the left and at the right.
	drawing, err := Polar("", r, []float64{hz})
	img := seen(t, drawing, err)
	centre := vg.Point{X: paper.Width / 2, Y: paper.Margin + paper.InnerWidth/2}
	for _, deg := range []int{-135, -100, -80, 80, 100, 135} {
		sin, cos := math.Sincos(float64(deg) * math.Pi / 180)
		db := 20 * math.Log10(math.Sin(kd*(1+cos)/2)/math.Sin(kd))
		out := (paper.InnerWidth/2 - 22) * vg.Length(1+db/30)
		at := vg.Point{X: centre.X - out*vg.Length(sin), Y: centre.Y + out*vg.Length(cos)}
		if got := dot(img, at); differ(got, paper.Line(0).Color.(color.NRGBA)) > 60 {
			t.Errorf("at %d° and %.1f dB: %v", deg, db, got)
		}
	}
	if n != 721 || levels[0][0] > -80 || levels[0][n-1] > -80 {
		t.Errorf("%d directions, %v and %v dB behind", n, levels[0][0], levels[0][n-1])
	}
}

// Curves are where they should be: a flat front at the top line, a rear of -20 dB on
// its line, the range in grey, the null in it.
func TestResponsesAtKnownLevels(t *testing.T) {
	r := lone()
	r.Site.Target = engine.Target{NullHz: 40, Range: engine.Band{LowHz: 30, HighHz: 60}}
	for f := 20.0; f <= 80; f += 2 {
		for _, c := range []struct {
			to *engine.Curve
			p  complex128
		}{{&r.Prediction.Front, 2i}, {&r.Prediction.Rear, -0.2}} {
			c.to.FreqHz, c.to.P = append(c.to.FreqHz, f), append(c.to.P, c.p)
		}
	}
	r.Own = design.Treated{NullHz: 51, NullDepthDB: -35, AtTargetDB: -20}
	d, err := Responses("", r)
	svg := lines(t, "flat", d, err)
	says(t, svg, "Null (ring) at 51 Hz: rear 35.0 dB below front", "−40", "target 40 Hz", "range 30 to 60 Hz")
	if strings.Contains(svg, "opening") {
		t.Error("there is a panel for openings that are not there")
	}
	img := seen(t, d, err)
	for _, c := range []struct {
		what  string
		style color.Color
	}{{"front", paper.Line(0).Color}, {"rear", paper.Line(1).Color}, {"range", paper.Shade}, {"target", paper.Ink}} {
		found := 0
		for x := 0; x < img.Bounds().Dx(); x += 2 {
			for y := range img.Bounds().Dy() {
				if differ(color.NRGBAModel.Convert(img.At(x, y)).(color.NRGBA), c.style.(color.NRGBA)) < 4 {
					found++
				}
			}
		}
		if found < 500 {
			t.Errorf("%s: %d dots", c.what, found)
		}
	}
}

// The null is put into a curve between its lines, where it is known better.
func TestNullBetweenLines(t *testing.T) {
	freq, front, rear := []float64{40, 44, 48}, []float64{0, -2, -4}, []float64{-10, -20, -10}
	x, y := withNull(design.Treated{NullHz: 45, NullDepthDB: -30}, freq, front, rear)
	if !slices.Equal(x, []float64{40, 44, 45, 48}) || !slices.Equal(y, []float64{-10, -20, -32.5, -10}) {
		t.Errorf("got %v %v", x, y)
	}
	if !slices.Equal(freq, []float64{40, 44, 48}) || !slices.Equal(rear, []float64{-10, -20, -10}) {
		t.Error("the curve that was given has changed")
	}
	for _, hz := range []float64{0, 40, 44, 50} {
		if x, y := withNull(design.Treated{NullHz: hz, NullDepthDB: -30}, freq, front, rear); !slices.Equal(x, freq) || !slices.Equal(y, rear) {
			t.Errorf("at %v Hz: got %v %v", hz, x, y)
		}
	}
}
