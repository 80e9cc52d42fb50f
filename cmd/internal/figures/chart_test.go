package figures

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"
	"time"

	"hushback/engine"
	"hushback/verify"
	"hushback/verify/transfer"
)

// readBack turns a drawn line into Hz and dB again, by the ticks that the
// reader of the chart would use, not by the code that drew it.
func readBack(t *testing.T, c Chart, points string) (hz, db []float64) {
	t.Helper()
	between := func(ticks []Tick, at float64, value func(string) float64) float64 {
		a, b := ticks[0], ticks[len(ticks)-1]
		va, vb := value(a.Words), value(b.Words)
		return va + (vb-va)*(at-a.At)/(b.At-a.At)
	}
	level := func(s string) (v float64) {
		if _, err := fmt.Sscan(strings.Replace(s, "−", "-", 1), &v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, p := range strings.Fields(points) {
		var x, y float64
		if _, err := fmt.Sscanf(p, "%f,%f", &x, &y); err != nil {
			t.Fatal(err)
		}
		hz = append(hz, math.Exp(between(c.Across, x, func(s string) float64 { return math.Log(level(s)) })))
		db = append(db, between(c.Up, y, level))
	}
	return hz, db
}

func lineOf(t *testing.T, c Chart, class string) Line {
	t.Helper()
	for _, l := range c.Lines {
		if l.Class == class {
			return l
		}
	}
	t.Fatalf("no line %q", class)
	return Line{}
}

var taken = time.Date(2026, 3, 14, 21, 4, 10, 0, time.UTC)

// view is what a chart is drawn of.
type view struct {
	predicted engine.Prediction
	target    engine.Target
	captures  []verify.Capture
	measured  *engine.Summary
}

func drawChart(v view) Chart { return NewChart(v.predicted, v.target, v.captures, v.measured) }

// straightView predicts a front of constant level and a rear that falls by
// 1 dB per Hz from 20 Hz on: what the chart must show is then plain to say.
func straightView() view {
	v := view{target: engine.Target{NullHz: 47, Range: engine.Band{LowHz: 32, HighHz: 68}}}
	for f := 20.0; f <= 120; f++ {
		v.predicted.Front.FreqHz = append(v.predicted.Front.FreqHz, f)
		v.predicted.Front.P = append(v.predicted.Front.P, cmplx.Rect(0.05, f))
		v.predicted.Rear.P = append(v.predicted.Rear.P, cmplx.Rect(0.05*math.Pow(10, -(f-20)/20), -f))
	}
	v.predicted.Rear.FreqHz = v.predicted.Front.FreqHz
	return v
}

func hear(role engine.Role, of engine.Curve, factor, sigma float64) verify.Capture {
	c := verify.Capture{Role: role, Taken: taken, Function: transfer.Function{FreqHz: of.FreqHz}}
	for _, p := range of.P {
		c.Function.H = append(c.Function.H, p*cmplx.Rect(factor, 1))
		c.Function.Sigma = append(c.Function.Sigma, sigma)
	}
	return c
}

func TestChartShowsLevels(t *testing.T) {
	c := drawChart(straightView())
	hz, db := readBack(t, c, lineOf(t, c, "front predicted").Points)
	if len(hz) != 101 {
		t.Fatalf("front has %d points, want 101", len(hz))
	}
	for i := range hz {
		// 0.05 units of paper: 0.02 % of a frequency here, 0.02 dB of a level.
		if want := 20 + float64(i); math.Abs(hz[i]/want-1) > 5e-4 || math.Abs(db[i]) > 0.03 {
			t.Errorf("front point %d reads %.2f Hz %.2f dB, want %g Hz 0 dB", i, hz[i], db[i], want)
		}
	}
	hz, db = readBack(t, c, lineOf(t, c, "rear predicted").Points)
	floor := c.Up[len(c.Up)-1].Words
	if floor != "−70" {
		t.Errorf("level axis ends at %s dB, want −70", floor)
	}
	for i := range hz {
		if want := math.Max(-70, -float64(i)); math.Abs(db[i]-want) > 0.03 {
			t.Errorf("rear at %.1f Hz reads %.2f dB, want %g", hz[i], db[i], want)
		}
	}
}

func TestMeasuredLinesAreMovedTogether(t *testing.T) {
	v := straightView()
	for _, factor := range []float64{1, 0.003, 41} {
		v.captures = []verify.Capture{
			hear(engine.RoleFront, v.predicted.Front, factor, 0),
			hear(engine.RoleRear, v.predicted.Rear, factor*2, 0), // 6.02 dB too loud against the front
		}
		c := drawChart(v)
		_, front := readBack(t, c, lineOf(t, c, "front measured").Points)
		_, rear := readBack(t, c, lineOf(t, c, "rear measured").Points)
		for i := range 60 {
			if math.Abs(front[i]) > 0.04 {
				t.Errorf("factor %g: measured front at point %d reads %.2f dB, want 0", factor, i, front[i])
			}
			if want := 20*math.Log10(2) - float64(i); math.Abs(rear[i]-want) > 0.04 {
				t.Errorf("factor %g: measured rear at point %d reads %.2f dB, want %.2f", factor, i, rear[i], want)
			}
		}
	}
}

func TestOnlyTheRangeSetsTheScale(t *testing.T) {
	v := straightView()
	heard := hear(engine.RoleFront, v.predicted.Front, 3, 0)
	for i, f := range heard.Function.FreqHz {
		if !v.target.Range.Contains(f) {
			heard.Function.H[i] *= 0.1 // 20 dB down outside the range
		}
	}
	v.captures = []verify.Capture{heard}
	c := drawChart(v)
	hz, db := readBack(t, c, lineOf(t, c, "front measured").Points)
	for i := range hz {
		want := -20.0
		if hz[i] > 31.5 && hz[i] < 68.5 {
			want = 0
		}
		if math.Abs(db[i]-want) > 0.04 {
			t.Errorf("%.1f Hz reads %.2f dB, want %g", hz[i], db[i], want)
		}
	}
}

func TestBarsAre99Percent(t *testing.T) {
	v := straightView()
	v.captures = []verify.Capture{hear(engine.RoleFront, v.predicted.Front, 1, 0.05*0.1)}
	var low, high series
	for _, s := range allSeries(v.predicted, v.captures, v.target.Range) {
		if s.measured {
			low, high = s, s
		}
	}
	// The normal table: 99 % lie within 2.5758 standard errors, here a tenth each.
	if got, want := low.low[40], 20*math.Log10(1-0.25758); math.Abs(got-want) > 1e-3 {
		t.Errorf("lower end %.4f dB, want %.4f", got, want)
	}
	if got, want := high.high[40], 20*math.Log10(1.25758); math.Abs(got-want) > 1e-3 {
		t.Errorf("upper end %.4f dB, want %.4f", got, want)
	}
	v.captures[0].Function.Sigma = make([]float64, 101)
	for i := range v.captures[0].Function.Sigma {
		v.captures[0].Function.Sigma[i] = 1 // drowned in noise
	}
	for _, s := range allSeries(v.predicted, v.captures, v.target.Range) {
		if s.measured && !math.IsInf(s.low[40], -1) {
			t.Errorf("a drowned value still has a lower end, %.1f dB", s.low[40])
		}
	}
	if bars := lineOf(t, drawChart(v), "front measured").Bars; strings.Count(bars, "M") != 101 || strings.Contains(bars, "Inf") {
		t.Error("a drowned line's bars are not drawn to the edge of the paper")
	}
}

func TestNewestCaptureWithEverythingOpenIsShown(t *testing.T) {
	at := func(role engine.Role, solo int, minute time.Duration) verify.Capture {
		return verify.Capture{Role: role, Solo: solo, Taken: taken.Add(minute * time.Minute)}
	}
	captures := []verify.Capture{
		at(engine.RoleFront, verify.Everything, 1), at(engine.RoleFront, verify.Everything, 3),
		at(engine.RoleFront, verify.Everything, 2), at(engine.RoleFront, 2, 9), at(engine.RoleRear, verify.Everything, 9),
	}
	c, ok := lastHeard(captures, engine.RoleFront)
	if !ok || !c.Taken.Equal(taken.Add(3*time.Minute)) {
		t.Errorf("got %v taken %v, want the one of minute 3", ok, c.Taken)
	}
	if _, ok := lastHeard(captures[3:4], engine.RoleFront); ok {
		t.Error("a solo is shown as if every output had been open")
	}
}

func TestRearAloneIsNotShown(t *testing.T) {
	v := straightView()
	v.captures = []verify.Capture{hear(engine.RoleRear, v.predicted.Rear, 1, 0)}
	if c := drawChart(v); c.Measured || len(c.Lines) != 2 {
		t.Error("a rear without a front has no scale, yet it is drawn")
	}
}

func TestTargetAndRangeAreMarked(t *testing.T) {
	c := drawChart(straightView())
	marks := fmt.Sprintf("%f,0 %f,0 %f,0", c.TargetX, c.RangeX, c.RangeX+c.RangeWidth)
	hz, _ := readBack(t, c, marks)
	for i, want := range []float64{47, 32, 68} {
		if math.Abs(hz[i]-want) > 0.01 {
			t.Errorf("mark %d stands at %.2f Hz, want %g", i, hz[i], want)
		}
	}
	if !strings.Contains(c.Target, "47") {
		t.Errorf("the target is called %q", c.Target)
	}
}

func TestRoleLabelsKeepApart(t *testing.T) {
	p := paper{top: 10, bottom: -50}
	line := func(role engine.Role, db float64) series {
		return series{role: role, line: levels{hz: []float64{20, 120}, db: []float64{db, db}}}
	}
	for _, rear := range []float64{-30, -1, 0, 0.5, 9} {
		labels := roleLabels(p, []series{line(engine.RoleFront, 0), line(engine.RoleRear, rear)})
		gap := labels[1].Y - labels[0].Y
		if math.Abs(gap) < 15.99 {
			t.Errorf("rear at %g dB: labels are %.1f apart", rear, gap)
		}
		if rear != 0 && (gap > 0) != (rear < 0) {
			t.Errorf("rear at %g dB: labels are the wrong way round", rear)
		}
	}
}

func TestLevelsBetweenPoints(t *testing.T) {
	l := levels{hz: []float64{20, 30, 50}, db: []float64{0, -10, 10}}
	for f, want := range map[float64]float64{20: 0, 25: -5, 30: -10, 40: 0, 50: 10} {
		if got := l.at(f); math.Abs(got-want) > 1e-12 {
			t.Errorf("at %g Hz: %g dB, want %g", f, got, want)
		}
	}
	for _, f := range []float64{19.9, 50.1, math.NaN()} {
		if got := l.at(f); !math.IsNaN(got) {
			t.Errorf("at %g Hz: %g dB, want unknown", f, got)
		}
	}
	if got := (levels{}).at(47); !math.IsNaN(got) {
		t.Errorf("nothing at 47 Hz: %g, want unknown", got)
	}
}

func TestPaperSpansWhatIsShown(t *testing.T) {
	cases := []struct{ high, low, top, bottom float64 }{
		{3, -38, 10, -40}, {0, -5, 0, -30}, {9.9, -200, 10, -60}, {-12, -20, -10, -40},
	}
	for _, c := range cases {
		p := paperFor([]series{{line: levels{hz: []float64{30, 40, 50, 500}, db: []float64{c.high, c.low, math.Inf(-1), 99}}}})
		if p.top != c.top || p.bottom != c.bottom {
			t.Errorf("levels %g to %g: paper %g to %g, want %g to %g", c.low, c.high, p.bottom, p.top, c.bottom, c.top)
		}
	}
	if p := paperFor(nil); p.top <= p.bottom {
		t.Errorf("no line: paper %g to %g", p.bottom, p.top)
	}
}

func TestChartInNumbersAndWords(t *testing.T) {
	v := straightView()
	c := drawChart(v)
	if len(c.Table) != 21 || c.Table[0].Hz != "20.0" || c.Table[20].Hz != "120.0" || c.Table[0].FrontMeasured != "–" {
		t.Errorf("unmeasured table is %d rows, first %+v, want every 5 Hz and nothing measured", len(c.Table), c.Table[0])
	}
	v.captures = []verify.Capture{hear(engine.RoleFront, v.predicted.Front, 2, 0), hear(engine.RoleRear, v.predicted.Rear, 2, 0)}
	c = drawChart(v)
	if want := (Row{"47.0", "0.0", "0.0", "−27.0", "−27.0"}); c.Table[27] != want {
		t.Errorf("row of 47 Hz is %+v, want %+v", c.Table[27], want)
	}
	v.predicted.Summary = engine.Summary{NullHz: 47.1, NullDepthDB: -40.6}
	if alt := drawChart(v).Alt; !strings.Contains(alt, "Not judged yet") {
		t.Errorf("a chart without a verdict says %q", alt)
	}
	v.measured = &engine.Summary{NullHz: 47.2, NullDepthDB: -37.4, SumShortfallDB: 0.8}
	alt := strings.ReplaceAll(drawChart(v).Alt, Space, " ")
	for _, want := range []string{"47.1 Hz, −40.6 dB", "Measured: at 47.2 Hz, −37.4 dB", "0.8 dB below coherent", "32.0 Hz to 68.0 Hz"} {
		if !strings.Contains(alt, want) {
			t.Errorf("the chart in words lacks %q: %s", want, alt)
		}
	}
}

// Files and microphones can hold anything; what cannot be drawn is left out,
// and nothing that is no number reaches the page.
func TestWhatCannotBeDrawnIsLeftOut(t *testing.T) {
	v := straightView()
	v.predicted.Front.P[5] = cmplx.NaN()
	v.predicted.Front.P[6] = 0
	v.predicted.Front.FreqHz = append([]float64{5}, v.predicted.Front.FreqHz...) // below the axis
	v.predicted.Front.P = append([]complex128{0.05}, v.predicted.Front.P...)
	v.predicted.Rear = engine.Curve{FreqHz: []float64{30, 40, 50}, P: []complex128{0.05}} // cut short
	v.captures = []verify.Capture{hear(engine.RoleFront, straightView().predicted.Front, 1, math.NaN())}
	v.captures[0].Function.Sigma[9] = math.Inf(1)
	c := drawChart(v)
	front, rear := lineOf(t, c, "front predicted").Points, lineOf(t, c, "rear predicted").Points
	if got := len(strings.Fields(front)); got != 100 {
		t.Errorf("front has %d points, want the 100 that have a level and a place", got)
	}
	if _, db := readBack(t, c, front); math.Abs(db[5]+30) > 0.05 {
		t.Errorf("silence is drawn at %.1f dB, want at the bottom, −30 dB", db[5])
	}
	if got := len(strings.Fields(rear)); got != 1 {
		t.Errorf("a curve of one value has %d points", got)
	}
	for _, drawn := range []string{front, rear, fmt.Sprint(c)} {
		if strings.Contains(drawn, "NaN") || strings.Contains(drawn, "Inf") {
			t.Errorf("no number: %s", drawn)
		}
	}
}

func TestDotsAndBarsStandOnTheLine(t *testing.T) {
	v := straightView()
	v.captures = []verify.Capture{hear(engine.RoleFront, v.predicted.Front, 2, 0.01)}
	c := drawChart(v)
	l := lineOf(t, c, "front measured")
	points, dots, bars := strings.Fields(l.Points), strings.Split(l.Dots, "M")[1:], strings.Split(l.Bars, "M")[1:]
	if len(points) != 101 || len(dots) != 101 || len(bars) != 101 {
		t.Fatalf("%d points, %d dots, %d bars, want 101 of each", len(points), len(dots), len(bars))
	}
	for i := range points {
		var px, py, dx, dy, bx, high, low float64
		scan := func(text, form string, into ...any) {
			if _, err := fmt.Sscanf(text, form, into...); err != nil {
				t.Fatalf("%q: %v", text, err)
			}
		}
		scan(points[i], "%f,%f", &px, &py)
		scan(dots[i], "%f %fh0", &dx, &dy)
		scan(bars[i], "%f %fV%f", &bx, &high, &low)
		if px != dx || py != dy || bx != px || !(high < py && py < low) {
			t.Errorf("point %d at %g, %g: dot at %g, %g, bar at %g from %g to %g", i, px, py, dx, dy, bx, high, low)
		}
	}
	if predicted := lineOf(t, c, "front predicted"); predicted.Dots != "" || predicted.Bars != "" {
		t.Error("a predicted line has dots or bars, as if it had been measured")
	}
}
