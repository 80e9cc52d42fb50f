package tryout

import (
	"bytes"
	"image/png"
	"math"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/whatif"
	"hushback/control"
	"hushback/engine"
)

// stood is a tryout of the invented job and a second layout with other outputs.
func stood(t *testing.T) (*Tryout, Asker) {
	t.Helper()
	d := desktest.New(desktest.View(control.Idle{}))
	view := d.View()
	bench := d.Bench()
	wide := view.Site
	wide.Outputs = append(slices.Clone(wide.Outputs), engine.Output{Number: 5, Label: "spare"})
	wide.Sources = append(slices.Clone(wide.Sources), engine.Source{Name: "spare", Row: engine.RowFront, At: engine.Point{X: 0.4, Y: 3.2, Z: 0.3}, Output: 5})
	near := view.Site
	near.Target.NullHz = 52
	bench.Layouts = []whatif.Named{{Name: "nearer", Site: near}, {Name: "wide", Site: wide}}
	return New(bench), Asker{Phone: "phone 1", View: view}
}

func tried(t *testing.T, t2 *Tryout, who Asker, query string) Trial {
	t.Helper()
	q, err := url.ParseQuery(query)
	if err != nil {
		t.Fatal(err)
	}
	trial, err := t2.Trial(t.Context(), who, q)
	if err != nil {
		t.Fatal(err)
	}
	return trial
}

// wished is what the form has for a control.
func wished(trial Trial, key string) string {
	for _, c := range trial.Controls {
		if c.Key == key {
			return c.Wished
		}
	}
	return "no such control"
}

func value(trial Trial, label string, side int) string {
	for _, f := range trial.Outcome.Facts {
		if f.Label == label {
			return f.Values[side]
		}
	}
	return "no such fact"
}

// Without a wish the page shows what is; with one, what it would be; and what is
// shown can be asked for again by what it says of itself.
func TestATrial(t *testing.T) {
	tryout, who := stood(t)
	now := tried(t, tryout, who, "")
	if now.Outcome.Refused != "" || len(now.Outcome.Sides) != 1 || now.Outcome.Sides[0].Says != "as it is" || value(now, "Target", 0) != "47\u00a0Hz" {
		t.Fatalf("%+v", now.Outcome)
	}
	if now.Layouts[0].Label != "as it runs now" || !now.Layouts[0].Chosen || !strings.Contains(now.Layouts[2].Label, "to look at only") {
		t.Errorf("layouts: %+v", now.Layouts)
	}
	deep := tried(t, tryout, who, "depth=2.6&target=50&treatment=end-fire")
	if says := deep.Outcome.Sides[0].Says; says != "end-fire, target frequency 50.0 Hz, depth 2.60 m" || wished(deep, "depth") != "2.60" {
		t.Errorf("%q, depth %s", says, wished(deep, "depth"))
	}
	again := tried(t, tryout, who, deep.Outcome.Query)
	if !reflect.DeepEqual(again, deep) {
		t.Errorf("asked by its own words it is\n%+v, not\n%+v", again, deep)
	}
	if len(deep.Outcome.Others) != 2 || len(deep.Outcome.Map.Shown) != 1 {
		t.Fatalf("%+v", deep.Outcome)
	}
	for _, p := range append(deep.Outcome.Map.Shown, deep.Outcome.Others[0].Shown...) {
		if p.Alt == "" || len(p.Table.Rows) == 0 || !strings.HasPrefix(p.Light, "/design/picture?") || p.Light == p.Dark {
			t.Errorf("%+v", p)
		}
	}
}

// Two variants stand side by side: what differs differs, and the way back to B leads
// to it.
func TestSideBySide(t *testing.T) {
	tryout, who := stood(t)
	b := tried(t, tryout, who, "depth=2.6&set-aside=yes")
	if b.Aside == "" || len(b.Outcome.Sides) != 2 {
		t.Fatalf("set aside: %q, %d sides", b.Aside, len(b.Outcome.Sides))
	}
	both := tried(t, tryout, who, url.Values{"depth": {"3.1"}, "aside": {b.Aside}}.Encode())
	sides := both.Outcome.Sides
	if len(sides) != 2 || sides[0].Name != "A" || sides[1].Name != "B" || sides[0].Says != "depth 3.10 m" || sides[1].Says != "depth 2.60 m" || both.Outcome.Others[1].Shown[1].Side != "B" {
		t.Fatalf("%+v", sides)
	}
	for _, f := range both.Outcome.Facts {
		if len(f.Values) != 2 {
			t.Errorf("%s has %d values", f.Label, len(f.Values))
		}
	}
	if value(both, "Opening angle, target", 0) == "" || value(both, "Depth for a null at the target", 0) != value(both, "Depth for a null at the target", 1) {
		t.Errorf("%+v", both.Outcome.Facts)
	}
	back, _ := strings.CutPrefix(both.Outcome.Back, "/design?")
	if alone := tried(t, tryout, who, back); alone.Outcome.Sides[0].Says != "depth 2.60 m" {
		t.Errorf("the way back leads to %q", alone.Outcome.Sides[0].Says)
	}
	spoilt := tried(t, tryout, who, "aside=%25zz")
	if !strings.Contains(spoilt.Outcome.Refused, "set it aside again") {
		t.Errorf("refused: %q", spoilt.Outcome.Refused)
	}
	gone := tried(t, tryout, who, "aside=layout%3Dtower")
	if !strings.HasPrefix(gone.Outcome.Refused, "What was set aside: there is no layout") {
		t.Errorf("refused: %q", gone.Outcome.Refused)
	}
}

