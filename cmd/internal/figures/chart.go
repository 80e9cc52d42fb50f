package figures

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"hushback/engine"
	"hushback/verify"
	"hushback/verify/transfer"
)

// The chart's paper, in units that the page scales as one.
const (
	chartWidth, chartHeight = 360.0, 262.0
	plotLeft, plotRight     = 36.0, 318.0
	plotTop, plotBottom     = 20.0, 228.0
	lowHz, highHz           = 20.0, 120.0
	leastDeep, mostDeep     = 30.0, 70.0 // dB that the level axis spans
)

// levels is a level in dB over frequency.
type levels struct{ hz, db []float64 }

func curveLevels(c engine.Curve) levels {
	l := levels{}
	for i := 0; i < min(len(c.FreqHz), len(c.P)); i++ {
		l.hz, l.db = append(l.hz, c.FreqHz[i]), append(l.db, decibels(cmplx.Abs(c.P[i])))
	}
	return l
}

func decibels(ratio float64) float64 { return 20 * math.Log10(ratio) }

// at is the level at f, linear in dB and Hz between points; NaN beyond the ends.
func (l levels) at(f float64) float64 {
	for i := range l.hz {
		switch {
		case l.hz[i] == f:
			return l.db[i]
		case i > 0 && l.hz[i-1] < f && f < l.hz[i]:
			t := (f - l.hz[i-1]) / (l.hz[i] - l.hz[i-1])
			return l.db[i-1] + t*(l.db[i]-l.db[i-1])
		}
	}
	return math.NaN()
}

// meanAbove is the mean over l's points in the band of l minus base, in dB.
func (l levels) meanAbove(base levels, band engine.Band) float64 {
	sum, n := 0.0, 0
	for i, f := range l.hz {
		if d := l.db[i] - base.at(f); band.Contains(f) && !math.IsNaN(d) && !math.IsInf(d, 0) {
			sum, n = sum+d, n+1
		}
	}
	return sum / float64(n)
}

// shifted is l with by dB added.
func (l levels) shifted(by float64) levels {
	out := levels{hz: l.hz, db: make([]float64, len(l.db))}
	for i, v := range l.db {
		out.db[i] = v + by
	}
	return out
}

// series is one line of the chart. low and high are the ends of its interval,
// for measured lines only, at the confidence of the verdict's intervals.
type series struct {
	role      engine.Role
	measured  bool
	line      levels
	low, high []float64
	by        float64 // dB that a measured line was moved
}

func (s series) class() string {
	if s.measured {
		return string(s.role) + " measured"
	}
	return string(s.role) + " predicted"
}

// measuredSeries is a capture as a line, by dB louder. The standard error of a
// magnitude is about that of one part of the complex number.
func measuredSeries(role engine.Role, f transfer.Function, by float64) series {
	// So many standard errors on either side hold that share of a normal distribution.
	share := math.Sqrt2 * math.Erfinv(verify.ConfidencePercent/100.)
	s := series{role: role, measured: true, line: captureLevels(f).shifted(by), by: by}
	for i := range s.line.hz {
		sigma := 0.0
		if i < len(f.Sigma) {
			sigma = f.Sigma[i]
		}
		m := cmplx.Abs(f.H[i])
		s.low = append(s.low, decibels(math.Max(0, m-share*sigma))+by)
		s.high = append(s.high, decibels(m+share*sigma)+by)
	}
	return s
}

func captureLevels(f transfer.Function) levels {
	return curveLevels(engine.Curve{FreqHz: f.FreqHz, P: f.H})
}

// lastHeard is the newest capture of a microphone with every output open.
func lastHeard(captures []verify.Capture, role engine.Role) (verify.Capture, bool) {
	var last verify.Capture
	found := false
	for _, c := range captures {
		if c.Role == role && c.Row == "" && c.Solo == verify.Everything && (!found || c.Taken.After(last.Taken)) {
			last, found = c, true
		}
	}
	return last, found
}

