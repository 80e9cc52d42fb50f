package whatif

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/array"
	"hushback/engine/design"
	"hushback/engine/layout"
)

// A wish that is what the site is changes nothing, bit for bit, also through a form.
func TestWhatIsStaysAsItIs(t *testing.T) {
	for _, e := range examples(t) {
		next, err := Of(e.Site).Apply(e.Site)
		if err != nil || !reflect.DeepEqual(next, e.Site) {
			t.Errorf("%s: changed, %v", e.Name, err)
		}
		fields := Of(e.Site).Fields(e.Site)
		read, err := Read(e.Site, func(name string) string { return fields[name] })
		if err != nil || read != Of(e.Site) {
			t.Errorf("%s: read %+v as %+v, %v", e.Name, fields, read, err)
		}
		if read, err := Read(e.Site, func(string) string { return "" }); err != nil || read != Of(e.Site) {
			t.Errorf("%s: an empty form is %+v, %v", e.Name, read, err)
		}
	}
}

// What is wished for is what the site then measures, and back again it stands where
// it stood: every example, every measure, seeded values within its ends.
func TestWishesComeTrueAndGoBack(t *testing.T) {
	const seed = 71
	rng := rand.New(rand.NewPCG(seed, seed))
	done, refused := 0, 0
	for _, e := range examples(t) {
		for _, c := range Controls(e.Site) {
			for range 6 {
				d, was := dialOf(c.Key), Of(e.Site)
				wish := was
				*d.field(&wish) = (c.Low + (c.High-c.Low)*rng.Float64()) / d.perUnit
				if c.Missing != "" {
					*d.field(&wish) += 0.5
				}
				next, err := wish.Apply(e.Site)
				if c.Missing != "" {
					if err == nil || !strings.Contains(err.Error(), c.Missing) {
						t.Errorf("%s: %s although %s: %v", e.Name, c.Key, c.Missing, err)
					}
					break
				}
				if err != nil {
					refused++
					continue
				}
				done++
				within := 1e-9
				if c.Key == "side" || c.Key == "arc" {
					within = 0.02 // of rows that lie on no circle
				}
				got := Of(next)
				near(t, e.Name+": "+c.Key, *d.field(&got), *d.field(&wish), within)
				back, err := Of(e.Site).Apply(next)
				if err != nil {
					t.Errorf("%s: %s back again: %v", e.Name, c.Key, err)
					continue
				}
				for i, src := range back.Sources {
					if d := src.At.Distance(e.Site.Sources[i].At); d > 0.05 {
						t.Errorf("seed %d, %s: %s there and back leaves %s %.3f m off", seed, e.Name, c.Key, src.Name, d)
					}
				}
			}
		}
	}
	if done < 100 || refused > done/3 {
		t.Errorf("seed %d: %d done, %d refused", seed, done, refused)
	}
}

