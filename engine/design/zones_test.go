package design

import (
	"math"
	"slices"
	"testing"

	"hushback/engine"
	"hushback/engine/design/places"
	"hushback/engine/field"
)

// heardByHand is level and the sum of everything in phase at its loudest at a
// point, source by source with sines and cosines: a second implementation. All
// on the ground in free space, an output each.
func heardByHand(site engine.Site, sheet engine.Sheet, at engine.Point, hz float64) (level, inPhase float64) {
	var re, im float64
	for _, src := range site.Sources {
		r := src.At.Distance(at)
		set, _ := sheet.Setting(src.Output)
		out, _ := site.Output(src.Output)
		inPhase += math.Pow(10, (src.LevelDB+out.MaxGainDB)/20) / r
		if set.Muted {
			continue
		}
		amplitude := math.Pow(10, (src.LevelDB+set.GainDB)/20) / r * float64(set.Polarity)
		angle := 2 * math.Pi * hz * (set.DelaySec + r/c)
		re, im = re+amplitude*math.Cos(angle), im-amplitude*math.Sin(angle)
	}
	return math.Hypot(re, im), inPhase
}

func energyMean(levels []float64) float64 {
	var sum float64
	for _, v := range levels {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(levels)))
}

func TestZonesAgainstASecondImplementation(t *testing.T) {
	worstHz := map[float64]bool{}
	for _, back := range []float64{0, 0.5} {
		worstHz[zonesAgree(t, back)] = true
	}
	if len(worstHz) != 2 {
		t.Errorf("loudest at %v Hz, want the bend to move that", worstHz)
	}
}

// zonesAgree returns the frequency at which the quiet zone is loudest.
func zonesAgree(t *testing.T, back float64) float64 {
	t.Helper()
	site := three(t, 1.9, back, 1.9)
	site.Sources[1].LevelDB, site.Outputs[2].MaxGainDB = -1.5, 2
	r := worked(t, site)
	axis := rangeAxis(site.Target.Range)
	points := field.Samples(site.Zones, places.Points)
	crowd := map[float64][]float64{}
	var part, everywhere []float64
	var places []float64
	for _, at := range points[0] {
		var here []float64
		for _, hz := range axis {
			level, inPhase := heardByHand(site, r.Sheet, at, hz)
			part = append(part, level/inPhase)
			crowd[hz] = append(crowd[hz], level)
			here = append(here, level)
		}
		everywhere = append(everywhere, here...)
		places = append(places, energyMean(here))
	}
	audience := r.Zones[0]
	near(t, "audience mean", audience.MeanDB, 20*math.Log10(energyMean(part)), 1e-6)
	near(t, "deepest dip", audience.WorstDB, 20*math.Log10(slices.Min(part)/energyMean(part)), 1e-6)
	level, inPhase := heardByHand(site, r.Sheet, audience.WorstAt, audience.WorstHz)
	near(t, "level where the dip is said to be", level/inPhase, slices.Min(part), 1e-9)
	slices.Sort(places)
	n := float64(len(places))
	p5, p95 := places[int(math.Ceil(0.05*n))-1], places[int(math.Ceil(0.95*n))-1]
	near(t, "spread", audience.SpreadDB, 20*math.Log10(p95/p5), 1e-6)

	var quiet []float64
	loudest := 0.0
	for _, at := range points[1] {
		for _, hz := range axis {
			level, _ := heardByHand(site, r.Sheet, at, hz)
			quiet = append(quiet, level)
			loudest = math.Max(loudest, level/energyMean(crowd[hz]))
		}
	}
	houses := r.Zones[1]
	near(t, "quiet mean", houses.MeanDB, 20*math.Log10(energyMean(quiet)/energyMean(everywhere)), 1e-6)
	near(t, "quiet worst", houses.WorstDB, 20*math.Log10(loudest), 1e-6)
	level, _ = heardByHand(site, r.Sheet, houses.WorstAt, houses.WorstHz)
	near(t, "level where the worst is said to be", level/energyMean(crowd[houses.WorstHz]), loudest, 1e-9)
	return houses.WorstHz
}

