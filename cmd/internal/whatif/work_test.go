package whatif

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/png"
	"math"
	"math/cmplx"
	"slices"
	"strconv"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/design"
	"hushback/engine/field"
	"hushback/engine/layout"
	"hushback/engine/picture/paper"
	"hushback/testdata/published"
)

func worked(t testing.TB, site engine.Site) Variant {
	t.Helper()
	v, err := Work(site, usual, asIs)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// fact is the value of one fact, as a number.
func fact(t testing.TB, v Variant, label string) float64 {
	t.Helper()
	for _, f := range v.Facts() {
		if strings.HasPrefix(f.Label, label) {
			return parsed(t, f.Value)
		}
	}
	t.Fatalf("no fact %q among %v", label, v.Facts())
	return 0
}

// parsed is the number that a text begins with.
func parsed(t testing.TB, text string) float64 {
	t.Helper()
	text = strings.TrimPrefix(strings.Replace(text, "−", "-", 1), "under ")
	end := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("-.0123456789", r) })
	if end < 0 {
		end = len(text)
	}
	v, err := strconv.ParseFloat(text[:end], 64)
	if err != nil {
		t.Fatalf("%q is no number", text)
	}
	return v
}

// at343 is the temperature at which sound goes 343.2 m/s in the green's air, as the
// published patterns have it.
func at343(t testing.TB) float64 {
	low, high := 0.0, 40.0
	for range 60 {
		a := green().Air
		a.TemperatureC = (low + high) / 2
		if c, _ := air.SoundSpeed(a); c < 343.2 {
			low = a.TemperatureC
		} else {
			high = a.TemperatureC
		}
	}
	return low
}

// A row of six, widened by a finger to 2 m and warmed to 343.2 m/s, plays as the
// published pattern of six in a row says.
func TestAWidenedRowPlaysAsPublished(t *testing.T) {
	site := built(t, layout.Block{Shape: layout.Line, Count: 6, SpacingM: 1.3}, green().Air)
	site.Target.Range.LowHz, site.Ground = 30, 0
	wish := Of(site)
	wish.SideM, wish.TemperatureC = 2, at343(t)
	site, err := wish.Apply(site)
	if err != nil {
		t.Fatal(err)
	}
	_, table, err := worked(t, site).Tell(Polar)
	if err != nil {
		t.Fatal(err)
	}
	tried := 0
	for _, line := range published.Table(t, "array_patterns.csv") {
		deg := int(line.Number(t, "angle_from_main_axis_deg"))
		want := line.Number(t, "level_db_re_coherent_max")
		if line["array"] != "broadside 6 x 2.0 m" || line["f_hz"] != "30" || deg%30 != 0 || deg > 180 || want < -40 {
			continue
		}
		tried++
		near(t, fmt.Sprintf("level at %d°", deg), parsed(t, table.Rows[deg/30][1]), want, 0.51)
	}
	if tried < 5 {
		t.Errorf("only %d directions tried", tried)
	}
}

// An end-fire set to a depth of c/4f nulls at f, far microphones and no ground; and
// the advised offset of a bent one brings its null back, by depth as well as by
// moving the row.
func TestWhatComesOutFollowsTheDepth(t *testing.T) {
	far := func(site engine.Site) engine.Site {
		site.Ground = 0
		site.Microphones[0].At, site.Microphones[1].At = engine.Point{X: 900, Z: 0.4}, engine.Point{X: -900, Z: 0.4}
		return site
	}
	pair := far(built(t, layout.Block{Shape: layout.Single, Depth: 2, DepthM: 1.9, Treatment: engine.TreatEndFire}, green().Air))
	for _, hz := range []float64{40, 45, 52, 60} {
		wish := Of(pair)
		wish.TargetHz, wish.DepthM = hz, speed(pair)/(4*hz)
		site, err := wish.Apply(pair)
		if err != nil {
			t.Fatal(err)
		}
		v := worked(t, site)
		near(t, "null", fact(t, v, "Quietest behind at"), hz, 0.15)
		near(t, "depth for it", fact(t, v, "Depth for a null"), wish.DepthM, 0.006)
	}
	bent := far(built(t, layout.Block{Shape: layout.Arc, Count: 3, SpacingM: 1.9, ArcRad: 60 * degree, Depth: 2, DepthM: 1.9, RowCount: 1, Treatment: engine.TreatEndFire}, green().Air))
	v := worked(t, bent)
	before := v.Report.Triangles[0].NullBeforeHz
	wish := Of(bent)
	wish.DepthM += fact(t, v, "Front row forward")
	site, err := wish.Apply(bent)
	if err != nil {
		t.Fatal(err)
	}
	if after := worked(t, site).Report.Triangles[0].NullBeforeHz; math.Abs(after-45) > 0.3 || math.Abs(before-45) < 1 {
		t.Errorf("the null was at %.2f Hz, and is at %.2f Hz with the advised offset", before, after)
	}
}

