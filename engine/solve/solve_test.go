package solve

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/testdata/published"
)

// grouped puts all of a site into one group.
func grouped(site engine.Site, treatment engine.Treatment) engine.Site {
	site.Groups = []engine.Group{{Name: "all", Treatment: treatment}}
	site.Outputs = append([]engine.Output(nil), site.Outputs...)
	for i := range site.Outputs {
		site.Outputs[i].Group = "all"
	}
	return site
}

func settled(t *testing.T, site engine.Site, r engine.Ranges) engine.Sheet {
	t.Helper()
	if found := site.Problems(); found != nil {
		t.Fatalf("the test's own site: %v", found)
	}
	sheet, err := Solve(site, r)
	if err != nil {
		t.Fatal(err)
	}
	return sheet
}

// One group treated for the null, and a site without groups, are what Null is.
func TestOneGroupIsNull(t *testing.T) {
	const seed = 8
	for i, site := range yards(seed, 20) {
		want := solved(t, site, usual)
		for name, same := range map[string]engine.Site{"no groups": site, "one group": grouped(site, engine.TreatNull)} {
			if got := settled(t, same, usual); got.Digest() != want.Digest() {
				t.Errorf("seed %d, site %d, %s: got %v, want %v", seed, i, name, got, want)
			}
		}
	}
}

// A pair on the axis, whatever the target is: end-fire, the front one waits
// d/c; gradient, the rear one is reversed and waits d/c; plain, nothing waits.
// Behind, the front one is (R+d)/R further away and so much louder.
func TestPairsInClosedForm(t *testing.T) {
	c, _ := air.SoundSpeed(base().Air)
	const far = 150
	for _, d := range []float64{0.6, 1.9, 2.5} {
		for _, hz := range []float64{38, 47, 61} {
			site := couple(d, far)
			site.Target.NullHz = hz
			farther := 20 * math.Log10((far+d)/far)

			sheet := settled(t, grouped(site, engine.TreatEndFire), exact)
			rear, front := setting(t, sheet, 1), setting(t, sheet, 2)
			near(t, "end-fire: front waits, s", front.DelaySec, d/c, 2e-10)
			near(t, "end-fire: rear waits, s", rear.DelaySec, 0, 0)
			near(t, "end-fire: rear below front, dB", front.GainDB-rear.GainDB, farther, 2e-7)

			sheet = settled(t, grouped(site, engine.TreatGradient), exact)
			turned, ahead := setting(t, sheet, 1), setting(t, sheet, 2)
			near(t, "gradient: rear waits, s", turned.DelaySec, d/c, 2e-10)
			near(t, "gradient: front waits, s", ahead.DelaySec, 0, 0)
			near(t, "gradient: rear below front, dB", ahead.GainDB-turned.GainDB, farther, 2e-7)

			sheet = settled(t, grouped(site, engine.TreatPlain), exact)
			for _, set := range sheet.Settings {
				if set.DelaySec != 0 || set.Polarity != 1 || math.Abs(set.GainDB) > 1e-9 {
					t.Errorf("plain: got %+v", set)
				}
			}
			if rear.Polarity != 1 || front.Polarity != 1 || turned.Polarity != -1 || ahead.Polarity != 1 {
				t.Errorf("polarities %+v %+v %+v %+v", rear, front, turned, ahead)
			}
		}
	}
}

// Far away the pairs draw the patterns of ../../testdata/published: computed
// closed forms, source in the file.
func TestPairsDrawThePublishedPatterns(t *testing.T) {
	const away, publishedC = 1e5, 343.2
	c, _ := air.SoundSpeed(base().Air)
	sheets := map[string]engine.Sheet{}
	compared := 0
	for _, row := range published.Table(t, "pair_far_field.csv") {
		if row["pair"] != "cardioid" && row["pair"] != "endfire" {
			t.Fatalf("unknown pair %q", row["pair"])
		}
		d, hz, want := row.Number(t, "d_m"), row.Number(t, "f_hz"), row.Number(t, "level_db_re_one_source")
		angle := row.Number(t, "angle_deg") * math.Pi / 180
		site := couple(d, away)
		key := row["pair"] + row["d_m"]
		if _, ok := sheets[key]; !ok {
			treatment := engine.TreatEndFire
			if row["pair"] == "cardioid" {
				treatment = engine.TreatGradient
			}
			sheet, err := Solve(grouped(site, treatment), exact)
			if err != nil {
				t.Fatal(err)
			}
			sheets[key] = sheet
		}
		if want < -60 {
			continue // beyond the table's own tolerance
		}
		site.Microphones[0].At = engine.Point{X: d/2 + away*math.Cos(angle), Y: away * math.Sin(angle)}
		sum, _ := heard(site, sheets[key], 0, hz*c/publishedC)     // the same wavelength
		near(t, fmt.Sprint(row), engine.DB(sum*away), want, 0.002) // 0.001 dB, and as much for the distance not being endless
		compared++
	}
	if compared < 100 {
		t.Errorf("only %d values compared", compared)
	}
}

