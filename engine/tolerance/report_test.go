package tolerance

import (
	"fmt"
	"math"
	"math/cmplx"
	"reflect"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/field"
	"hushback/testdata/published"
)

// TestSpacing: sources in line cancel behind at f = c/2/(d + c·delay), so with
// the delay left as it is a spacing that is wrong by δ moves the null by
// -f·δ/(d + c·delay): -f·δ/d without a delay, half that for an end-fire pair.
func TestSpacing(t *testing.T) {
	for _, share := range []float64{0.25, 0.6, 1, 1.4} { // of the delay that makes it end-fire
		const d = 0.4 // so that the few lines of a fit are close together against the null's frequency
		site, _, c := inLine(d, 0)
		site, sheet, _ := inLine(d, share*d/c)
		report := perfect(t, site, sheet, 0)
		f := site.Target.NullHz
		near(t, "null", report.Predicted.NullHz, f, 1e-3*f)
		want := -f / (d + share*d)
		near(t, "front along", effect(t, report, SourceAlong, "front").NullHzPerUnit, want, 0.01*math.Abs(want))
		near(t, "rear along", effect(t, report, SourceAlong, "rear").NullHzPerUnit, -want, 0.01*math.Abs(want))
		// In line, going aside changes no distance to first order.
		near(t, "front aside", effect(t, report, SourceAside, "front").NullHzPerUnit, 0, 0.005*math.Abs(want))
		// Behind, both sources get further away alike.
		near(t, "behind along", effect(t, report, MicrophoneAlong, "behind").NullHzPerUnit, 0, 0.01*math.Abs(want))
		// A delay that is longer by δ is a way that is longer by c·δ.
		near(t, "delay", effect(t, report, DelayStep, "2").NullHzPerUnit, c*want, 0.01*c*math.Abs(want))
		near(t, "delay of the rear", effect(t, report, DelayStep, "1").NullHzPerUnit, -c*want, 0.01*c*math.Abs(want))
		near(t, "level", effect(t, report, SourceLevel, "rear").NullHzPerUnit, 0, 0.02)
	}
}

// TestWarmth: c goes with the root of the absolute temperature T, so a null of
// ways alone goes by df/f = dT/2T; a processor's delay does not get warmer, so
// with a delay only the ways' share of the time does.
func TestWarmth(t *testing.T) {
	const d, kelvin = 0.4, 293.15
	for _, share := range []float64{0.1, 0.5, 1} {
		site, _, c := inLine(d, 0)
		site, sheet, _ := inLine(d, share*d/c)
		site.Air.Humidity = 0 // water makes air a little less than ideal
		speed, err := field.Predict(site, sheet)
		if err != nil {
			t.Fatal(err)
		}
		site.Target.NullHz = speed.SoundSpeed / 2 / (d + speed.SoundSpeed*share*d/c)
		report := perfect(t, site, sheet, 0)
		want := site.Target.NullHz / 2 / kelvin / (1 + share)
		near(t, "temperature", effect(t, report, Temperature, "").NullHzPerUnit, want, 0.012*want)
	}
}

// TestBetweenLines: a null in the middle between two lines has either as its
// lowest, with the least of errors. Its slopes must be those of one just beside.
func TestBetweenLines(t *testing.T) {
	at := func(nullHz float64) (engine.Site, engine.Sheet) {
		_, _, c := inLine(1, 0)
		d := c / nullHz / 4
		site, sheet, _ := inLine(d, d/c)
		site.TestSignal.Band = engine.Band{LowHz: 30, HighHz: 70}
		site.Target.Range = engine.Band{LowHz: 35, HighHz: 65}
		return site, sheet
	}
	low, high := 44.2, 44.8
	for range 50 {
		mid := (low + high) / 2
		site, sheet := at(mid)
		p, err := field.Along(site, sheet, []engine.Point{site.Microphones[0].At, site.Microphones[1].At}, []float64{44, 45})
		if err != nil {
			t.Fatal(err)
		}
		if cmplx.Abs(p[0][1]/p[0][0]) < cmplx.Abs(p[1][1]/p[1][0]) {
			low = mid
		} else {
			high = mid
		}
	}
	t.Logf("two lines alike with the null at %.6f Hz", low)
	slopes := func(nullHz float64) []Effect {
		site, sheet := at(nullHz)
		return perfect(t, site, sheet, 0).Effects
	}
	tie, beside := slopes(low), slopes(low-0.2)
	for i, e := range tie {
		want := beside[i].NullHzPerUnit
		near(t, string(e.Kind)+" "+e.Of, e.NullHzPerUnit, want, 0.03*math.Abs(want)+0.02)
	}
}