// What is said of every example agrees with what engine/design says of it in full,
// and with the prediction, in all pictures.
func TestWordsAndTablesOfEveryExample(t *testing.T) {
	for _, e := range examples(t) {
		v := worked(t, e.Site)
		if v.ByHand != (e.Site.Aim != nil) {
			t.Errorf("%s: by hand %v", e.Name, v.ByHand)
		}
		s := v.Report.Prediction.Summary
		near(t, e.Name+": null", fact(t, v, "Quietest"), s.NullHz, 0.051)
		near(t, e.Name+": depth of it", fact(t, v, "Rear against front there"), s.NullDepthDB, 0.051)
		near(t, e.Name+": at the target", fact(t, v, "Rear against front at the target"), s.AtTargetDB, 0.051)
		for i, hz := range v.some() {
			label := "Opening angle, target"
			if hz == e.Site.Target.Range.LowHz {
				label = "Opening angle, bottom"
			} else if hz == e.Site.Target.Range.HighHz {
				label = "Opening angle, top"
			}
			for _, o := range v.Report.Openings {
				if wide := o.AngleRad * 180 / math.Pi; o.FreqHz == hz && wide < 359.9 {
					near(t, e.Name+": "+label, fact(t, v, label), wide, 0.51)
				}
			}
			_, table, err := v.Tell(Polar)
			if err != nil || len(table.Rows) != 12 || table.Head[1+i] != hertz(hz) {
				t.Errorf("%s: %v %+v", e.Name, err, table)
			}
		}
		_, table, err := v.Tell(Map)
		if err != nil {
			t.Fatal(err)
		}
		heard := func(m engine.Microphone) float64 {
			p, err := field.Pressure(v.Report.Site, v.Report.Sheet, m.At, e.Site.Target.NullHz)
			if err != nil {
				t.Fatal(err)
			}
			return cmplx.Abs(p)
		}
		front, _ := e.Site.Microphone(engine.RoleFront)
		for i, m := range e.Site.Microphones {
			want := 20 * math.Log10(heard(m)/heard(front))
			if told := table.Rows[i][1]; want < -40 && told != "under −40" {
				t.Errorf("%s: %s is told as %s dB, not as under 40", e.Name, table.Rows[i][0], told)
			} else if want >= -40 {
				near(t, e.Name+": "+table.Rows[i][0], parsed(t, told), want, 0.051)
			}
		}
		for i := range e.Site.Zones {
			row := table.Rows[len(e.Site.Microphones)+i]
			if mean, most, least := parsed(t, row[1]), parsed(t, row[2]), parsed(t, row[3]); !(least <= mean && mean <= most) {
				t.Errorf("%s: %v", e.Name, row)
			}
		}
		words, table, err := v.Tell(Responses)
		if err != nil || !strings.Contains(words, hertz(s.NullHz)) || len(table.Rows) < 3 {
			t.Errorf("%s: %q, %d rows, %v", e.Name, words, len(table.Rows), err)
		}
		for _, row := range table.Rows {
			if behind := parsed(t, row[3]); behind > -39 && parsed(t, row[2]) > -39 {
				near(t, e.Name+": rear against front at "+row[0], parsed(t, row[2])-parsed(t, row[1]), behind, 0.11)
			}
		}
	}
}

// All pictures of all examples can be told, and those of some be drawn, coarse and
// sharp, in both themes, the same each time; the tables are rectangles.
func TestEveryPictureOfEveryExample(t *testing.T) {
	for k, e := range examples(t) {
		v := worked(t, e.Site)
		for _, p := range Pictures() {
			words, table, err := v.Tell(p)
			if err != nil || words == "" || table.Caption == "" || v.Title(p) == "" {
				t.Errorf("%s, %s: %q %+v %v", e.Name, p, words, table, err)
			}
			for _, row := range table.Rows {
				if len(row) != len(table.Head) {
					t.Errorf("%s, %s: %v under %v", e.Name, p, row, table.Head)
				}
			}
			if k%4 > 0 {
				continue // telling them is enough
			}
			s := paper.Screen{PerPoint: 1, Dark: k%8 == 0}
			if k == 0 {
				s.PerPoint = 2
			}
			var one, two bytes.Buffer
			if err := v.Draw(&one, p, s); err != nil {
				t.Fatalf("%s, %s: %v", e.Name, p, err)
			}
			if k == 4 {
				if err := v.Draw(&two, p, s); err != nil || !bytes.Equal(one.Bytes(), two.Bytes()) {
					t.Errorf("%s, %s: drawn twice it differs, %v", e.Name, p, err)
				}
			}
			img, err := png.Decode(&one)
			if err != nil {
				t.Fatal(err)
			}
			if wide := img.Bounds().Dx(); wide < 390*s.PerPoint || wide > 400*s.PerPoint {
				t.Errorf("%s, %s: %d dots wide", e.Name, p, wide)
			}
			if ground := bright(img); ground != !s.Dark {
				t.Errorf("%s, %s: dark %v, but the ground is bright: %v", e.Name, p, s.Dark, ground)
			}
		}
	}
	if err := (Variant{}).Draw(&bytes.Buffer{}, "cloud", paper.Screen{PerPoint: 1}); err == nil {
		t.Error("a picture that there is not was drawn")
	}
	if _, _, err := (Variant{}).Tell("cloud"); err == nil {
		t.Error("a picture that there is not was told")
	}
}