// allSeries is every line there is to draw, 0 dB being the mean of the
// predicted front in the range. What a microphone says is known up to one
// common factor, so all measured lines are moved by the one number of dB that
// lays the measured front's mean in the range onto the predicted front's.
func allSeries(predicted engine.Prediction, captures []verify.Capture, inRange engine.Band) []series {
	front, rear := curveLevels(predicted.Front), curveLevels(predicted.Rear)
	zero := levels{hz: front.hz, db: make([]float64, len(front.hz))}
	down := -front.meanAbove(zero, inRange)
	if math.IsNaN(down) {
		down = 0
	}
	front, rear = front.shifted(down), rear.shifted(down)
	all := []series{{role: engine.RoleFront, line: front}, {role: engine.RoleRear, line: rear}}
	heard, ok := lastHeard(captures, engine.RoleFront)
	if !ok {
		return all
	}
	by := -captureLevels(heard.Function).meanAbove(front, inRange)
	if math.IsNaN(by) {
		return all
	}
	all = append(all, measuredSeries(engine.RoleFront, heard.Function, by))
	if heard, ok = lastHeard(captures, engine.RoleRear); ok {
		all = append(all, measuredSeries(engine.RoleRear, heard.Function, by))
	}
	return all
}

// Curve is one line of levels over frequency, for whoever draws by other means. Low
// and High are the ends of its interval, of measured lines only.
type Curve struct {
	Role      engine.Role
	Measured  bool
	FreqHz    []float64
	DB        []float64
	Low, High []float64
}

// Curves is what NewChart draws, all of it, with intervals that hold so many percent
// of all measurements.
func Curves(predicted engine.Prediction, captures []verify.Capture, inRange engine.Band, percent float64) []Curve {
	var out []Curve
	for _, s := range allSeries(predicted, captures, inRange) {
		c := Curve{Role: s.role, Measured: s.measured, FreqHz: s.line.hz, DB: s.line.db}
		if heard, ok := lastHeard(captures, s.role); ok && s.measured {
			for i := range s.line.db {
				low, high := heard.Function.LevelInterval(i, percent)
				c.Low, c.High = append(c.Low, low+s.by), append(c.High, high+s.by)
			}
		}
		out = append(out, c)
	}
	return out
}

// Chart is the drawing of levels over frequency: predicted and measured, front
// and rear. Places are in units of a paper of Width by Height.
type Chart struct {
	Width, Height            float64
	Left, Right, Top, Bottom float64
	Alt                      string
	Across, Up               []Tick
	RangeX, RangeWidth       float64
	TargetX                  float64
	Target                   string
	Lines                    []Line
	Labels                   []Text
	Measured                 bool // whether anything measured is in it
	Percent                  int  // confidence of the bars
	Table                    []Row
}

// Tick is a mark of an axis and what stands beside it.
type Tick struct {
	At    float64
	Words string
}

// Line is one line; Dots and Bars are paths, empty unless it is measured.
type Line struct{ Class, Points, Dots, Bars string }

// Row is one line of the table that says what the chart shows.
type Row struct{ Hz, FrontPredicted, FrontMeasured, RearPredicted, RearMeasured string }

// paper places frequencies and levels on the chart.
type paper struct{ top, bottom float64 } // dB

func (p paper) x(hz float64) float64 {
	hz = math.Max(lowHz, math.Min(highHz, hz))
	return plotLeft + (plotRight-plotLeft)*math.Log(hz/lowHz)/math.Log(highHz/lowHz)
}

// y holds levels beyond the paper at its edge; NaN lies at the bottom.
func (p paper) y(db float64) float64 {
	if !(db > p.bottom) {
		return plotBottom
	}
	return plotTop + (plotBottom-plotTop)*(p.top-math.Min(db, p.top))/(p.top-p.bottom)
}

// paperFor spans whole tens of dB around every finite level shown, upper ends
// of intervals included; lower ends may reach down without bound.
func paperFor(all []series) paper {
	top, bottom := math.Inf(-1), math.Inf(1)
	for _, s := range all {
		for i, db := range s.line.db {
			if hz := s.line.hz[i]; hz >= lowHz && hz <= highHz && !math.IsNaN(db) && !math.IsInf(db, 0) {
				top, bottom = math.Max(top, db), math.Min(bottom, db)
				if s.measured && s.high[i] > top && !math.IsInf(s.high[i], 1) {
					top = s.high[i]
				}
			}
		}
	}
	if math.IsInf(top, 0) {
		return paper{top: 10, bottom: 10 - leastDeep}
	}
	const rounding = 1e-9 // a level of 0 dB may come out a hair above
	top, bottom = 10*math.Ceil(top/10-rounding), 10*math.Floor(bottom/10+rounding)
	return paper{top: top, bottom: math.Max(top-mostDeep, math.Min(bottom, top-leastDeep))}
}