// TestLevelError: two sources that differ by e dB leave 20·log10(10^(e/20) - 1)
// of one of them behind. In front they are as far away as each other and the
// front source, louder by the match and late by a quarter period, adds at right
// angles.
func TestLevelError(t *testing.T) {
	const d = 1.9
	site, _, c := inLine(d, 0)
	site, sheet, _ := inLine(d, d/c)
	behind := site.Microphones[1].At.Distance(site.Sources[0].At)
	ahead := site.Microphones[0].At.Distance(site.Sources[0].At)
	match := engine.Ratio(site.Sources[1].LevelDB)
	leaves := func(e float64) float64 {
		g := math.Pow(10, e/20)
		return engine.DB(math.Abs(g-1) / behind / (math.Hypot(g, match) / ahead))
	}
	for _, e := range []float64{0.3, 1, 2, 6} {
		site.Tolerance = engine.Tolerance{LevelDB: e}
		report := perfect(t, site, sheet, 0)
		got := effect(t, report, SourceLevel, "rear")
		near(t, "at tolerance", got.AtToleranceDB, math.Max(leaves(e), leaves(-e)), 0.1)
		near(t, "at 1 dB", got.AtRoundDB, math.Max(leaves(1), leaves(-1)), 0.1)
		// To first order 1 dB is ln(10)/20 of the amplitude.
		want := math.Ln10 / 20 / behind / (math.Hypot(1, match) / ahead)
		near(t, "per dB", cmplx.Abs(got.ResidualPerUnit), want, 1e-6*want)
	}
}

// TestPublishedCancellation puts the published errors of gain and phase into
// the model as errors of level and delay.
func TestPublishedCancellation(t *testing.T) {
	const d = 1.9
	site, _, c := inLine(d, 0)
	site, sheet, _ := inLine(d, d/c)
	one := 1 / site.Microphones[1].At.Distance(site.Sources[0].At) // the rear source behind
	m, err := newModel(site, sheet, 0)
	if err != nil {
		t.Fatal(err)
	}
	tried := 0
	for _, row := range published.Table(t, "sum_cancellation_depth.csv") {
		gainDB, phaseDeg, want := row.Number(t, "gain_error_db"), row.Number(t, "phase_error_deg"), row.Number(t, "residual_db_re_one")
		if math.IsInf(want, 0) {
			continue
		}
		errors := make([]float64, len(m.causes))
		for i, cause := range m.causes {
			switch {
			case cause.kind == SourceLevel && cause.of == "rear":
				errors[i] = gainDB
			case cause.kind == DelayStep && cause.of == "1":
				errors[i] = phaseDeg / 360 / site.Target.NullHz
			}
		}
		_, rear, _, err := m.heard(errors, []float64{site.Target.NullHz})
		if err != nil {
			t.Fatal(err)
		}
		got := engine.DB(cmplx.Abs(rear.P[0]) / one)
		near(t, fmt.Sprintf("%g dB, %g°", gainDB, phaseDeg), got, want, 1e-6)
		tried++
	}
	if tried < 10 {
		t.Errorf("only %d rows", tried)
	}
}