// A site that is changed is the site that engine/layout works out from the changed
// block: the same places, the same delays.
func TestChangedAsIfItHadBeenLaidOutSo(t *testing.T) {
	warm := engine.Air{TemperatureC: 31, Humidity: 0.6, PressurePa: 101000}
	mild := engine.Air{TemperatureC: 18, Humidity: 0.6, PressurePa: 101000}
	turned := func(b layout.Block) layout.Block {
		b.At, b.FacingRad, b.Mirrored = engine.Point{X: 1, Y: 6}, 15*degree, true
		return b
	}
	for _, c := range []struct {
		name   string
		block  layout.Block
		change func(*layout.Block)
		wish   func(*Wish)
		air    engine.Air
	}{
		{"arc to arc", layout.Block{Shape: layout.Arc, Count: 5, SpacingM: 1.7, ArcRad: 40 * degree, Depth: 2, DepthM: 2, RowCount: 1},
			func(b *layout.Block) { b.ArcRad = 75 * degree }, func(w *Wish) { w.ArcRad = 75 * degree }, mild},
		{"line to arc", layout.Block{Shape: layout.Line, Count: 6, SpacingM: 1.7, Depth: 2, DepthM: 2},
			func(b *layout.Block) { b.Shape, b.ArcRad = layout.Arc, 50*degree }, func(w *Wish) { w.ArcRad = 50 * degree }, mild},
		{"wider", layout.Block{Shape: layout.Arc, Count: 4, SpacingM: 1.7, ArcRad: 40 * degree, Depth: 2, DepthM: 2},
			func(b *layout.Block) { b.SpacingM = 2.3 }, func(w *Wish) { w.SideM = 2.3 }, mild},
		{"deeper", layout.Block{Shape: layout.Arc, Count: 3, SpacingM: 1.7, ArcRad: 60 * degree, Depth: 2, DepthM: 1.9, RowCount: 1, ForwardM: 0.3},
			func(b *layout.Block) { b.DepthM = 2.5 }, func(w *Wish) { w.DepthM += 0.6 }, mild},
		{"all at once, left and right", turned(layout.Block{Shape: layout.Line, Count: 3, SpacingM: 1.5, Depth: 2, DepthM: 1.7}),
			func(b *layout.Block) { b.Shape, b.SpacingM, b.ArcRad, b.DepthM = layout.Arc, 1.3, 30*degree, 2.1 },
			func(w *Wish) { w.SideM, w.ArcRad, w.DepthM = 1.3, 30*degree, 2.1 }, mild},
		{"bent by delay", layout.Block{Shape: layout.DelayedArc, Count: 5, SpacingM: 1.6, ArcRad: 50 * degree, Depth: 2, DepthM: 1.7, RowCount: 1},
			func(b *layout.Block) { b.ArcRad, b.SpacingM = 80*degree, 1.9 }, func(w *Wish) { w.ArcRad, w.SideM = 80*degree, 1.9 }, mild},
		{"bent by delay, in the heat", layout.Block{Shape: layout.DelayedArc, Count: 5, SpacingM: 1.6, ArcRad: 50 * degree},
			func(*layout.Block) {}, func(w *Wish) { w.TemperatureC = 31 }, warm},
		{"three deep, in the heat", layout.Block{Shape: layout.Line, Count: 2, SpacingM: 1.9, Depth: 3, DepthM: 1.9, Treatment: engine.TreatEndFire},
			func(*layout.Block) {}, func(w *Wish) { w.TemperatureC = 31 }, warm},
	} {
		from := built(t, c.block, mild)
		changed := c.block
		c.change(&changed)
		want := built(t, changed, c.air)
		wish := Of(from)
		c.wish(&wish)
		got, err := wish.Apply(from)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		same(t, c.name, got, want)
	}
}

// Measures by closed forms: a row is its chords, an arc its circle, a depth its tape;
// c/4d of the depth is the null of the textbook.
func TestMeasuresOfKnownArrays(t *testing.T) {
	site := built(t, layout.Block{Shape: layout.Arc, Count: 7, SpacingM: 1.4, ArcRad: 90 * degree, Depth: 2, DepthM: 1.9, RowCount: 1}, green().Air)
	w := Of(site)
	near(t, "side", w.SideM, 1.4, 1e-12)
	near(t, "depth", w.DepthM, 1.9, 1e-12)
	near(t, "arc", w.ArcRad, 90*degree, 1e-12)
	// The outermost cabinets of an arc of 90° are a chord of √2·R apart, R = s/(2·sin 7.5°).
	first, last := site.Sources[0].At, site.Sources[6].At
	near(t, "chord of the whole", first.Distance(last), math.Sqrt2*1.4/(2*math.Sin(7.5*degree)), 1e-9)
	wish := w
	wish.DepthM = speed(site) / (4 * 50) // c/4d: the depth of an end-fire that nulls at 50 Hz
	next, err := wish.Apply(site)
	if err != nil {
		t.Fatal(err)
	}
	c, _ := air.SoundSpeed(site.Air)
	near(t, "c/4d", c/(4*array.Of(next)[0].Depths()[0]), 50, 1e-9)
	for i, src := range next.Sources[:7] {
		if src != site.Sources[i] {
			t.Errorf("depth moves %s of the front row", src.Name)
		}
	}
}

// Three deep: what is behind moves as one, and the front waits longer for it.
func TestSeveralRowsBehindMoveAsOne(t *testing.T) {
	site := built(t, layout.Block{Shape: layout.Line, Count: 2, SpacingM: 1.9, Depth: 3, DepthM: 1.9, Treatment: engine.TreatEndFire}, green().Air)
	wish := Of(site)
	near(t, "depth", wish.DepthM, 3.8, 1e-12)
	wish.DepthM += 0.5
	next, err := wish.Apply(site)
	if err != nil {
		t.Fatal(err)
	}
	for i, src := range next.Sources {
		moved := site.Sources[i].At.X - src.At.X
		want := 0.5
		if i < 2 {
			want = 0
		}
		near(t, src.Name, moved, want, 1e-12)
	}
	for i, o := range next.Outputs {
		want := 0.0
		if i < 2 {
			want = 0.5 / speed(site)
		}
		near(t, o.Label, o.BendSec-site.Outputs[i].BendSec, want, 1e-12)
	}
}