// Numbers of one layout are not taken for another's.
func TestLayoutsKeepTheirOwnNumbers(t *testing.T) {
	tryout, who := stood(t)
	moved := tried(t, tryout, who, "layout=nearer&of=&depth=3.3&target=50")
	if wished(moved, "depth") == "3.30" || wished(moved, "target") != "50.0" || moved.Layout != "nearer" || value(moved, "Target", 0) != "50\u00a0Hz" {
		t.Errorf("depth %s, target %s, of %q", wished(moved, "depth"), wished(moved, "target"), moved.Layout)
	}
	own := tried(t, tryout, who, "layout=nearer&of=nearer&depth=3.3")
	if wished(own, "depth") != "3.30" {
		t.Errorf("depth %s", wished(own, "depth"))
	}
}

// What cannot be is refused in a sentence, with the form as it is and nothing drawn.
func TestRefusedWishes(t *testing.T) {
	tryout, who := stood(t)
	for query, want := range map[string]string{
		"depth=wide":     "Depth: got \"wide\", want a number of m",
		"depth=99":       "Depth of 99.00 m is not within ",
		"layout=tower":   "There is no layout \"tower\"",
		"treatment=salt": "The treatment \"salt\" cannot be had here",
	} {
		trial := tried(t, tryout, who, query)
		if !strings.HasPrefix(trial.Outcome.Refused, want) || len(trial.Outcome.Sides) != 0 || len(trial.Controls) != 5 {
			t.Errorf("%s: %q, %d sides, %d controls", query, trial.Outcome.Refused, len(trial.Outcome.Sides), len(trial.Controls))
		}
	}
}

// What is adopted is the site with the wish; what the wiring does not allow is not.
func TestAdopting(t *testing.T) {
	tryout, who := stood(t)
	site, err := tryout.Site(who.View, url.Values{"depth": {"2.60"}, "target": {"50"}})
	if err != nil {
		t.Fatal(err)
	}
	if got := whatif.Of(site); math.Abs(got.DepthM-2.6) > 1e-9 || got.TargetHz != 50 || !reflect.DeepEqual(site.Outputs, who.View.Site.Outputs) {
		t.Errorf("adopted %+v", got)
	}
	for query, want := range map[string]string{"layout=wide&of=wide": "takes 5 processor outputs", "depth=99": "not within", "layout=tower": "no layout"} {
		q, _ := url.ParseQuery(query)
		if _, err := tryout.Site(who.View, q); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", query, err)
		}
	}
	if locked := tried(t, tryout, who, "layout=wide&of=wide").Outcome; !strings.Contains(locked.Locked, "takes 5 processor outputs") || len(locked.Sides) != 1 {
		t.Errorf("to look at only: %+v", locked)
	}
}

// Pictures come at their addresses, coarse and sharp, of the wish they name; another
// site is another picture.
func TestPicturesAtTheirAddresses(t *testing.T) {
	tryout, who := stood(t)
	size := func(who Asker, address string) (int, []byte) {
		t.Helper()
		u, err := url.Parse(address)
		if err != nil {
			t.Fatal(err)
		}
		content, err := tryout.Picture(t.Context(), who, u.Query())
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(content))
		if err != nil {
			t.Fatal(err)
		}
		return img.Bounds().Dx(), content
	}
	first := tried(t, tryout, who, "depth=2.6").Outcome.Others[0].Shown[0]
	wide, polar := size(who, first.Light)
	who.Sharp = true
	sharp := tried(t, tryout, who, "depth=2.6").Outcome.Others[0].Shown[0]
	if twice, _ := size(who, sharp.Light); wide < 390 || twice < 780 {
		t.Errorf("%d and %d dots wide", wide, twice)
	}
	moved := who.View
	moved.Site.Sources = slices.Clone(moved.Site.Sources)
	moved.Site.Sources[0].At.X -= 1.5
	moved.Revision++
	paved := who.View
	paved.Site.Ground = 1
	paved.Revision++
	if now, then := tried(t, tryout, who, "").Outcome.Facts, tried(t, tryout, Asker{Phone: "phone 1", View: paved}, "").Outcome.Facts; reflect.DeepEqual(now, then) {
		t.Error("another site has the same numbers")
	}
	if _, other := size(Asker{Phone: "phone 1", View: moved}, first.Light+"&depth="); bytes.Equal(other, polar) && tried(t, tryout, Asker{Phone: "a", View: moved}, "").Outcome.Others[0].Shown[0].Light == first.Light {
		t.Error("another site has the same picture at the same address")
	}
	if _, err := tryout.Picture(t.Context(), who, url.Values{"show": {"cloud"}}); err == nil || !strings.Contains(err.Error(), `no picture "cloud"`) {
		t.Errorf("got %v", err)
	}
	if _, err := tryout.Picture(t.Context(), who, url.Values{"show": {"map"}, "depth": {"99"}}); err == nil {
		t.Error("a picture of what cannot be")
	}
}

// An aim is searched for when that is asked, and only then.
func TestSearching(t *testing.T) {
	tryout, who := stood(t)
	site := who.View.Site
	site.Aim = &engine.Aim{HeadroomDB: 6}
	who.View = desk.View{Site: site}
	byHand := tried(t, tryout, who, "").Outcome
	if !byHand.Sides[0].ByHand || !byHand.Search {
		t.Errorf("by hand %v, search offered %v", byHand.Sides[0].ByHand, byHand.Search)
	}
	searched := tried(t, tryout, who, "search=yes").Outcome
	if searched.Sides[0].ByHand || searched.Search || searched.Sides[0].Says != "searched" {
		t.Errorf("%+v", searched.Sides[0].Says)
	}
	if plain := tried(t, tryout, who, "search=yes&treatment=plain").Outcome; plain.Sides[0].Says != "plain" {
		t.Errorf("a treatment is searched for: %q", plain.Sides[0].Says)
	}
}