func TestNoTolerance(t *testing.T) {
	site := reflecting()
	site.Tolerance = engine.Tolerance{}
	r := worked(t, site, solved(t, site), engine.Ranges{})
	s := r.Predicted
	for _, v := range []struct {
		got  Interval
		want float64
	}{{r.NullHz, s.NullHz}, {r.NullDepthDB, s.NullDepthDB}, {r.AtTargetDB, s.AtTargetDB}, {r.SumShortfallDB, s.SumShortfallDB}} {
		if v.got != (Interval{v.want, v.want, v.want}) {
			t.Errorf("got %v, want %g three times", v.got, v.want)
		}
	}
	near(t, "offset", r.NullOffsetHz, math.Abs(s.NullHz-site.Target.NullHz), 0)
	if _, found := r.Worst(); found {
		t.Error("an error that is not there does harm")
	}
	want := fmt.Sprintf("no single error costs as much as 0.1 dB at 42 Hz, where %.1f dB rear over front are to be expected", s.AtTargetDB)
	if got := r.Advice(); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestWider: each tolerance by itself, doubled, never narrows an interval and
// never tightens a limit. The draws are the same, so little is left to chance.
func TestWider(t *testing.T) {
	sheet := solved(t, quay())
	// Small, so that each shows beside the others.
	site, r := quay(), ranges()
	site.Tolerance = engine.Tolerance{PositionM: 0.01, MicrophoneM: 0.03, LevelDB: 0.2, TemperatureC: 2}
	r.DelaySec.Step = 0.1e-3
	narrow := worked(t, site, sheet, r)
	for name, widen := range map[string]func(*engine.Tolerance, *float64){
		"position":    func(t *engine.Tolerance, _ *float64) { t.PositionM *= 2 },
		"microphone":  func(t *engine.Tolerance, _ *float64) { t.MicrophoneM *= 2 },
		"level":       func(t *engine.Tolerance, _ *float64) { t.LevelDB *= 2 },
		"temperature": func(t *engine.Tolerance, _ *float64) { t.TemperatureC *= 2 },
		"step":        func(_ *engine.Tolerance, step *float64) { *step *= 2 },
	} {
		site, r := site, r
		widen(&site.Tolerance, &r.DelaySec.Step)
		wide := worked(t, site, sheet, r)
		for what, v := range map[string][2]Interval{
			"null": {narrow.NullHz, wide.NullHz}, "shortfall": {narrow.SumShortfallDB, wide.SumShortfallDB},
		} {
			if was, is := v[0].High-v[0].Low, v[1].High-v[1].Low; is < was*0.99 {
				t.Errorf("%s: %s narrows from %g to %g", name, what, was, is)
			}
		}
		was, is := narrow.Limits(), wide.Limits()
		if is.NullDepthDB > was.NullDepthDB || is.NullOffsetHz < was.NullOffsetHz || is.SumShortfallDB < was.SumShortfallDB {
			t.Errorf("%s: limits tighten from %+v to %+v", name, was, is)
		}
		if reflect.DeepEqual(narrow.NullHz, wide.NullHz) {
			t.Errorf("%s: nothing changes", name)
		}
	}
}

// TestMirror: left and right change places. To first order exactly; the rigs
// of a trial are others, so intervals agree as far as 4,000 rigs know them.
func TestMirror(t *testing.T) {
	site := reflecting()
	sheet := solved(t, site)
	other := site
	other.Sources = append([]engine.Source(nil), site.Sources...)
	other.Microphones = append([]engine.Microphone(nil), site.Microphones...)
	for i := range other.Sources {
		other.Sources[i].At.Y *= -1
	}
	for i := range other.Microphones {
		other.Microphones[i].At.Y *= -1
	}
	other.Walls = []engine.Wall{site.Walls[0]}
	other.Walls[0].From.Y *= -1
	other.Walls[0].To.Y *= -1
	a, b := worked(t, site, sheet, ranges()), worked(t, other, sheet, ranges())
	near(t, "null", b.Predicted.NullHz, a.Predicted.NullHz, 1e-9)
	for i, e := range a.Effects {
		m := b.Effects[i]
		sign := 1.0
		if e.Kind == SourceAside || e.Kind == MicrophoneAside {
			sign = -1
		}
		near(t, "null per unit", sign*m.NullHzPerUnit, e.NullHzPerUnit, 1e-5*(1+math.Abs(e.NullHzPerUnit)))
		near(t, "residual per unit", cmplx.Abs(complex(sign, 0)*m.ResidualPerUnit-e.ResidualPerUnit), 0, 1e-6*(1+cmplx.Abs(e.ResidualPerUnit)))
		near(t, "at tolerance", m.AtToleranceDB, e.AtToleranceDB, 1e-6)
		near(t, "at round", m.AtRoundDB, e.AtRoundDB, 1e-6)
	}
	for what, v := range map[string][2]Interval{
		"null": {a.NullHz, b.NullHz}, "depth": {a.NullDepthDB, b.NullDepthDB}, "target": {a.AtTargetDB, b.AtTargetDB}, "shortfall": {a.SumShortfallDB, b.SumShortfallDB},
	} {
		width := v[0].High - v[0].Low
		near(t, what+": median", v[1].Median, v[0].Median, 0.06*width)
		near(t, what+": high", v[1].High, v[0].High, 0.06*width)
	}
}

// TestSameBits: however many goroutines there are.
func TestSameBits(t *testing.T) {
	site := quay()
	sheet := solved(t, site)
	want := worked(t, site, sheet, ranges())
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	for _, n := range []int{1, 3} {
		runtime.GOMAXPROCS(n)
		if got := worked(t, site, sheet, ranges()); !reflect.DeepEqual(got, want) {
			t.Errorf("%d goroutines: %+v instead of %+v", n, got, want)
		}
	}
	if len(site.Sources) != 6 || !reflect.DeepEqual(site, quay()) {
		t.Error("the site was changed")
	}
}

func TestRefused(t *testing.T) {
	for want, spoil := range map[string]func(*engine.Site, *engine.Sheet, *engine.Ranges){
		"tolerance: position of a source (m): got -0.01, want 0 or a number above it":     func(s *engine.Site, _ *engine.Sheet, _ *engine.Ranges) { s.Tolerance.PositionM = -0.01 },
		"tolerance: position of a microphone (m): got NaN, want 0 or a number above it":   func(s *engine.Site, _ *engine.Sheet, _ *engine.Ranges) { s.Tolerance.MicrophoneM = math.NaN() },
		"tolerance: level of a source (dB): got +Inf, want 0 or a number above it":        func(s *engine.Site, _ *engine.Sheet, _ *engine.Ranges) { s.Tolerance.LevelDB = math.Inf(1) },
		"tolerance: temperature (°C): got -1, want 0 or a number above it":                func(s *engine.Site, _ *engine.Sheet, _ *engine.Ranges) { s.Tolerance.TemperatureC = -1 },
		"tolerance: delay step of the processor (s): got -1, want 0 or a number above it": func(_ *engine.Site, _ *engine.Sheet, r *engine.Ranges) { r.DelaySec.Step = -1 },
		"no setting for output 6":                                func(_ *engine.Site, s *engine.Sheet, _ *engine.Ranges) { s.Settings = s.Settings[:5] },
		"the site has no rear microphone":                        func(s *engine.Site, _ *engine.Sheet, _ *engine.Ranges) { s.Microphones = s.Microphones[:1] },
		"the site has no front microphone":                       func(s *engine.Site, _ *engine.Sheet, _ *engine.Ranges) { s.Microphones = nil },
		"the test signal has no line near the range 32 to 60 Hz": func(s *engine.Site, _ *engine.Sheet, _ *engine.Ranges) { s.TestSignal = engine.TestSignal{} },
		"has no speed of sound":                                  func(s *engine.Site, _ *engine.Sheet, _ *engine.Ranges) { s.Air.TemperatureC = math.NaN() },
		"nothing arrives in front": func(_ *engine.Site, s *engine.Sheet, _ *engine.Ranges) {
			for i := range s.Settings {
				s.Settings[i].Muted = true
			}
		},
		"of 4000: ": func(s *engine.Site, _ *engine.Sheet, _ *engine.Ranges) { s.Tolerance.TemperatureC = 1000 },
	} {
		site := quay()
		sheet, r := solved(t, site), ranges()
		spoil(&site, &sheet, &r)
		got, err := Work(site, sheet, r, nil)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
		if !reflect.DeepEqual(got, Report{}) {
			t.Errorf("%q: a report beside the error", want)
		}
	}
}

// TestAdvice: an error that is large beside the others is the one named, with
// what 10 cm, 1 dB, 10 °C or a step of it cost.
func TestAdvice(t *testing.T) {
	const d = 1.9
	site, _, c := inLine(d, 0)
	site, sheet, _ := inLine(d, d/c)
	site.Target.NullHz -= 0.5 // so that the null has a depth at the target
	for _, v := range []struct {
		tolerance engine.Tolerance
		stepSec   float64
		want      string
	}{
		{engine.Tolerance{PositionM: 0.05}, 0, `measure again how far forward source "front" stands: 10 cm there costs `},
		{engine.Tolerance{PositionM: 0.25}, 0, `measure again how far forward source "front" stands: 25 cm there costs `},
		{engine.Tolerance{LevelDB: 0.9}, 0, `match the level of source "rear" again: 1 dB there costs `},
		{engine.Tolerance{MicrophoneM: 1}, 0, `measure again how far forward microphone "behind" stands: 100 cm there costs `},
		{engine.Tolerance{TemperatureC: 8}, 0, `take the temperature of the air again: 10 °C there costs `},
		{engine.Tolerance{}, 0.5e-3, `a finer delay on output 1 would help most: 0.5 ms there costs `},
	} {
		site.Tolerance = v.tolerance
		r := perfect(t, site, sheet, v.stepSec)
		r.AtTargetDB.Median = r.Predicted.AtTargetDB + 0.5
		got := r.Advice()
		t.Log(got)
		if !strings.HasPrefix(got, v.want) {
			t.Errorf("got %q, want %q ...", got, v.want)
		}
	}
}

// TestAdviceCounts: the numbers of the sentence are the report's own, counted
// from the median; what costs nothing beside the rest is not spoken of.
func TestAdviceCounts(t *testing.T) {
	r := Report{
		Predicted: engine.Summary{AtTargetDB: -60}, AtTargetDB: Interval{Median: -30}, TargetHz: 45,
		Effects: []Effect{
			{Kind: SourceLevel, Of: "left", Tolerance: 0.5, Round: 1, AtToleranceDB: -36, AtRoundDB: -31},
			{Kind: SourceAlong, Of: "rear", Tolerance: 0.05, Round: 0.1, AtToleranceDB: -27, AtRoundDB: -21},
		},
	}
	want := `measure again how far forward source "rear" stands: 10 cm there costs 9.0 dB (rear over front -21.0 dB at 45 Hz instead of the -30.0 dB to be expected)`
	if got := r.Advice(); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	r.Effects[1].Tolerance = 0.2
	want = `measure again how far forward source "rear" stands: 20 cm there costs 3.0 dB (rear over front -27.0 dB at 45 Hz instead of the -30.0 dB to be expected)`
	if got := r.Advice(); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	r.Effects = r.Effects[:1]
	if got := r.Advice(); !strings.HasPrefix(got, "no single error costs") {
		t.Error(got)
	}
}

func TestLimits(t *testing.T) {
	r := Report{AtTargetDB: Interval{High: -18.27}, SumShortfallDB: Interval{High: 2.01}, NullOffsetHz: 1.5}
	got := r.Limits()
	near(t, "depth", got.NullDepthDB, 18.2, 1e-9)
	near(t, "shortfall", got.SumShortfallDB, 2.1, 1e-9)
	near(t, "offset", got.NullOffsetHz, 1.5, 1e-9) // a whole tenth stays
	got = Report{AtTargetDB: Interval{High: 3.21}}.Limits()
	near(t, "no null", got.NullDepthDB, -3.3, 1e-9)
	near(t, "least shortfall", got.SumShortfallDB, 0.1, 1e-9)
	near(t, "least offset", got.NullOffsetHz, 0.1, 1e-9)
}

func BenchmarkRig(b *testing.B) {
	site := quay()
	site.TestSignal.PeriodSec = 0.5
	site.Sources, site.Outputs = site.Sources[1:5], site.Outputs[1:5]
	m, err := newModel(site, solved(b, site), 1e-5)
	if err != nil {
		b.Fatal(err)
	}
	errors := make([]float64, len(m.causes))
	for b.Loop() {
		if _, err := m.summary(errors); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSixteen(b *testing.B) {
	for name, site := range map[string]engine.Site{"free": quay(), "reflecting": reflecting()} {
		site.TestSignal.PeriodSec = 0.5
		for i := len(site.Sources); i < 16; i++ {
			src := site.Sources[i%6]
			src.At.Y += 9 * float64(i/6)
			src.Output, src.Name = i+1, strconv.Itoa(i)
			site.Sources = append(site.Sources, src)
			site.Outputs = append(site.Outputs, engine.Output{Number: i + 1})
		}
		sheet := solved(b, site)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				worked(b, site, sheet, ranges())
			}
		})
	}
}