// Treatment, target and air are changed without moving anything.
func TestWhatMovesNothing(t *testing.T) {
	for _, e := range examples(t) {
		for _, treatment := range Treatments(e.Site) {
			wish := Of(e.Site)
			wish.Treatment, wish.TargetHz = treatment, e.Site.Target.Range.HighHz
			next, err := wish.Apply(e.Site)
			if err != nil {
				t.Errorf("%s: %v", e.Name, err)
				continue
			}
			for _, group := range array.Groups(next) {
				if next.Treatment(group) != treatment {
					t.Errorf("%s: group %q is treated as %s", e.Name, group, next.Treatment(group))
				}
			}
			if !slices.Equal(next.Sources, e.Site.Sources) || !slices.Equal(bare(next.Outputs), bare(e.Site.Outputs)) || next.Aim != nil || next.Target.NullHz != e.Site.Target.Range.HighHz {
				t.Errorf("%s, %s: something else changed", e.Name, treatment)
			}
		}
	}
}

// bare is outputs without their group, which a treatment may have to name.
func bare(outputs []engine.Output) []engine.Output {
	outputs = slices.Clone(outputs)
	for i := range outputs {
		outputs[i].Group = ""
	}
	return outputs
}

// What cannot be is refused in a sentence that says which and why, and nothing of the
// site is touched on the way.
func TestRefusals(t *testing.T) {
	site := built(t, layout.Block{Shape: layout.Line, Count: 5, SpacingM: 1.9, Depth: 2, DepthM: 1.9}, green().Air)
	before := built(t, layout.Block{Shape: layout.Line, Count: 5, SpacingM: 1.9, Depth: 2, DepthM: 1.9}, green().Air)
	nan := math.NaN()
	for _, c := range []struct {
		spoil func(*Wish)
		want  string
	}{
		{func(w *Wish) { w.SideM = 0.4 }, "side spacing of 0.40 m is not within 1.10 to "},
		{func(w *Wish) { w.SideM = nan }, "side spacing of NaN m is not within "},
		{func(w *Wish) { w.DepthM = 0.5 }, "depth of 0.50 m is not within 0.80 to "},
		{func(w *Wish) { w.DepthM = 12 }, "depth of 12.00 m is not within 0.80 to "},
		{func(w *Wish) { w.ArcRad = 4 }, "arc of 229° is not within 0 to 180°: "},
		{func(w *Wish) { w.TargetHz = 90 }, "target frequency of 90.0 Hz is not within 32.0 to 63.0 Hz: these are the ends of the operating range"},
		{func(w *Wish) { w.TemperatureC = 55 }, "temperature of 55.0 °C is not within -10.0 to 40.0 °C: "},
		{func(w *Wish) { w.Treatment = "salt" }, `the treatment "salt" cannot be had here`},
		{func(w *Wish) { w.ArcRad, w.SideM = math.Pi, 1.1 }, "this cannot be set up: got the cabinet of "},
	} {
		wish := Of(site)
		c.spoil(&wish)
		_, err := wish.Apply(site)
		if err == nil || !strings.HasPrefix(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("got %v, want %q", err, c.want)
		}
	}
	if !reflect.DeepEqual(site, before) {
		t.Error("a refused wish changed the site")
	}
	alone := built(t, layout.Block{Shape: layout.Single}, green().Air)
	flat := Of(alone)
	flat.Treatment = engine.TreatNull
	if _, err := flat.Apply(alone); err == nil || !strings.Contains(err.Error(), "choose among [plain]") {
		t.Errorf("a null with nothing behind: %v", err)
	}
	for key, want := range map[string]string{"side": "single source", "depth": "no row behind", "arc": "takes three"} {
		wish := Of(alone)
		*dialOf(key).field(&wish) += 0.5
		if _, err := wish.Apply(alone); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s of a single source: %v", key, err)
		}
	}
}