// NewChart draws what was predicted and, as far as there are captures, what
// was measured. measured is the verdict's summary, nil until there is one.
func NewChart(predicted engine.Prediction, t engine.Target, captures []verify.Capture, measured *engine.Summary) Chart {
	all := allSeries(predicted, captures, t.Range)
	p := paperFor(all)
	c := Chart{
		Width: chartWidth, Height: chartHeight, Left: plotLeft, Right: plotRight, Top: plotTop, Bottom: plotBottom,
		RangeX: p.x(t.Range.LowHz), RangeWidth: p.x(t.Range.HighHz) - p.x(t.Range.LowHz),
		TargetX: p.x(t.NullHz), Target: Hz(t.NullHz), Percent: verify.ConfidencePercent,
	}
	for _, hz := range []float64{20, 30, 40, 50, 60, 80, 100, 120} {
		c.Across = append(c.Across, Tick{p.x(hz), Number(hz, 0)})
	}
	for db := p.top; db >= p.bottom; db -= 10 {
		c.Up = append(c.Up, Tick{p.y(db), Number(db, 0)})
	}
	for _, s := range all {
		c.Lines = append(c.Lines, drawLine(p, s))
		c.Measured = c.Measured || s.measured
	}
	c.Labels = roleLabels(p, all)
	c.Table = chartTable(all)
	c.Alt = chartAlt(predicted.Summary, t, measured)
	return c
}

// drawLine leaves out what lies beyond the frequency axis and what is unknown.
func drawLine(p paper, s series) Line {
	var points, dots, bars strings.Builder
	for i, hz := range s.line.hz {
		if hz < lowHz || hz > highHz || math.IsNaN(s.line.db[i]) {
			continue
		}
		x, y := p.x(hz), p.y(s.line.db[i])
		fmt.Fprintf(&points, "%.1f,%.1f ", x, y)
		if s.measured {
			fmt.Fprintf(&dots, "M%.1f %.1fh0", x, y)
			fmt.Fprintf(&bars, "M%.1f %.1fV%.1f", x, p.y(s.high[i]), p.y(s.low[i]))
		}
	}
	return Line{Class: s.class(), Points: points.String(), Dots: dots.String(), Bars: bars.String()}
}

// roleLabels writes "front" and "rear" where their lines end on the right,
// the measured line's end if there is one, and keeps the two apart.
func roleLabels(p paper, all []series) []Text {
	labels := []Text{{X: plotRight + 5, Words: string(engine.RoleFront)}, {X: plotRight + 5, Words: string(engine.RoleRear)}}
	for _, s := range all {
		for i := range labels {
			if n := len(s.line.db); n > 0 && labels[i].Words == string(s.role) {
				labels[i].Y = p.y(s.line.at(math.Min(highHz, s.line.hz[n-1]))) + 4
			}
		}
	}
	const apart = 16.0
	if gap := labels[1].Y - labels[0].Y; math.Abs(gap) < apart {
		push := math.Copysign((apart-math.Abs(gap))/2, gap)
		labels[0].Y, labels[1].Y = labels[0].Y-push, labels[1].Y+push
	}
	return labels
}

// chartTable says the lines in numbers: at every measured frequency, or every
// 5 Hz where nothing is measured yet.
func chartTable(all []series) []Row {
	var at []float64
	by := map[string]levels{}
	for _, s := range all {
		by[s.class()] = s.line
		if s.measured {
			at = s.line.hz
		}
	}
	if at == nil {
		for hz := lowHz; hz <= highHz; hz += 5 {
			at = append(at, hz)
		}
	}
	var rows []Row
	for _, hz := range at {
		say := func(class string) string {
			if db := by[class].at(hz); !math.IsNaN(db) {
				return Number(db, 1)
			}
			return "–"
		}
		rows = append(rows, Row{Number(hz, 1), say("front predicted"), say("front measured"), say("rear predicted"), say("rear measured")})
	}
	return rows
}

// chartAlt is the chart in words.
func chartAlt(s engine.Summary, t engine.Target, measured *engine.Summary) string {
	said := fmt.Sprintf("Level over frequency, %g to %g Hz, operating range %s to %s. Predicted: rear lies deepest below front at %s, %s.",
		lowHz, highHz, Hz(t.Range.LowHz), Hz(t.Range.HighHz), Hz(s.NullHz), DB(s.NullDepthDB))
	if measured == nil {
		return said + " Not judged yet."
	}
	return said + fmt.Sprintf(" Measured: at %s, %s; sum in front at most %s below coherent.",
		Hz(measured.NullHz), DB(measured.NullDepthDB), DB(measured.SumShortfallDB))
}
