package pages

import (
	"fmt"
	"html"
	"slices"
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/control/preset"
	"hushback/verify"
	"hushback/verify/diagnose"
)

// pagePast is the whole page of a past change, while the present is at a view.
func pagePast(t *testing.T, d dossier.Dossier, now desk.View) string {
	t.Helper()
	p := New()
	page, err := p.Past(d)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := p.Write(&b, now, sitting("phone 2", "phone 1", "", false, 1), page, ""); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Each past change, while something else is held or nothing is: it says when it was and that it
// is over, shows what was measured, and offers no press but the way back.
func TestPastChangesShowWhatWas(t *testing.T) {
	past := desktest.Past()
	says := [][]string{
		{"Past", "Kept.", "Proven then", "phone 1 confirmed it", "The sheet,", "3 claims proven", "These curves in numbers", "differed from what stood before", "read back, all as wanted", "24 datagrams to 4 outputs"},
		{"Past", "Rolled back to what stood before.", "Refuted: output 3 is silent in front.", "Refuted then", "output 3 is connected the wrong way round", "93", "Its settings"},
		{"Past", "Adrift: nobody could tell what output 3 held.", "Output 3 does not answer.", "It ended before anything was measured."},
		{"Past", `Not measured: this was the preset "evening, quiet".`, "Kept."},
	}
	for i, d := range past {
		for name, state := range map[string]control.State{"idle": control.Idle{}, "held": desktest.States()["held"]} {
			what := fmt.Sprintf("change %d while %s", i, name)
			all := checkOne(t, what, pagePast(t, d, desktest.View(state)))
			said := plain(saidOn(all))
			for _, want := range append(says[i], day(d.Started), d.Change) {
				if !strings.Contains(strings.ToLower(said), strings.ToLower(plain(want))) {
					t.Errorf("%s: no %q", what, want)
				}
			}
			if got := actions(all); !slices.Equal(got, []string{"/safe"}) {
				t.Errorf("%s: can press %q", what, got)
			}
			for _, not := range []string{"Now:", "Next:", "no longer on the processor", "Nothing is judged yet", "being measured"} {
				if strings.Contains(said, not) {
					t.Errorf("%s: says %q", what, not)
				}
			}
			strip := slices.IndexFunc(all, func(e element) bool { return e.attr["id"] == "strip" })
			if !strings.HasPrefix(all[strip].text, name) {
				t.Errorf("%s: the strip says %q", what, all[strip].text)
			}
			if !slices.ContainsFunc(all, func(e element) bool { return e.attr["href"] == "/log/"+d.Change+".json" }) {
				t.Errorf("%s: its dossier cannot be had", what)
			}
		}
	}
	for i, want := range []bool{true, true, false, false} {
		page := pagePast(t, past[i], desktest.View(control.Idle{}))
		if strings.Contains(page, "h-then-curves") != want || strings.Contains(page, "h-then-causes") != (i == 1) {
			t.Errorf("change %d: curves or causes of nothing, or none of something", i)
		}
	}
}

// The verdict, claims and curves are those of the proof page, word for word.
func TestPastIsDrawnAsThePresentWas(t *testing.T) {
	d := desktest.Past()[1]
	then := desk.Then(d)
	_, now, err := New().Paint(then, program())
	if err != nil {
		t.Fatal(err)
	}
	page := pagePast(t, d, desktest.View(control.Idle{}))
	for _, part := range []string{"claims", "curves"} {
		if len(now[part]) < 100 || !strings.Contains(page, now[part]) {
			t.Errorf("%s are not what the proof page showed", part)
		}
	}
}

func TestPastOfAlmostNothing(t *testing.T) {
	for _, d := range []dossier.Dossier{
		{}, {Entry: dossier.Entry{How: dossier.Adrift}}, {Entry: dossier.Entry{How: "by magic"}}, {Verdict: &verify.Verdict{}}, {Diagnosis: &diagnose.Diagnosis{}},
		{Sheet: desktest.Sheet()}, {Captures: []verify.Capture{{}}}, {Restores: "x", Captures: []verify.Capture{{}}},
	} {
		checkOne(t, fmt.Sprintf("%+v", d.Entry), pagePast(t, d, desk.View{}))
	}
	d := desktest.Past()[1]
	d.Verdict, d.Outcome = nil, ""
	if said := saidOn(parse(t, pagePast(t, d, desktest.View(control.Idle{})))); !strings.Contains(said, "It ended before it was judged.") {
		t.Error("captures without a verdict are not told from none")
	}
	d.Before = d.Before[1:]
	if said := saidOn(parse(t, pagePast(t, d, desktest.View(control.Idle{})))); strings.Count(said, "not known →") != 1 {
		t.Error("an output that nobody knew is told as known")
	}
}

// Nobody takes a rehearsal for a rig that was measured, on any page, then or later.
func TestARehearsalSaysSo(t *testing.T) {
	v, d := desktest.View(control.Idle{}), desktest.Past()[1]
	for _, staged := range []string{"", "seed 7, fault moved=3"} {
		v.Rehearsal, d.Rehearsal = staged, staged
		said := map[string]string{"past": saidOn(parse(t, pagePast(t, d, v)))}
		for name, page := range pageOf(t, v) {
			said[name] = saidOn(parse(t, page))
		}
		for name, text := range said {
			if got := strings.Contains(text, "the processor is emulated, the place is simulated, nothing sounds. Seed 7, fault moved=3."); got != (staged != "") {
				t.Errorf("%s: a rehearsal is told: %t, staged %q", name, got, staged)
			}
		}
		if got := strings.Contains(said["past"], staged+"; no rig was measured"); got != (staged != "") {
			t.Errorf("a past one is told: %t, staged %q", got, staged)
		}
	}
}

func TestHostileDossiersStayText(t *testing.T) {
	const evil = `"><script>alert(1)</script><b x='`
	d := desktest.Past()[1]
	d.Change, d.Job, d.Processor, d.What, d.Who, d.To, d.Reason, d.Software, d.Rehearsal, d.Outcome = evil, evil, evil, evil, evil, evil, evil, evil, evil, evil
	d.DryRun.Digest, d.Timeline = evil, []preset.Entry{{Event: evil, Detail: evil, Change: evil}}
	d.Readings = []dossier.Reading{{Parameter: "gain", Wanted: evil, Got: evil}}
	v := desktest.View(control.Idle{})
	v.Past = []dossier.Entry{d.Entry}
	list, err := New().AllPast(v)
	if err != nil {
		t.Fatal(err)
	}
	for what, page := range map[string]string{"its page": pagePast(t, d, v), "log": pageOf(t, v)["log"], "list": string(list.Own)} {
		if strings.Contains(page, "<script>") || strings.Contains(page, "<b x=") || !strings.Contains(html.UnescapeString(page), evil) {
			t.Errorf("%s: markup, or not shown", what)
		}
	}
}

// The log lists the newest changes, a page of its own all of them, newest first.
func TestLogListsChanges(t *testing.T) {
	v := desktest.View(control.Measuring{Change: "c-0008"})
	if said := saidOn(parse(t, pageOf(t, v)["log"])); !strings.Contains(said, "Changes, newest first None yet.") {
		t.Error("without any")
	}
	for _, d := range desktest.Past() {
		v.Past = append(v.Past, d.Entry)
	}
	v.Past = append([]dossier.Entry{{Change: "c-0008", What: "a correction", Started: desktest.Time}, {Change: "c-0006", What: "the sheet", Started: desktest.Time}}, v.Past...)
	lines := func(page string) (out []string) {
		for _, e := range checkOne(t, "list", page) {
			if e.name == "a" && strings.HasPrefix(e.attr["href"], "/log/2") || strings.HasPrefix(e.attr["href"], "/log/c-") {
				out = append(out, strings.ReplaceAll(e.text, figures.Space, " "))
			}
		}
		return out
	}
	got, want := lines(pageOf(t, v)["log"]), []string{
		"– no verdict, under way A correction", "– no verdict, cut off before its end The sheet",
		"✓ proven, kept The sheet; phone 1 confirmed it", "✗ refuted, rolled back to what stood before The sheet; phone 1 confirmed it",
		"– no verdict, adrift: nobody could tell what output 3 held The sheet; phone 1 confirmed it", `– no verdict, kept The preset "evening, quiet"; phone 1 confirmed it`,
	}
	if len(got) != len(want) {
		t.Fatalf("listed %q", got)
	}
	for i := range got {
		if got[i] != day(v.Past[i].Started)+" "+want[i] {
			t.Errorf("line %d: %q, want %q", i, got[i], want[i])
		}
	}
	for n := range 40 {
		v.Past = append(v.Past, dossier.Entry{Change: fmt.Sprintf("c-1%03d", n), What: "the sheet"})
	}
	page := pageOf(t, v)["log"]
	if got := lines(page); len(got) != pastShown || !strings.Contains(page, "26 older ones too") {
		t.Errorf("%d lines of 46 on the log", len(got))
	}
	p := New()
	list, err := p.AllPast(v)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := p.Write(&b, v, program(), list, ""); err != nil {
		t.Fatal(err)
	}
	if got := lines(b.String()); len(got) != 46 || strings.Contains(b.String(), "older ones too") {
		t.Errorf("%d lines of 46 on the page of all", len(got))
	}
}

// A phone that shows the past follows the strip and the way back of the present.
func TestPastPageFollowsThePresent(t *testing.T) {
	page, known := Find("past")
	if !known || !slices.Equal(page.Parts(), slices.Concat([]string{controlsID}, common())) {
		t.Errorf("follows %q, known %v", page.Parts(), known)
	}
	if slices.ContainsFunc(All(), func(p Page) bool { return p.Name == "past" }) {
		t.Error("the past is one of the pages of the work")
	}
}