// A left and a right that would become one array are refused, and so is bending a
// row by delays that its outputs cannot have.
func TestPartsKeepApart(t *testing.T) {
	pair := built(t, layout.Block{Shape: layout.Line, Count: 3, SpacingM: 1.3, At: engine.Point{X: 1, Y: 5}, Mirrored: true, Depth: 2, DepthM: 1.7}, green().Air)
	if len(array.Of(pair)) != 2 {
		t.Fatalf("%d arrays", len(array.Of(pair)))
	}
	wish := Of(pair)
	wish.SideM = 3.6
	if _, err := wish.Apply(pair); err == nil || !strings.Contains(err.Error(), "too near each other") {
		t.Errorf("got %v", err)
	}
	shared := built(t, layout.Block{Shape: layout.DelayedArc, Count: 5, SpacingM: 1.6, ArcRad: 50 * degree}, green().Air)
	for i := range shared.Sources {
		shared.Sources[i].Output = []int{1, 2, 2, 3, 4}[i]
	}
	shared.Outputs = shared.Outputs[:4]
	shared.Outputs[2], shared.Outputs[3] = engine.Output{Number: 3, Label: "c", Group: "a", AsPlaced: true, BendSec: shared.Outputs[1].BendSec},
		engine.Output{Number: 4, Label: "d", Group: "a", AsPlaced: true, BendSec: shared.Outputs[0].BendSec}
	wish = Of(shared)
	wish.ArcRad += 0.2
	if _, err := wish.Apply(shared); err == nil || !strings.Contains(err.Error(), "output 2 feeds several") {
		t.Errorf("got %v", err)
	}
}

// Forms: commas are points, what is not a number is refused by name, ends are on the
// steps that a slider takes.
func TestForms(t *testing.T) {
	site := built(t, layout.Block{Shape: layout.Arc, Count: 5, SpacingM: 1.7, ArcRad: 40.3 * degree, Depth: 2, DepthM: 2, RowCount: 1}, green().Air)
	read := func(fields map[string]string) (Wish, error) {
		return Read(site, func(name string) string { return fields[name] })
	}
	w, err := read(map[string]string{"side": " 1,85 ", "arc": "40", "target": "50", "layout": "x", "treatment": "plain"})
	want := Of(site)
	want.SideM, want.TargetHz, want.Layout, want.Treatment = 1.85, 50, "x", engine.TreatPlain
	if err != nil || w != want {
		t.Errorf("got %+v, %v, want %+v", w, err, want)
	}
	for _, bad := range []string{"wide", "1.2.3", "NaN", "Inf", "1e999"} {
		if _, err := read(map[string]string{"depth": bad}); err == nil || !strings.HasPrefix(err.Error(), "depth: got ") {
			t.Errorf("%q: %v", bad, err)
		}
	}
	for _, e := range examples(t) {
		for _, c := range Controls(e.Site) {
			if c.Missing != "" {
				continue
			}
			onStep := func(v float64) bool { return math.Abs(v/c.Step-math.Round(v/c.Step)) < 1e-6 }
			if !onStep(c.Low) || !onStep(c.High) || c.Low > c.Value+c.Step/2 || c.High < c.Value-c.Step/2 || c.Ends == "" || c.Low >= c.High {
				t.Errorf("%s: %+v", e.Name, c)
			}
		}
	}
}

// Layouts with other outputs can be looked at only, and it says so.
func TestChoices(t *testing.T) {
	var named, other []string
	all := examples(t)
	i := slices.IndexFunc(all, func(e design.Named) bool { return strings.HasPrefix(e.Name, "larkpit") })
	choices := Choices(all[i].Site, all[i:i+4])
	for _, c := range choices {
		if c.Locked == "" {
			named = append(named, c.Name)
		} else {
			other = append(other, c.Name)
		}
	}
	if want := []string{"", "larkpit, null arc", "larkpit, end-fire arc"}; !slices.Equal(named, want) {
		t.Errorf("can be adopted: %q, want %q", named, want)
	}
	if want := []string{"larkpit, three deep", "larkpit, line"}; !slices.Equal(other, want) {
		t.Errorf("to look at only: %q, want %q", other, want)
	}
	if c, err := Find(choices, "larkpit, line"); err != nil || !strings.Contains(c.Locked, "takes 5 processor outputs, 4 are running") {
		t.Errorf("%+v, %v", c.Locked, err)
	}
	if _, err := Find(choices, "tower"); err == nil || !strings.Contains(err.Error(), "larkpit, three deep") {
		t.Errorf("got %v", err)
	}
	running := all[i].Site
	for what, spoil := range map[string]func(*engine.Site){
		"other processor outputs": func(s *engine.Site) { s.Outputs[1].Channel = 9 },
		"in front and behind":     func(s *engine.Site) { s.Sources[0].Row = engine.RowRear },
		"other places":            func(s *engine.Site) { s.Microphones[0].At.X++ },
		"measured at":             func(s *engine.Site) { s.Series = engine.SeriesBoth },
	} {
		site := running
		site.Outputs, site.Sources, site.Microphones = slices.Clone(site.Outputs), slices.Clone(site.Sources), slices.Clone(site.Microphones)
		spoil(&site)
		if why := locked(running, site); !strings.Contains(why, what) {
			t.Errorf("%s: %q", what, why)
		}
	}
}