// TestHeld: what a site says stays; what it leaves open is what Limits says.
func TestHeld(t *testing.T) {
	site := quay()
	sheet := solved(t, site)
	own := worked(t, site, sheet, ranges()).Limits()
	for _, v := range []struct{ has, want engine.Limits }{
		{engine.Limits{}, own},
		{engine.Limits{NullDepthDB: 7}, engine.Limits{NullDepthDB: 7, NullOffsetHz: own.NullOffsetHz, SumShortfallDB: own.SumShortfallDB}},
		{engine.Limits{NullOffsetHz: 8}, engine.Limits{NullDepthDB: own.NullDepthDB, NullOffsetHz: 8, SumShortfallDB: own.SumShortfallDB}},
		{engine.Limits{SumShortfallDB: 9}, engine.Limits{NullDepthDB: own.NullDepthDB, NullOffsetHz: own.NullOffsetHz, SumShortfallDB: 9}},
	} {
		site.Limits = v.has
		held, err := Held(site, sheet, ranges())
		if err != nil || held.Limits != v.want {
			t.Errorf("%+v: got %+v, %v, want %+v", v.has, held.Limits, err, v.want)
		}
		held.Limits = site.Limits
		if !reflect.DeepEqual(held, site) {
			t.Errorf("%+v: the rest of the site changed", v.has)
		}
	}
	// A site with limits of its own needs nothing worked out.
	site.Limits = engine.Limits{NullDepthDB: 7, NullOffsetHz: 8, SumShortfallDB: 9}
	site.Tolerance.PositionM = math.NaN()
	if held, err := Held(site, sheet, ranges()); err != nil || held.Limits != site.Limits {
		t.Errorf("got %+v, %v", held.Limits, err)
	}
	site.Limits.NullDepthDB = 0
	if _, err := Held(site, sheet, ranges()); err == nil {
		t.Error("limits were worked out of a tolerance that is no number")
	}
}