// trade is the array that the trade's rules of thumb are about: three fronts
// 1.91 m apart on an arc, one rear 1.9 m behind the middle one.
func trade() engine.Site {
	site := base()
	for i, at := range []engine.Point{{}, {X: 1.3, Y: 1.81}, {X: 1.9}, {X: 1.3, Y: -1.81}} {
		row := engine.RowFront
		if i == 0 {
			row = engine.RowRear
		}
		site.Outputs = append(site.Outputs, engine.Output{Number: i + 1, AsPlaced: true})
		site.Sources = append(site.Sources, engine.Source{Name: fmt.Sprint("s", i), Row: row, At: at, Output: i + 1})
	}
	return site
}

// Common practice, no published source: three fronts against one rear go 8 dB
// down for the deepest null; and with the gradient treatment what is left
// behind is more than 20 dB below the front, from 30 to 60 Hz.
func TestCommonPractice(t *testing.T) {
	for _, treatment := range []engine.Treatment{engine.TreatNull, engine.TreatEndFire, engine.TreatGradient} {
		site := grouped(trade(), treatment)
		sheet := settled(t, site, usual)
		near(t, string(treatment)+": fronts below rear, dB", setting(t, sheet, 3).GainDB-setting(t, sheet, 1).GainDB, -8, 1.5)
		for hz := 30.0; hz <= 60; hz++ {
			if depth := depthAt(site, sheet, hz); treatment == engine.TreatGradient && depth > -20 {
				t.Errorf("gradient: %.1f dB behind at %g Hz", depth, hz)
			}
		}
	}
}

// An arc that is as placed is not straightened, and one made by delay keeps
// its bend; aligned outputs all arrive together instead.
func TestAsPlacedKeepsItsShape(t *testing.T) {
	for _, treatment := range []engine.Treatment{engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain} {
		site := grouped(trade(), treatment)
		sheet := settled(t, site, exact)
		near(t, "left as late as the centre, s", setting(t, sheet, 2).DelaySec, setting(t, sheet, 3).DelaySec, 2e-10)
		near(t, "right as late as the centre, s", setting(t, sheet, 4).DelaySec, setting(t, sheet, 3).DelaySec, 2e-10)
		site.Outputs[1].BendSec, site.Outputs[3].BendSec = 0.0031, 0.0017
		sheet = settled(t, site, exact)
		near(t, "left after the centre, s", setting(t, sheet, 2).DelaySec-setting(t, sheet, 3).DelaySec, 0.0031, 2e-10)
		near(t, "right after the centre, s", setting(t, sheet, 4).DelaySec-setting(t, sheet, 3).DelaySec, 0.0017, 2e-10)
		for i := range site.Outputs {
			site.Outputs[i].AsPlaced, site.Outputs[i].BendSec = false, 0
		}
		aligned(t, string(treatment), site, settled(t, site, exact), exact)
	}
}

// meets is when a row arrives at a microphone, each source by its amplitude,
// and how loud it is there at one frequency.
func meets(site engine.Site, sheet engine.Sheet, row engine.Row, mic int, hz float64) (sec, level float64) {
	c, _ := air.SoundSpeed(site.Air)
	var weight, x, y float64
	for _, src := range site.Sources {
		if src.Row != row {
			continue
		}
		set, _ := sheet.Setting(src.Output)
		r := src.At.Distance(site.Microphones[mic].At)
		amplitude, at := math.Pow(10, (src.LevelDB+set.GainDB)/20)/r, set.DelaySec+r/c
		weight += amplitude
		sec += amplitude * at
		x += amplitude * math.Cos(2*math.Pi*hz*at)
		y += amplitude * math.Sin(2*math.Pi*hz*at)
	}
	return sec / weight, engine.DB(math.Hypot(x, y))
}

