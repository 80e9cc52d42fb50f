package configs

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"hushback/configs/document"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/engine/layout"
)

// edited is an example's text with some of it replaced, old and new in turn.
func edited(t *testing.T, name string, pairs ...string) []byte {
	t.Helper()
	data, err := shipped.ReadFile("sites/" + name + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("%s has no %q", name, pairs[i])
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	return []byte(text)
}

// saved is a file with that text.
func saved(t *testing.T, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestBlocksAreRead holds what is read of the examples' layouts to values typed
// in from the files, in SI.
func TestBlocksAreRead(t *testing.T) {
	at := func(x, y, z float64) engine.Point { return engine.Point{X: x, Y: y, Z: z} }
	const degree = math.Pi / 180
	text := `layout: all
layouts:
  all:
    - {name: a, shape: arc, count: 3, spacing: 6 ft 3 in, arc: 60°, at: [1 m, -20 cm, 0 m], facing: -10°, max_gain: -3 dB,
       cabinet: box, level: -1.5 dB, treatment: gradient, depth: {rows: 2, spacing: 1 m, count: 1, forward: 35 cm}, outputs: {from: 5, one_for: row}}
    - {name: b, shape: delayed-arc, count: 5, spacing: 1.6 m, arc: 0.5 rad, at: [0 m, 5 m, 0 m], mirrored: true, max_gain: 0 dB, outputs: {one_for: cabinet}}
    - {name: c, shape: single, at: [0 m, 0 m, 3 m], max_gain: 0 dB, depth: {rows: 3, spacing: 2 m, count: 2}, spacing: 1.2 m, mirrored: false}
    - {name: d, shape: line, count: 4, spacing: 190 cm, at: [9 m, 0 m, 0 m], treatment: plain, max_gain: 6 dB}
    - {name: e, shape: free, treatment: null, max_gain: 0 dB, sources: [{name: s, row: rear, at: [1 m, 2 m, 3 m], output: 12, facing: 90°, cabinet: box, level: 1 dB}]}
`
	want := []layout.Block{
		{Name: "a", Shape: layout.Arc, Count: 3, SpacingM: 1.905, ArcRad: 60 * degree, At: at(1, -0.2, 0), FacingRad: -10 * degree, MaxGainDB: -3, Cabinet: "box",
			LevelDB: -1.5, Treatment: engine.TreatGradient, Depth: 2, DepthM: 1, RowCount: 1, ForwardM: 0.35, FirstOutput: 5, PerRow: true},
		{Name: "b", Shape: layout.DelayedArc, Count: 5, SpacingM: 1.6, ArcRad: 0.5, At: at(0, 5, 0), Mirrored: true},
		{Name: "c", Shape: layout.Single, At: at(0, 0, 3), Depth: 3, DepthM: 2, RowCount: 2, SpacingM: 1.2},
		{Name: "d", Shape: layout.Line, Count: 4, SpacingM: 1.9, At: at(9, 0, 0), Treatment: engine.TreatPlain, MaxGainDB: 6},
		{Name: "e", Shape: layout.Free, Treatment: engine.TreatNull,
			Free: []engine.Source{{Name: "s", Row: engine.RowRear, At: at(1, 2, 3), Output: 12, FacingRad: 90 * degree, Cabinet: "box", LevelDB: 1}}},
	}
	data := strings.Replace(exampleWithoutSources(t), "sources:\n", "", 1)
	data = data[:strings.Index(data, "outputs:\n")] + text + data[strings.Index(data, "microphones:\n"):]
	var read []layout.Layout
	_, err := document.Load("s.yaml", []byte(data), func(v document.Value) *siteFile { s := readSite(v); read = s.layouts; return s }, func(*siteFile) []engine.Problem { return nil })
	if err != nil {
		t.Fatal(err)
	}
	if len(read) != 1 || read[0].Name != "all" || len(read[0].Blocks) != len(want) {
		t.Fatalf("got %+v", read)
	}
	for i, got := range read[0].Blocks {
		if len(got.Free) == 0 {
			got.Free = nil
		}
		for _, angle := range []*float64{&got.FacingRad, &got.ArcRad, &want[i].FacingRad, &want[i].ArcRad} {
			*angle = math.Round(*angle*1e12) / 1e12
		}
		if !reflect.DeepEqual(got, want[i]) {
			t.Errorf("got\n%+v\nwant\n%+v", got, want[i])
		}
	}
}

// TestLayoutsMakeTheSite: what is worked out is what the layout package makes
// of the block, and everything else is the file's own.
func TestLayoutsMakeTheSite(t *testing.T) {
	sites, err := OpenLayouts("tarnholt")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, s := range sites {
		names = append(names, s.Name)
	}
	if want := []string{"delayed arc", "pair outwards", "mix"}; !slices.Equal(names, want) {
		t.Errorf("layouts %q, want %q in the order of the file", names, want)
	}
	pair := sites[1].Site
	if len(pair.Sources) != 8 || len(pair.Outputs) != 8 || len(pair.Groups) != 1 || pair.Groups[0].Name != "stack" {
		t.Errorf("the pair has %d sources, %d outputs, groups %v", len(pair.Sources), len(pair.Outputs), pair.Groups)
	}
	// Half of 1.6 m to either side of (1.7 m, 5.5 m), square to 15°, and the
	// mirror image of that.
	sin, cos := math.Sincos(15 * math.Pi / 180)
	for _, want := range []engine.Source{
		{At: engine.Point{X: 1.7 - 0.8*sin, Y: 5.5 + 0.8*cos, Z: 0.26}, FacingRad: 15 * math.Pi / 180},
		{At: engine.Point{X: 1.7 + 0.8*sin, Y: -(5.5 - 0.8*cos), Z: 0.26}, FacingRad: -15 * math.Pi / 180},
	} {
		if !slices.ContainsFunc(pair.Sources, func(s engine.Source) bool {
			return s.At.Distance(want.At) < 1e-9 && math.Abs(s.FacingRad-want.FacingRad) < 1e-9 && s.Row == engine.RowFront && s.Cabinet == "single eighteen"
		}) {
			t.Errorf("no front source at %+v facing %v", want.At, want.FacingRad)
		}
	}
	for _, s := range sites {
		s.Site.Groups, s.Site.Outputs, s.Site.Sources = nil, nil, nil
		if !reflect.DeepEqual(s.Site, engine.Site{
			Job: s.Site.Job, Air: engine.Air{TemperatureC: 5, Humidity: 0.8, PressurePa: 99500}, Ground: 0.95,
			Walls:       []engine.Wall{{Name: "malthouse", From: engine.Point{X: -26, Y: -10}, To: engine.Point{X: -26, Y: 10}}},
			Target:      engine.Target{NullHz: 50, Range: engine.Band{LowHz: 35, HighHz: 70}},
			Limits:      s.Site.Limits,
			Tolerance:   engine.Tolerance{PositionM: 0.03, MicrophoneM: 0.05, LevelDB: 0.5, TemperatureC: 3},
			TestSignal:  engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
			Wiring:      engine.Wiring{Profile: "counting-twelve", Address: "192.0.2.12:9000"},
			Cabinets:    []engine.Cabinet{{Name: "single eighteen", WidthM: 0.62, DepthM: 0.7, HeightM: 0.52}},
			Microphones: s.Site.Microphones,
			Zones:       s.Site.Zones,
		}) {
			t.Errorf("%s: %+v", s.Name, s.Site)
		}
	}
}

// TestWhichLayout: the one in use where none is named, any other by its name.
func TestWhichLayout(t *testing.T) {
	sites, err := OpenLayouts("larkpit")
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range sites {
		got, err := OpenLayout("larkpit", s.Name)
		if err != nil || !reflect.DeepEqual(got, s.Site) {
			t.Errorf("%s: %v\n%+v", s.Name, err, got)
		}
		path := saved(t, edited(t, "larkpit", "layout: null arc", "layout: "+s.Name))
		if got, err := OpenSite(path); err != nil || !reflect.DeepEqual(got, s.Site) {
			t.Errorf("%s in use: %v\n%+v", s.Name, err, got)
		}
	}
	written, err := OpenLayouts("ottersedge")
	if err != nil || len(written) != 1 || written[0].Name != "" {
		t.Fatalf("%d sites, %v", len(written), err)
	}
	if site, err := OpenSite("ottersedge"); err != nil || !reflect.DeepEqual(site, written[0].Site) {
		t.Errorf("%v, %+v", err, site)
	}
	for name, want := range map[string]string{
		"ottersedge": `site ottersedge: layout "wide": the site has no layouts, its sources are written out`,
		"tarnholt":   `site tarnholt: layout "wide": the site has none of that name (there are: delayed arc, pair outwards, mix)`,
		"nowhere":    `site "nowhere": no example has that name`,
	} {
		if _, err := OpenLayout(name, "wide"); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	if sites, err := OpenLayouts("nowhere"); err == nil || sites != nil {
		t.Errorf("nowhere has %d sites, error %v", len(sites), err)
	}
}

// TestEveryLayoutFits: no layout of an example asks its processor for what that
// does not have, nor the emulated one.
func TestEveryLayoutFits(t *testing.T) {
	shapes := map[layout.Shape]bool{}
	treatments := map[engine.Treatment]bool{}
	for _, name := range SiteNames() {
		site, err := OpenSite(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, profile := range []string{site.Wiring.Profile, "plain-eight"} {
			p, err := OpenProfile(profile)
			if err != nil {
				t.Fatal(err)
			}
			if err := Fit(name, p); err != nil {
				t.Errorf("%s on %s:\n%v", name, profile, err)
			}
		}
		file, err := openSites(name, engine.Site.Problems)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range file.layouts {
			for _, b := range l.Blocks {
				shapes[b.Shape] = true
			}
		}
		for _, s := range file.sites {
			for _, g := range s.Site.Groups {
				treatments[g.Treatment] = true
			}
		}
	}
	if len(shapes) != 5 || len(treatments) != 4 {
		t.Errorf("the examples show the shapes %v and the treatments %v, want all", shapes, treatments)
	}
}

// TestFitNamesTheBlock: what a processor lacks is told where the layout stands,
// also where it is not the one in use.
func TestFitNamesTheBlock(t *testing.T) {
	p := processor.Profile{Name: "six", Outputs: 6}
	p.Parameters[processor.Gain].Code.Grid = engine.Grid{Min: -40, Max: 3, Step: 0.5}
	p.Parameters[processor.Delay].Code.Grid = engine.Grid{Min: 0.001, Max: 0.4, Step: 0.001}
	data := edited(t, "tarnholt", "depth: {rows: 2, spacing: 1.7 m}\n      max_gain: 0 dB", "depth: {rows: 2, spacing: 1.7 m}\n      max_gain: 5 dB")
	path := saved(t, data)
	place := func(text string) string {
		before, _, _ := strings.Cut(string(data), text)
		line := before[strings.LastIndex(before, "\n")+1:]
		return path + ":" + strconv.Itoa(1+strings.Count(before, "\n")) + ":" + strconv.Itoa(1+len(line)) + ": "
	}
	err := Fit(path, p)
	if err == nil {
		t.Fatal("eight outputs fit six")
	}
	got := strings.Split(err.Error(), "\n")
	want := []string{
		place("name: row") + "layouts.delayed arc[0]: got output 7, want 1 to 6, the outputs of a six",
		place("name: stack") + "layouts.pair outwards[0]: got output 7, want 1 to 6, the outputs of a six",
		place("5 dB") + "layouts.pair outwards[0].max_gain: got 5 dB, want -40 to 3 dB, the gain of a six",
	}
	for i, w := range want {
		if i >= len(got) || !strings.HasPrefix(got[i], w) {
			t.Errorf("got\n%s\nwant\n%s", err, strings.Join(want, "\n"))
			break
		}
	}

	p.Outputs = 8
	bent := func(bend string) string { return saved(t, edited(t, "brindlequay", "bend: 1.2 ms", "bend: "+bend)) }
	if err := Fit(bent("399 ms"), p); err != nil {
		t.Errorf("at the end of the range: %v", err)
	}
	if err := Fit(bent("400 ms"), p); err == nil || !strings.HasSuffix(err.Error(), "outputs[2].bend: got 400 ms, want at most 399 ms, the delay of a six") {
		t.Errorf("beyond it: %v", err)
	}
}

// TestTreatments: null by the word's own spelling, bare or in quotes, and none
// of YAML's other words for nothing.
func TestTreatments(t *testing.T) {
	for text, want := range map[string]engine.Treatment{
		"null": engine.TreatNull, `"null"`: engine.TreatNull, "'null'": engine.TreatNull, "end-fire": engine.TreatEndFire,
		"gradient": engine.TreatGradient, "plain": engine.TreatPlain,
		"": "", "~": "", "NULL": "", "Null": "", "nil": "", "none": "", "false": "", "0": "", "!!null null": "", "[null]": "",
	} {
		site, err := Site("s.yaml", edited(t, "brindlequay", "treatment: null", "treatment: "+text))
		switch {
		case want == "" && err == nil:
			t.Errorf("%q was read as %q", text, site.Groups[0].Treatment)
		case want == "":
			only(t, err)
		case err != nil || site.Groups[0].Treatment != want:
			t.Errorf("%q: got %+v, %v", text, site.Groups, err)
		}
	}
	// Left out of a block it is up to the layout package: null with depth.
	site, err := OpenLayout("larkpit", "null arc")
	if err != nil || site.Treatment("arc") != engine.TreatNull {
		t.Errorf("got %+v, %v", site.Groups, err)
	}
}

// TestOptionalKeys holds what the example with an aim says to values typed in
// from it, and each key that may be left out to what then goes without saying.
func TestOptionalKeys(t *testing.T) {
	read := func(pairs ...string) engine.Site {
		t.Helper()
		site, err := Site("s.yaml", edited(t, "brindlequay", pairs...))
		if err != nil {
			t.Fatal(err)
		}
		return site
	}
	full := read()
	if want := (engine.Aim{HeadroomDB: 5, EvennessDB: 12, HoldNull: true}); full.Aim == nil || *full.Aim != want {
		t.Errorf("aim %+v, want %+v", full.Aim, want)
	}
	if want := (engine.Tolerance{PositionM: 0.03, MicrophoneM: 0.05, LevelDB: 0.5, TemperatureC: 25. / 9}); full.Tolerance != want {
		t.Errorf("tolerance %+v, want %+v", full.Tolerance, want)
	}
	if want := (engine.Output{Number: 3, Label: "outer left", Group: "quay", AsPlaced: true, BendSec: 0.0012}); full.Outputs[2] != want {
		t.Errorf("output %+v, want %+v", full.Outputs[2], want)
	}
	if w := []float64{full.Zones[0].Weight, full.Zones[1].Weight, full.Zones[2].Weight}; !slices.Equal(w, []float64{0, 2, 0}) {
		t.Errorf("weights %v", w)
	}
	worst := read("measure: mean ", "measure: worst ", "robust: false", "robust: true", "hold_null: true", "hold_null: false")
	if want := (engine.Aim{HeadroomDB: 5, EvennessDB: 12, Worst: true, Robust: true}); *worst.Aim != want {
		t.Errorf("aim %+v, want %+v", worst.Aim, want)
	}
	short := read("tolerance: {position: 3 cm, microphone: 5 cm, level: 0.5 dB, temperature: 5 °F}", "tolerance: {level: 1 dB}", ", bend: 1.2 ms", "")
	if want := (engine.Tolerance{PositionM: 0.03, MicrophoneM: 0.05, LevelDB: 1, TemperatureC: 3}); short.Tolerance != want {
		t.Errorf("tolerance %+v, want %+v", short.Tolerance, want)
	}
	if short.Outputs[2].AsPlaced || !short.Outputs[3].AsPlaced {
		t.Error("an output is as placed where it has a bend, and only there")
	}
	bare, err := OpenSite("ottersedge")
	if err != nil {
		t.Fatal(err)
	}
	if bare.Aim != nil || bare.Ground != 0 || bare.Walls != nil || bare.Groups != nil || bare.Cabinets != nil {
		t.Errorf("what the file does not say became %+v", bare)
	}
	field, err := OpenSite("larkpit")
	if err != nil {
		t.Fatal(err)
	}
	if want := (engine.Target{NullHz: 45, Range: engine.Band{LowHz: 30, HighHz: 60}, OpeningRad: math.Pi * 100 / 180, SideLobeDB: -8}); field.Target != want {
		t.Errorf("target %+v, want %+v", field.Target, want)
	}
	d := field.Cabinets[0].Directivity
	if !slices.Equal(d.FreqHz, []float64{31.5, 63, 125}) || !slices.Equal(d.AngleRad, []float64{0, math.Pi / 4, math.Pi / 2, 3 * math.Pi / 4, math.Pi}) ||
		!slices.Equal(d.LevelDB[1], []float64{0, -0.1, -0.4, -0.8, -1}) {
		t.Errorf("directivity %+v", d)
	}
}

// TestSeveralProcessors reads a site whose rear row hangs on a rack of its own:
// outputs keep their numbers, and say what that rack counts them as.
func TestSeveralProcessors(t *testing.T) {
	data, err := os.ReadFile("../testdata/bad/site-processor-unknown.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(data), "processor: front rack", "channel: 7", 1)
	text = strings.Replace(text, "processor: rear rack}", "processor: rear rack, channel: 6}", 1)
	site, err := Site("s.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	want := []engine.Wiring{
		{Profile: "plain-eight", Address: "192.0.2.10:8700"},
		{Name: "rear rack", Profile: "lettered-six", Address: "192.0.2.11:8700"},
	}
	if !slices.Equal(site.Wirings(), want) {
		t.Errorf("processors %+v, want %+v", site.Wirings(), want)
	}
	on := map[string][2]int{"": {2, 7}, "rear rack": {1, 6}}
	for name, numbers := range on {
		outputs := site.On(name)
		if len(outputs) != 1 || outputs[0].Number != numbers[0] || outputs[0].OnChannel() != numbers[1] {
			t.Errorf("on %q: %+v, want output %d as channel %d", name, outputs, numbers[0], numbers[1])
		}
	}
	path := filepath.Join(t.TempDir(), "s.yaml")
	if err := os.WriteFile(path, []byte(strings.Replace(text, "channel: 6", "channel: 7", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	plain, err := OpenProfile("plain-eight")
	if err != nil {
		t.Fatal(err)
	}
	lettered, err := OpenProfile("lettered-six")
	if err != nil {
		t.Fatal(err)
	}
	err = Fit(path, plain, lettered)
	if err == nil || !strings.Contains(err.Error(), "outputs[0].channel: got 7, want 1 to 6, the outputs of a lettered-six") {
		t.Errorf("a channel that the rack does not have: %v", err)
	}
}