// TestNoNull: rigs as loud behind as in front have no null to be held to,
// unless somebody asks for one.
func TestNoNull(t *testing.T) {
	for _, high := range []float64{3.21, 0, -0.09} {
		r := Report{AtTargetDB: Interval{High: high}, TargetHz: 45, NullOffsetHz: 1, SumShortfallDB: Interval{High: 1}}
		_, err := r.Hold(engine.Site{})
		if err == nil || !strings.HasPrefix(err.Error(), "limits.null_depth: ") || !strings.Contains(err.Error(), "no null to be held to") {
			t.Errorf("%g dB: got %v", high, err)
		}
		if held, err := r.Hold(engine.Site{Limits: engine.Limits{NullDepthDB: 20}}); err != nil || held.Limits.NullDepthDB != 20 {
			t.Errorf("%g dB: got %+v, %v", high, held.Limits, err)
		}
	}
	if held, err := (Report{AtTargetDB: Interval{High: -0.11}}).Hold(engine.Site{}); err != nil || held.Limits.NullDepthDB != 0.1 {
		t.Errorf("got %+v, %v", held.Limits, err)
	}
}

// TestCostliest: the worst first, equals as they come, what does no harm not at
// all, and Effects stay in their order.
func TestCostliest(t *testing.T) {
	var r Report
	r.Predicted.AtTargetDB = -40
	for i, level := range []float64{-30, -39.96, -20, -30, -45, -25} {
		r.Effects = append(r.Effects, Effect{Of: strconv.Itoa(i), AtToleranceDB: level})
	}
	for most, want := range []string{"", "2", "25", "250", "2503", "2503", "2503"} {
		got := ""
		for _, e := range r.Costliest(most) {
			got += e.Of
		}
		if got != want {
			t.Errorf("at most %d: got %q, want %q", most, got, want)
		}
	}
	for i, e := range r.Effects {
		if e.Of != strconv.Itoa(i) {
			t.Fatalf("effect %d is now %q", i, e.Of)
		}
	}
}
