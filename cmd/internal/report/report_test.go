package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/figures"
	"hushback/cmd/internal/planning"
	"hushback/cmd/internal/report/folio"
	"hushback/configs"
	"hushback/control/preset"
	"hushback/engine"
)

var by = Signed{Software: "hushback, as tested", At: time.Date(2026, 7, 5, 1, 2, 3, 0, time.UTC)}

// ranges are those of a site's own processors.
func ranges(t *testing.T, site engine.Site) engine.Ranges {
	t.Helper()
	b := Subject{Change: dossier.Dossier{Site: site}}.Known()
	if b.Ranges == nil {
		t.Fatalf("the profile of %s is not there", site.Job)
	}
	return *b.Ranges
}

// worked is an example site worked out.
func worked(t *testing.T, name string) planning.WorkedOut {
	t.Helper()
	site, err := configs.OpenSite(name)
	if err != nil {
		t.Fatal(err)
	}
	found, err := planning.WorkOut(t.Context(), io.Discard, site, ranges(t, site))
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// plain is a document with a dot in place of every picture, to be quick.
func plain(d folio.Document) folio.Document {
	for _, s := range d.Sections {
		for _, b := range s.Blocks {
			if b.Picture != nil {
				b.Picture.PNG = func(w io.Writer) error { return png.Encode(w, image.NewGray(image.Rect(0, 0, 40, 30))) }
			}
		}
	}
	return d
}

// shown is the text of a page, by a parser that knows nothing of templates.
func shown(t *testing.T, d folio.Document) string {
	t.Helper()
	page, err := folio.HTML(d)
	if err != nil {
		t.Fatal(err)
	}
	x := xml.NewDecoder(bytes.NewReader(page))
	x.Strict, x.AutoClose, x.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	var words []string
	head := true
	for {
		token, err := x.Token()
		if errors.Is(err, io.EOF) {
			return strings.Join(words, " ")
		}
		if err != nil {
			t.Fatal(err)
		}
		if end, ok := token.(xml.EndElement); ok && end.Name.Local == "head" {
			head = false
		}
		if text, ok := token.(xml.CharData); ok && !head {
			words = append(words, strings.Fields(string(text))...)
		}
	}
}

// must says what a text does not have.
func must(t *testing.T, what, text string, wants ...string) {
	t.Helper()
	for _, want := range wants {
		if want = strings.Join(strings.Fields(want), " "); !strings.Contains(text, want) {
			t.Errorf("%s does not say %q", what, want)
		}
	}
}

func headings(d folio.Document) (all []string) {
	for _, s := range d.Sections {
		all = append(all, s.Heading)
	}
	return all
}

// In the order in which the next engineer, the venue and the insurer want it.
func TestDesignHasAllOfIt(t *testing.T) {
	found := worked(t, "tarnholt")
	d := Site(found, "", by)
	want := []string{"In short", "Where everything stands", "Sheet", "What is predicted", "What it should sound like", "Why it is set up like this", "Cautions", "Signed"}
	if !slices.Equal(headings(d), want) {
		t.Errorf("sections %q", headings(d))
	}
	pictures := 0
	for _, s := range d.Sections {
		for _, b := range s.Blocks {
			if b.Picture != nil {
				if pictures++; b.Picture.Alt == "" || b.Picture.Caption == "" {
					t.Errorf("a picture is said to be %q, %q", b.Picture.Alt, b.Picture.Caption)
				}
				var dots bytes.Buffer
				if pictures == 1 && (b.Picture.PNG(&dots) != nil || dots.Len() < 5000) { // drawing takes long
					t.Errorf("the stake-out plan has %d bytes", dots.Len())
				}
			}
		}
	}
	if pictures != 4 {
		t.Errorf("%d pictures, want stake-out, responses, map and pattern", pictures)
	}
	text := shown(t, plain(d))
	must(t, "the design", text, found.Report.Site.Job, "A design: nothing was measured", "hushback, as tested", "5 Jul 2026 01:02:03 UTC", "counting-twelve at 192.0.2.12:9000",
		found.Report.Sheet.Digest(), desk.Words(found.Report.Sheet.Digest()), "Set up by", "Measured by", "Agreed by",
		"Local codes and licensed practice come before anything in this report.")
	for _, s := range found.Report.Sheet.Settings {
		o, _ := found.Report.Site.Output(s.Output)
		must(t, "the sheet", text, fmt.Sprintf("%d %s %.3f ms %s dB", s.Output, o.Label, s.DelaySec*1000, strings.Replace(fmt.Sprintf("%.2f", s.GainDB), "-", "−", 1)))
	}
	for _, f := range slices.Concat(found.Report.Findings, found.Report.Warnings) {
		must(t, "the reasons", text, figures.Sentence(f.Text))
	}
	for i, src := range found.Report.Site.Sources {
		must(t, "the stake-out", text, src.Name+" "+fmt.Sprintf("%.2f m", found.Report.Site.Sources[i].At.X-found.Report.Site.Sources[5].At.X))
	}
	if strings.Contains(text, "safe place") || strings.Contains(text, "NaN") || strings.Contains(text, "there is no picture") {
		t.Error("it says what it should not")
	}
}

// The insurer does not take a rehearsal for a rig that was measured.
func TestARehearsalIsToldOnPaper(t *testing.T) {
	d := desktest.Past()[1]
	for _, staged := range []string{"", "seed 7, fault moved=3"} {
		d.Rehearsal = staged
		text := shown(t, plain(Change(d, Beside{Unknown: "nobody looked for presets"}, by)))
		for _, said := range []string{"Rehearsal: refuted", "This was a rehearsal: nothing sounded, and no rig was measured.", "Emulated processor, simulated place, seed 7, fault moved=3"} {
			if strings.Contains(text, said) != (staged != "") {
				t.Errorf("staged %q, %q is there: %t", staged, said, staged == "")
			}
		}
	}
}

// Each way that a change can end is told as such, with all that is known of it.
func TestChangesHaveAllOfIt(t *testing.T) {
	for _, d := range desktest.Past() {
		b := Beside{Unknown: "nobody looked for presets"}
		if d.How == dossier.RolledBack { // once is enough
			r := ranges(t, d.Site)
			b.Ranges = &r
		}
		doc := plain(Change(d, b, by))
		text := shown(t, doc)
		name := d.How + " " + d.Restores
		must(t, name, text, d.Job, d.Change, d.Processor, figures.Capital(d.Who), d.Software, by.Software, desk.Ending(d.Entry), "Nobody looked for presets.",
			d.DryRun.Digest, desk.Words(d.DryRun.Digest), strconv.Itoa(d.DryRun.Datagrams)+", those", d.Sheet.Digest(), figures.Sentence(d.Timeline[0].Detail), "(UTC)")
		for _, s := range d.Sheet.Settings {
			gain := "0.00 dB"
			if s.GainDB != 0 {
				gain += " → " + strings.Replace(fmt.Sprintf("%.2f dB", s.GainDB), "-", "−", 1)
			}
			must(t, name, text, gain)
			if s.DelaySec > 0 {
				must(t, name, text, fmt.Sprintf("0.000 ms → %.3f ms", s.DelaySec*1000))
			}
		}
		if d.Verdict == nil {
			must(t, name, text, desk.Unjudged(d))
		} else {
			word, means := figures.OutcomeWords(d.Verdict.Outcome)
			must(t, name, text, word+" "+means)
			for _, c := range d.Verdict.Claims {
				must(t, name, text, figures.Sentence(c.Sentence), figures.Number(c.Value, 2), figures.Number(c.Low, 2)+" to "+figures.Number(c.High, 2), figures.Number(c.Limit, 2))
			}
		}
		if d.Restores == "" { // what was promised then, not what would be now
			must(t, name, text, "should be quietest against the front at 47.1 Hz, −40.6 dB there and −39.9 dB at the target")
		}
		if d.How == dossier.Adrift {
			must(t, name, text, "Adrift, not measured", "Read back last: 4 of 4 values")
		}
		for _, c := range d.Captures {
			must(t, name, text, c.Microphone+" ("+string(c.Role)+") "+engine.Heard{Row: c.Row, Solo: c.Solo}.Words(d.Site), c.SheetDigest)
		}
		if d.Diagnosis != nil {
			must(t, name, text, "Where 90 of 100 rigs within tolerance lie", "93 % "+figures.Sentence(d.Diagnosis.Causes[0].Sentence), "With other settings this rig, as it was measured")
		}
		if got := slices.Contains(headings(doc), "What was predicted"); got != (d.Restores == "") {
			t.Errorf("%s: predictions are there: %v", name, got)
		}
		if strings.Contains(text, "NaN") || strings.Contains(text, "unknown") && d.How != dossier.Adrift {
			t.Errorf("%s: it says %s", name, text)
		}
	}
}

// The chart of a change shows what was measured: its dots are there once there are
// captures, and an interval is as long as the axis says.
func TestChartOfAChange(t *testing.T) {
	d := desktest.Past()[0]
	// strokes of rear's colour, and how long all of them are that run straight up.
	inked := func(d dossier.Dossier) (strokes int, tall float64) {
		var b bytes.Buffer
		if err := besideDrawn(d).SVG(&b); err != nil {
			t.Fatal(err)
		}
		bars := regexp.MustCompile(`d="M([\d.]+),([\d.]+)L([\d.]+),([\d.]+)" style="[^"]*stroke:#D55E00`)
		for _, m := range bars.FindAllStringSubmatch(b.String(), -1) {
			if m[1] == m[3] {
				tall += math.Abs(value(t, m[4]) - value(t, m[2]))
			}
		}
		return strings.Count(b.String(), "#D55E00"), tall
	}
	measured, short := inked(d)
	for i := range d.Captures {
		for k := range d.Captures[i].Function.Sigma {
			d.Captures[i].Function.Sigma[k] *= 30
		}
	}
	_, long := inked(d)
	d.Captures = nil
	if predicted, none := inked(d); predicted == 0 || measured < predicted+51 || none != 0 || short == 0 || long < 10*short {
		t.Errorf("%d strokes as predicted, %d with 51 lines measured; bars %g, with much noise %g, with nothing %g", predicted, measured, short, long, none)
	}
	if alt := beside(d).Picture.Alt; !strings.Contains(alt, "Predicted") {
		t.Errorf("said to be %q", alt)
	}
}

// What is not at hand is said to be so, and nothing else goes missing with it.
func TestChangeWithoutItsProfile(t *testing.T) {
	d := desktest.Past()[1]
	d.What = "a correction"
	corrected := shown(t, plain(Change(d, Beside{}, by)))
	must(t, "a correction", corrected, "what errors do to it is not worked out", "Level over the ground", "None is stored.")
	d.What, d.Site.Sources = "the sheet", nil
	must(t, "a site with nothing in it", shown(t, plain(Change(d, Beside{}, by))), "There is no picture here", "profile is not at hand")
	restored := desktest.Past()[3]
	with := Change(restored, Beside{Presets: []preset.Preset{{Name: "safe", Taken: desktest.Time, Settings: desktest.AsFound()}}}, by)
	must(t, "with presets", shown(t, plain(with)), "safe 14 Mar 2026 21:04:10 UTC", desk.Words(preset.Preset{Settings: desktest.AsFound()}.ID()))
	d.Site.Wiring.Profile = "./gone.yaml"
	if b := (Subject{Change: d}).Known(); b.Ranges != nil || b.Unknown == "" {
		t.Errorf("known of it: %+v", b)
	}
}

// The same change gives the same bytes, as page and on paper, and paper says the same.
func TestSameChangeSameBytes(t *testing.T) {
	d := desktest.Past()[0]
	folder := t.TempDir()
	made := map[string][]byte{}
	var doc folio.Document
	for range 2 {
		doc = plain(Change(d, Beside{Unknown: "x"}, by))
		for _, name := range []string{"report.html", "report.pdf"} {
			text, err := As(name, doc, folio.Letter)
			if err == nil {
				err = Write(filepath.Join(folder, name), text)
			}
			if err != nil {
				t.Fatal(err)
			}
			if before := made[name]; before != nil && !bytes.Equal(before, text) {
				t.Errorf("%s: other bytes", name)
			}
			made[name] = text
		}
	}
	out, err := exec.Command("pdftotext", "-layout", filepath.Join(folder, "report.pdf"), "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	paper := strings.Fields(string(out))
	count := map[string]int{}
	for _, w := range paper {
		count[w]++
	}
	var missing []string
	for _, w := range strings.Fields(shown(t, doc)) {
		if count[w] == 0 && len(w) < 40 {
			missing = append(missing, w)
		}
		count[w]--
	}
	if len(missing) > 0 {
		t.Errorf("the paper does not say %q", missing)
	}
}

// What is printed as others' figures is what was read, and says how sure that is.
func TestCautionsAreAsPublished(t *testing.T) {
	text, err := os.ReadFile("../../../testdata/published/exposure.json")
	if err != nil {
		t.Fatal(err)
	}
	var published struct {
		Facts []struct{ ID, Text, Status, Source string }
	}
	if err := json.Unmarshal(text, &published); err != nil {
		t.Fatal(err)
	}
	numbers := func(s string) (all []string) {
		for _, w := range strings.FieldsFunc(s, func(r rune) bool { return !(r >= '0' && r <= '9' || r == '.') }) {
			if w = strings.Trim(w, "."); w != "" {
				all = append(all, w)
			}
		}
		return all
	}
	for i, id := range []string{"who-2022", "niosh-rel", "osha-pel", "who-1999", "din-15905-5", "eu-2003-10"} {
		k := slices.IndexFunc(published.Facts, func(f struct{ ID, Text, Status, Source string }) bool { return f.ID == id })
		fact, printed := published.Facts[k], exposures()[i]
		for _, n := range numbers(printed.text) {
			if !slices.Contains(numbers(fact.Text), n) && !(n == "10" && id == "who-1999") {
				t.Errorf("%s: %s is not what was read: %s", id, n, fact.Text)
			}
		}
		if strings.HasPrefix(fact.Status, "from memory") != strings.HasPrefix(printed.source, "from memory") || strings.Contains(fact.Source, "not opened") != strings.Contains(printed.source, "not opened") && fact.Source != "" {
			t.Errorf("%s: %q is said of %q, %q", id, printed.source, fact.Status, fact.Source)
		}
	}
	rows := table(t, "../../../testdata/published/weighting_a_c.csv")
	at := map[float64][]string{}
	for _, r := range rows[1:] {
		at[value(t, r[0])] = r
	}
	for _, w := range weightings() {
		if r := at[w.hz]; r == nil || value(t, r[2]) != w.a || value(t, r[3]) != w.c || math.Abs(value(t, r[4])-w.a) > 0.051 || math.Abs(value(t, r[5])-w.c) > 0.051 {
			t.Errorf("%+v, published %v", w, r)
		}
	}
	if got := weighed(engine.Band{LowHz: 32, HighHz: 68}); len(got) != 6 || got[1][0] != "31.5\u00a0Hz" || got[5][0] != "80.0\u00a0Hz" {
		t.Errorf("weighted: %q", got)
	}
}

func table(t *testing.T, path string) [][]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func value(t *testing.T, cell string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// A rig of several processors says where each output is found.
func TestOutputsElsewhere(t *testing.T) {
	site := desktest.Site()
	if head := sheetTable(site, desktest.Sheet(), nil)[0]; slices.Contains(head, "Found at") {
		t.Errorf("said where it is plain: %q", head)
	}
	site.Further = []engine.Wiring{{Name: "stage left", Profile: "plain-eight", Address: "192.0.2.7:9000"}}
	site.Outputs[3].Processor, site.Outputs[3].Channel = "stage left", 2
	rows := sheetTable(site, desktest.Sheet(), []engine.Setting{})
	if rows[4][6] != "stage left, channel 2" || rows[1][6] != "the first processor, channel 1" || rows[1][2] != "not known → 0.000\u00a0ms" {
		t.Errorf("found at %q and %q, delay %q", rows[4][6], rows[1][6], rows[1][2])
	}
	if p := processors(site); len(p) != 2 || p[1][0] != "Processor stage left" || p[1][1] != "plain-eight at 192.0.2.7:9000" {
		t.Errorf("processors %q", p)
	}
}