// twins is a left and a right, each two deep, 14 m apart.
func twins(t testing.TB) engine.Site {
	site := rig(t, []engine.Point{{Y: 7}, {Y: -7}}, []engine.Point{{X: 1.9, Y: 7}, {X: 1.9, Y: -7}})
	site.Zones[0].Corners = []engine.Point{{X: 10, Y: -20}, {X: 50, Y: -20}, {X: 50, Y: 20}, {X: 10, Y: 20}}
	return site
}

// Two points far apart cancel where their ways differ by half a wavelength:
// the places follow from the hyperbola.
func TestLeftAndRightCancelOnTheHyperbola(t *testing.T) {
	site := twins(t)
	r := worked(t, site)
	if len(r.Sides) != 3 {
		t.Fatalf("%d frequencies, want bottom, target and top", len(r.Sides))
	}
	alone := engine.Sheet{Settings: slices.Clone(r.Sheet.Settings)}
	alone.Settings[0].Muted, alone.Settings[1].Muted = true, true
	for i, hz := range []float64{30, 45, 60} {
		s := r.Sides[i]
		if s.FreqHz != hz || s.DipAt.X != 30 || s.AloneAt.X != 30 {
			t.Fatalf("%+v, want %g Hz on x = 30", s, hz)
		}
		left, right := engine.Point{X: 1.9, Y: 7}, engine.Point{X: 1.9, Y: -7}
		turns := math.Abs(left.Distance(s.AloneAt)-right.Distance(s.AloneAt)) * hz / c
		near(t, "turns between left and right where the fronts alone dip", turns-math.Floor(turns), 0.5, 0.05)
		for _, one := range []struct {
			sheet engine.Sheet
			db    float64
			at    engine.Point
		}{{r.Sheet, s.DipDB, s.DipAt}, {alone, s.AloneDB, s.AloneAt}} {
			level, inPhase := heardByHand(site, one.sheet, one.at, hz)
			axis, axisInPhase := heardByHand(site, one.sheet, engine.Point{X: 30}, hz)
			near(t, "dip", one.db, 20*math.Log10(level/inPhase/(axis/axisInPhase)), 1e-6)
			for y := -20.0; y <= 20; y += 0.4 {
				here, most := heardByHand(site, one.sheet, engine.Point{X: 30, Y: y}, hz)
				if db := 20 * math.Log10(here/most/(axis/axisInPhase)); db < one.db-1.5 {
					t.Errorf("%g Hz: at y %.1f it is %.1f dB, deeper than the %.1f said", hz, y, db, one.db)
				}
			}
		}
		if s.DipDB > -10 {
			t.Errorf("%g Hz: the dip is %v dB, want a left and a right to cancel deeply", hz, s.DipDB)
		}
	}
	if !has(r.Findings, "sides") {
		t.Error("nothing was said of left and right")
	}
}

func TestOneArrayHasNoSides(t *testing.T) {
	r := worked(t, three(t, 1.9, 0, 1.9))
	if len(r.Sides) != 0 || has(r.Findings, "sides") {
		t.Errorf("got %v from one array in the middle", r.Sides)
	}
}

func TestTheRangeIsWalkedInEvenSteps(t *testing.T) {
	for _, one := range []struct {
		low, high float64
		n         int
	}{{30, 60, 16}, {40, 41, 5}, {20, 200, 25}} {
		axis := rangeAxis(engine.Band{LowHz: one.low, HighHz: one.high})
		if len(axis) != one.n || axis[0] != one.low || axis[len(axis)-1] != one.high {
			t.Errorf("%g to %g Hz: %v, want %d steps", one.low, one.high, axis, one.n)
		}
	}
}