// On sites made at random, as placed or aligned: the rows meet where the
// treatment says, are equally loud behind, and the sheet keeps to the ranges.
func TestRowsMeetWhereTheTreatmentSays(t *testing.T) {
	const seed = 61
	for i, site := range yards(seed, 24) {
		for k := range site.Outputs {
			site.Outputs[k].AsPlaced = i%2 == 0
			if i%4 == 0 {
				site.Outputs[k].BendSec = 0.0007 * float64(k%3)
			}
		}
		for mic, treatment := range []engine.Treatment{engine.TreatEndFire, engine.TreatGradient} {
			name := fmt.Sprintf("seed %d, site %d, %s", seed, i, treatment)
			all := grouped(site, treatment)
			sheet := settled(t, all, exact)
			ahead, _ := meets(all, sheet, engine.RowFront, mic, all.Target.NullHz)
			behind, _ := meets(all, sheet, engine.RowRear, mic, all.Target.NullHz)
			near(t, name+": rows meet, s", ahead, behind, 1e-9)
			_, loud := meets(all, sheet, engine.RowFront, 1, all.Target.NullHz)
			_, same := meets(all, sheet, engine.RowRear, 1, all.Target.NullHz)
			near(t, name+": levels behind, dB", loud, same, 1e-5)
			for _, set := range sheet.Settings {
				reversed := treatment == engine.TreatGradient && all.Fed(set.Output)[0].Row == engine.RowRear
				if (set.Polarity < 0) != reversed {
					t.Errorf("%s: got %+v", name, set)
				}
			}
			for _, r := range []engine.Ranges{usual, other} {
				kept(t, name, all, settled(t, all, r), r)
			}
		}
	}
}

// What cancels behind by arriving there together cancels at all frequencies;
// what is only timed in front does not.
func TestGradientIsBroadband(t *testing.T) {
	site := couple(1.1, 60)
	gradient := settled(t, grouped(site, engine.TreatGradient), exact)
	endFire := settled(t, grouped(site, engine.TreatEndFire), exact)
	worst := math.Inf(-1)
	for hz := 20.0; hz <= 120; hz++ {
		sum, total := heard(site, gradient, 1, hz)
		if left := engine.DB(sum / total); left > -100 {
			t.Errorf("gradient: %.1f dB left behind at %g Hz", left, hz)
		}
		sum, total = heard(site, endFire, 1, hz)
		worst = math.Max(worst, engine.DB(sum/total))
	}
	if worst < -1 {
		t.Errorf("end-fire leaves only %.1f dB at worst: the test is blind", worst)
	}
}

// Plain plays every output as loud as it may, by itself.
func TestPlainIsLoudest(t *testing.T) {
	site := arc()
	for i, most := range []float64{-3.04, 40, -1.7, -20} {
		site.Outputs[i].MaxGainDB = most
	}
	sheet := settled(t, grouped(site, engine.TreatPlain), usual)
	for i, want := range []float64{-3.1, 6, -1.7, -20} {
		near(t, "gain, dB", setting(t, sheet, i+1).GainDB, want, 1e-9)
	}
	kept(t, "plain", site, settled(t, grouped(site, engine.TreatPlain), other), other)
}

// What must not matter does not, whatever the treatment.
func TestTreatmentsOfMirroredAndDoubledSites(t *testing.T) {
	const seed = 13
	for i, site := range yards(seed, 8) {
		for _, treatment := range []engine.Treatment{engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain} {
			want := settled(t, grouped(site, treatment), exact)
			same := func(what string, changed engine.Site, stretch float64) {
				t.Helper()
				for k, set := range settled(t, grouped(changed, treatment), exact).Settings {
					ref := want.Settings[k]
					if math.Abs(set.DelaySec-stretch*ref.DelaySec) > 1e-8 || math.Abs(set.GainDB-ref.GainDB) > 1e-5 || set.Polarity != ref.Polarity {
						t.Errorf("seed %d, site %d, %s, %s: got %+v, was %+v", seed, i, treatment, what, set, ref)
					}
				}
			}
			same("mirrored", moved(site, func(p engine.Point) engine.Point { p.Y = -p.Y; return p }), 1)
			same("twice as big", doubled(site), 2)
		}
	}
	// A site that is its own mirror image has left and right alike on any grid.
	for _, treatment := range []engine.Treatment{engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain} {
		for _, r := range []engine.Ranges{usual, other} {
			sheet := settled(t, grouped(arc(), treatment), r)
			if left, right := setting(t, sheet, 2), setting(t, sheet, 4); left.DelaySec != right.DelaySec || left.GainDB != right.GainDB {
				t.Errorf("%s: got %+v left and %+v right", treatment, left, right)
			}
		}
	}
}