func bright(img image.Image) bool {
	r, _, _, _ := img.At(2, 2).RGBA()
	return r > 1<<15
}

// A site with an aim is worked out by hand while a finger moves, and searched when
// asked: the search reaches what the treatment does not, and takes its snap.
func TestAimsAreSearchedWhenAsked(t *testing.T) {
	var site engine.Site
	for _, e := range examples(t) {
		if e.Site.Aim != nil {
			site = e.Site
		}
	}
	byHand := worked(t, site)
	if !byHand.ByHand || byHand.Site.Aim == nil || byHand.Report.Site.Aim != nil {
		t.Errorf("by hand: %v, aims %v, %v", byHand.ByHand, byHand.Site.Aim, byHand.Report.Site.Aim)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel() // the best that is there at once
	snapped := 0
	found, err := Search(ctx, site, usual, func(_ engine.Site, s engine.Sheet) engine.Sheet {
		snapped++
		return s
	})
	if err != nil || found.ByHand || snapped != 1 || found.Report.Sheet.Digest() == byHand.Report.Sheet.Digest() {
		t.Errorf("searched: %v, by hand %v, snapped %d times, the same sheet", err, found.ByHand, snapped)
	}
	plain := site
	plain.Aim = nil
	if v, err := Search(ctx, plain, usual, asIs); err != nil || v.Report.Sheet.Digest() != worked(t, plain).Report.Sheet.Digest() {
		t.Errorf("without an aim it is not Work: %v", err)
	}
}

// A sheet is on the steps of the processor before anything is said of it.
func TestSheetsAreSnapped(t *testing.T) {
	late := func(_ engine.Site, s engine.Sheet) engine.Sheet {
		s.Settings = slices.Clone(s.Settings)
		s.Settings[0].DelaySec += 0.002
		return s
	}
	site := sixteen(t)
	v, err := Work(site, usual, late)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "delay", v.Report.Sheet.Settings[0].DelaySec, worked(t, site).Report.Sheet.Settings[0].DelaySec+0.002, 1e-12)
	if v.Report.Prediction.Summary == worked(t, site).Report.Prediction.Summary {
		t.Error("the numbers are those of another sheet")
	}
}

// What cannot be solved says so.
func TestNoSettings(t *testing.T) {
	site := sixteen(t)
	if _, err := Work(site, engine.Ranges{}, asIs); err == nil || !strings.HasPrefix(err.Error(), "this has no settings: ") {
		t.Errorf("got %v", err)
	}
}

// From a change to all that a phone shows of it while the finger moves, and when it
// rests. On two cores; each picture by itself, for a phone asks for each.
func BenchmarkFromChangeToPicture(b *testing.B) {
	var four engine.Site
	for _, e := range examples(b) {
		if e.Name == "larkpit, null arc" {
			four = e.Site
		}
	}
	for _, c := range []design.Named{{Name: "4", Site: four}, {Name: "16", Site: sixteen(b)}} {
		wish := Of(c.Site)
		wish.DepthM += 0.1
		b.Run(c.Name+"/numbers", func(b *testing.B) {
			for b.Loop() {
				changed(b, wish, c.Site)
			}
		})
		for _, p := range Pictures() {
			for _, s := range []paper.Screen{{PerPoint: 1}, {PerPoint: 2, Dark: true}} {
				b.Run(c.Name+"/"+string(p)+[]string{"", "/coarse", "/sharp"}[s.PerPoint], func(b *testing.B) {
					var written bytes.Buffer
					for b.Loop() {
						written.Reset()
						if err := changed(b, wish, c.Site).Draw(&written, p, s); err != nil {
							b.Fatal(err)
						}
					}
					b.ReportMetric(float64(written.Len())/1000, "kB")
				})
			}
		}
	}
}

func changed(b *testing.B, wish Wish, site engine.Site) Variant {
	site, err := wish.Apply(site)
	if err != nil {
		b.Fatal(err)
	}
	return worked(b, site)
}