// pairs is a left and a right pair, each its own group, the right one standing
// 0.7 m further back, and a single fill ahead; outputs are numbered across.
func pairs() engine.Site {
	site := base()
	add := func(number int, group string, row engine.Row, x, y float64) {
		site.Outputs = append(site.Outputs, engine.Output{Number: number, Group: group, AsPlaced: true})
		site.Sources = append(site.Sources, engine.Source{Name: fmt.Sprint("s", number), Row: row, Output: number, At: engine.Point{X: x, Y: y}})
	}
	add(1, "left", engine.RowRear, 0, 6)
	add(2, "right", engine.RowRear, -0.7, -6)
	add(3, "left", engine.RowFront, 1.8, 6)
	add(4, "right", engine.RowFront, 1.1, -6)
	add(5, "fill", engine.RowFront, 4, 0)
	site.Groups = []engine.Group{{Name: "left", Treatment: engine.TreatEndFire}, {Name: "right", Treatment: engine.TreatGradient}, {Name: "fill", Treatment: engine.TreatPlain}}
	return site
}

// Groups are solved as if alone; front rows as placed start together.
func TestGroupsSideBySide(t *testing.T) {
	site := pairs()
	sheet := settled(t, site, exact)
	kept(t, "pairs", site, sheet, exact)
	near(t, "right starts with left, s", setting(t, sheet, 4).DelaySec, setting(t, sheet, 3).DelaySec, 2e-10)
	near(t, "fill starts with left, s", setting(t, sheet, 5).DelaySec, setting(t, sheet, 3).DelaySec, 2e-10)
	for _, group := range []string{"left", "right"} {
		alone := site
		alone.Groups, alone.Outputs, alone.Sources = nil, nil, nil
		for _, g := range site.Groups {
			if g.Name == group {
				alone.Groups = []engine.Group{g}
			}
		}
		for _, out := range site.Outputs {
			if out.Group == group {
				alone.Outputs = append(alone.Outputs, out)
				alone.Sources = append(alone.Sources, site.Fed(out.Number)...)
			}
		}
		want := settled(t, alone, exact)
		first := setting(t, sheet, alone.Outputs[0].Number).DelaySec - want.Settings[0].DelaySec
		for _, ref := range want.Settings {
			got := setting(t, sheet, ref.Output)
			near(t, group+" delay, s", got.DelaySec-first, ref.DelaySec, 4e-10)
			near(t, group+" gain, dB", got.GainDB, ref.GainDB, 1e-9)
			if got.Polarity != ref.Polarity {
				t.Errorf("%s: got %+v, alone %+v", group, got, ref)
			}
		}
	}
}

// An aligned group arrives in front when those as placed do in the mean, and
// a group of rear sources alone counts as what it is: what starts there.
func TestAlignedBesideAsPlaced(t *testing.T) {
	site := pairs()
	site.Outputs[4].AsPlaced = false
	sheet := settled(t, site, exact)
	c, _ := air.SoundSpeed(site.Air)
	arrives := func(number int) (sec, weight float64) {
		src := site.Fed(number)[0]
		r := src.At.Distance(site.Microphones[0].At)
		return setting(t, sheet, number).DelaySec + r/c, 1 / r
	}
	left, l := arrives(3)
	right, r := arrives(4)
	fill, _ := arrives(5)
	near(t, "fill arrives with the mean of left and right, s", fill, (left*l+right*r)/(l+r), 4e-10)
	near(t, "right starts with left, s", setting(t, sheet, 4).DelaySec, setting(t, sheet, 3).DelaySec, 2e-10)

	site = pairs()
	site.Sources[4].Row = engine.RowRear
	sheet = settled(t, site, exact)
	near(t, "a plain rear starts with left, s", setting(t, sheet, 5).DelaySec, setting(t, sheet, 3).DelaySec, 2e-10)

	site.Groups = []engine.Group{{Name: "fill", Treatment: engine.TreatPlain}, {Name: "left", Treatment: engine.TreatPlain}}
	site.Outputs = []engine.Output{{Number: 3, Group: "left"}, site.Outputs[4]}
	site.Sources = []engine.Source{site.Sources[2], site.Sources[4]}
	sheet = settled(t, site, exact)
	left, _ = arrives(3)
	fill, _ = arrives(5)
	near(t, "an aligned one arrives with a plain rear, s", left, fill, 4e-10)
}

// Between two groups treated for the null each has its own, on any grid.
func TestEachGroupHasItsNull(t *testing.T) {
	site := pairs()
	site.Groups[0].Treatment, site.Groups[1].Treatment = engine.TreatNull, engine.TreatNull
	sheet := settled(t, site, usual)
	kept(t, "pairs", site, sheet, usual)
	for _, group := range []string{"left", "right"} {
		own := site
		own.Sources = nil
		for _, out := range site.Outputs {
			if out.Group == group {
				own.Sources = append(own.Sources, site.Fed(out.Number)...)
			}
		}
		if depth := depthAt(own, sheet, 47); depth > -40 {
			t.Errorf("%s: the null is %.1f dB deep", group, depth)
		}
	}
}

// Deepening one group's null moves no other group's outputs, though they may
// have the same delays as some that do move.
func TestDeepeningLeavesOtherGroupsAlone(t *testing.T) {
	site := grouped(trade(), engine.TreatNull)
	site.Groups = append(site.Groups, engine.Group{Name: "fill", Treatment: engine.TreatPlain})
	site.Outputs = append(site.Outputs, engine.Output{Number: 5, Group: "fill", AsPlaced: true})
	site.Sources = append(site.Sources, engine.Source{Name: "fill", Row: engine.RowFront, At: engine.Point{X: 5}, Output: 5})
	for _, side := range []int{1, 3, 4} {
		site.Outputs[side].BendSec = 0.002
	}
	moved := 0
	for i := range 40 {
		site.Sources[0].At.X = -0.03 * float64(i)
		sheet := settled(t, site, other)
		near(t, "gain of the fill, dB", setting(t, sheet, 5).GainDB, 0, 1e-9)
		if setting(t, sheet, 2).GainDB != setting(t, sheet, 3).GainDB {
			moved++
		}
	}
	if moved == 0 {
		t.Error("no output was moved by itself, so the test shows nothing")
	}
}

func TestWhatAGroupCannotDoIsSaid(t *testing.T) {
	for _, test := range []struct {
		want  string
		spoil func(*engine.Site, *engine.Ranges)
	}{
		{`solving group by group: the processor's delay and gain ranges`, func(_ *engine.Site, r *engine.Ranges) { *r = engine.Ranges{} }},
		{`solving group by group: group "left", end-fire: an output may play at -70 dB at most`, func(s *engine.Site, _ *engine.Ranges) { s.Outputs[0].MaxGainDB = -70 }},
		{`solving group by group: group "fill", plain: an output may play at -70 dB at most`, func(s *engine.Site, _ *engine.Ranges) { s.Outputs[4].MaxGainDB = -70 }},
		{`group "right", gradient: matching the rows behind needs a gain of -31.0 dB, the processor goes down to -20 dB`, func(s *engine.Site, r *engine.Ranges) { r.GainDB.Min, s.Sources[1].LevelDB = -20, 30 }},
		{`group "right", salt: unknown treatment "salt"`, func(s *engine.Site, _ *engine.Ranges) { s.Groups[1].Treatment = "salt" }},
		{`group "left", end-fire: one of the rows cancels itself`, func(s *engine.Site, _ *engine.Ranges) { s.Sources[0].Row = engine.RowFront }},
		{`group "left", end-fire: the site has no rear microphone`, func(s *engine.Site, _ *engine.Ranges) { s.Microphones = s.Microphones[:1] }},
		{`group "left", end-fire: the site has no front microphone`, func(s *engine.Site, _ *engine.Ranges) { s.Microphones = s.Microphones[1:] }},
		{`group "left", end-fire: output 1 feeds no source`, func(s *engine.Site, _ *engine.Ranges) { s.Sources = s.Sources[1:] }},
		{`the outputs need delays`, func(s *engine.Site, r *engine.Ranges) { r.DelaySec.Max = 0.002 }},
	} {
		site, r := pairs(), usual
		test.spoil(&site, &r)
		if sheet, err := Solve(site, r); err == nil || !strings.Contains(err.Error(), test.want) || sheet.Settings != nil {
			t.Errorf("got %v, %v, want %q", sheet, err, test.want)
		}
	}
}
