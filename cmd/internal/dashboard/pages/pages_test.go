package pages

import (
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/dashboard/access"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/control/preset"
	"hushback/engine"
	"hushback/verify"
	"hushback/verify/correct"
	"hushback/verify/diagnose"
)

// element is one element of a parsed page.
type element struct {
	name string
	attr map[string]string
	text string // of the element and everything in it, blanks folded
}

// parse reads a page and fails the test where tags do not nest.
func parse(t *testing.T, page string) []element {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.Entity = false, xml.HTMLEntity
	void := map[string]bool{"meta": true, "link": true, "input": true}
	var all []element
	var open []int // indexes into all
	for {
		token, err := d.RawToken()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("page does not parse: %v", err)
		}
		switch tok := token.(type) {
		case xml.StartElement:
			e := element{name: tok.Name.Local, attr: map[string]string{}}
			for _, a := range tok.Attr {
				if _, twice := e.attr[a.Name.Local]; twice {
					t.Errorf("<%s> has two %s", e.name, a.Name.Local)
				}
				e.attr[a.Name.Local] = a.Value
			}
			all = append(all, e)
			if !void[e.name] {
				open = append(open, len(all)-1)
			}
		case xml.EndElement:
			if len(open) == 0 || all[open[len(open)-1]].name != tok.Name.Local {
				t.Fatalf("</%s> closes nothing open, at byte %d", tok.Name.Local, d.InputOffset())
			}
			if open = open[:len(open)-1]; slices.Contains([]string{"td", "th", "p", "li", "h3"}, tok.Name.Local) {
				for _, i := range open {
					all[i].text += " " // what stands apart on the screen
				}
			}
		case xml.CharData:
			for _, i := range open {
				all[i].text += string(tok)
			}
		}
	}
	if len(open) != 0 {
		t.Fatalf("<%s> is never closed", all[open[len(open)-1]].name)
	}
	for i := range all {
		all[i].text = strings.Join(strings.Fields(all[i].text), " ")
	}
	return all
}

// checkOne holds what must be true of every page.
func checkOne(t *testing.T, name, page string) []element {
	t.Helper()
	all := parse(t, page)
	ids := map[string]bool{}
	for _, e := range all {
		if id := e.attr["id"]; id != "" {
			if ids[id] {
				t.Errorf("%s: two elements are called %q", name, id)
			}
			ids[id] = true
		}
	}
	for _, e := range all {
		for a, v := range e.attr {
			switch {
			case a == "style" || strings.HasPrefix(a, "on"):
				t.Errorf("%s: <%s %s=%q>: the content policy forbids it", name, e.name, a, v)
			case (a == "href" || a == "src" || a == "action") && (!strings.HasPrefix(v, "/") && !strings.HasPrefix(v, "#") || strings.HasPrefix(v, "//")):
				t.Errorf("%s: <%s %s=%q> leads away from this page", name, e.name, a, v)
			case a == "href" && strings.HasPrefix(v, "#") && !ids[v[1:]]:
				t.Errorf("%s: a link to %s leads nowhere", name, v)
			case (a == "for" || a == "aria-labelledby") && !ids[v]:
				t.Errorf("%s: <%s %s=%q> names nothing", name, e.name, a, v)
			}
		}
		switch e.name {
		case "svg":
			if e.attr["aria-hidden"] != "true" && (e.attr["role"] != "img" || e.attr["aria-label"] == "") {
				t.Errorf("%s: an svg has neither words nor leave to have none", name)
			}
		case "button", "summary", "th":
			if e.text == "" {
				t.Errorf("%s: a %s without words", name, e.name)
			}
		case "form":
			if e.attr["method"] != "post" {
				t.Errorf("%s: form %q does not post", name, e.attr["action"])
			}
		case "script":
			if e.text != "" {
				t.Errorf("%s: script in the page", name)
			}
		case "details":
			if e.attr["id"] == "" {
				t.Errorf("%s: details without an id would fold at each update", name)
			}
		}
	}
	for _, forbidden := range []string{"ZgotmplZ", "%!", "NaN", "<nil>", "{{"} {
		if strings.Contains(page, forbidden) {
			t.Errorf("%s: %q in the page", name, forbidden)
		}
	}
	return all
}

// program is a visitor for whom nothing is said that is of phones alone.
func program() Seat { return Seat{Who: access.Visitor{Program: true, Operator: true}} }

// pageOf is every page at a view, one after the other.
func pageOf(t *testing.T, v desk.View) map[string]string {
	t.Helper()
	written, painter := map[string]string{}, New()
	for _, page := range All() {
		var b strings.Builder
		if err := painter.Write(&b, v, program(), page, ""); err != nil {
			t.Fatalf("%s: %v", page.Name, err)
		}
		written[page.Name] = b.String()
	}
	return written
}

// checkPage holds what must be true of every page, and that links between them
// lead somewhere; it returns all their elements.
func checkPage(t *testing.T, name string, written map[string]string) []element {
	t.Helper()
	var all []element
	places := map[string]bool{}
	for _, page := range All() {
		own := checkOne(t, name+", "+page.Name, written[page.Name])
		places["/"+page.Name] = true
		for _, e := range own {
			places["/"+page.Name+"#"+e.attr["id"]] = true
		}
		all = append(all, own...)
	}
	for _, e := range all {
		if to := e.attr["href"]; e.name == "a" && strings.HasPrefix(to, "/") && !places[to] {
			t.Errorf("%s: a link to %s leads nowhere", name, to)
		}
	}
	return all
}

// actions are the paths that the page's forms post to.
func actions(all []element) []string {
	var out []string
	for _, e := range all {
		if e.name == "form" && !slices.Contains(out, e.attr["action"]) {
			out = append(out, e.attr["action"])
		}
	}
	slices.Sort(out)
	return out
}

// saidOn is everything the page says in words.
func saidOn(all []element) string {
	said := ""
	for _, e := range all {
		if e.name == "body" {
			said += strings.ReplaceAll(e.text, figures.Space, " ") + " "
		}
	}
	return said
}

// Every state shows what the person at the stage must know, and lets them
// press what makes sense there and nothing else; the way back is always there.
func TestEveryState(t *testing.T) {
	digest := desktest.DryRun().Digest
	keepBy := clock(desktest.Time)
	cases := map[string]struct {
		says    []string
		actions []string
	}{
		"idle": {[]string{"No change is under way", "take a dry run", "47.1 Hz wanted 47.0 Hz", "−40.6 dB", "must reach −24.0 dB", "0.6 dB", "Front is up to 3.4 dB quieter than all outputs at full gain in phase", "−17.9 dB", "5.17 ms", "reversed"},
			[]string{"/dry-run", "/dry-run-preset", "/presets", "/safe", "/safe-preset", "/use-as-safe"}},
		"drafted": {[]string{"A dry run waits for your confirm", "Nothing has been sent", desk.Words(digest), "This will change", "left front: delay 0.00 ms → 5.17 ms", "rear: polarity normal → reversed", "gain stays 0.0 dB", "8 datagrams", "/out/2/gain", "-7.8 float32", "2f6f7574", digest, "about a quarter of a minute and is loud", "12 datagrams are sent, 4 more only if it goes back; one that is not answered is sent again"},
			[]string{"/confirm", "/dry-run", "/dry-run-preset", "/presets", "/safe", "/safe-preset", "/use-as-safe"}},
		"sending": {[]string{"Sending: 11 of 24 datagrams", "writing output 3", "5.17 ms", "✓ same", "c-0008", "4 values read back, all as wanted", "sending 11 of 24"},
			[]string{"/safe"}},
		"measuring": {[]string{"being measured", "measuring: listening to everything", "Stay clear", "4 values read back, all as wanted"},
			[]string{"/safe"}},
		"held": {[]string{"rolls itself back at " + keepBy, "✓ Proven", "37.4 dB below the front", "−39.90 to −35.60", "limit −24.00 dB", "0.60 to ∞", "Keep", "Output 3 alone (centre front) to come ✓", "3 claims proven", "bars: 99 % interval"},
			[]string{"/keep", "/roll-back", "/safe"}},
		"kept": {[]string{"stays there", "change c-0008 stays on the processor", "✓ Proven"},
			[]string{"/dry-run", "/dry-run-preset", "/presets", "/safe", "/safe-preset", "/use-as-safe"}},
		"rolled back": {[]string{"Rolled back to what stood before, read back to make sure. The null was refuted. Next: Find the reason in the verdict", "✗ Refuted at " + keepBy + ", no longer on the processor", "only 6.2 dB below", "✗ differs", "Read back after the roll back", "1 of 4 values read back differ", "2 claims proven"},
			[]string{"/dry-run", "/dry-run-preset", "/presets", "/safe", "/safe-preset", "/use-as-safe"}},
		"adrift": {[]string{"Nobody can tell what outputs 1 and 3 hold", "No reply to 4 queries", "Turn the amplifiers of outputs 1 and 3 down by hand, then return to the safe preset as soon as the processor answers.", "✗ not connected", "stopped answering in the middle"},
			[]string{"/dry-run", "/dry-run-preset", "/presets", "/safe", "/safe-preset", "/use-as-safe"}},
	}
	states := desktest.States()
	if len(cases) != len(states) {
		t.Fatalf("%d states, %d checked", len(states), len(cases))
	}
	for name, want := range cases {
		all := checkPage(t, name, pageOf(t, desktest.View(states[name])))
		said := saidOn(all)
		if n := strings.Count(said, headline(desk.Flatten(states[name]))); n != len(All()) {
			t.Errorf("%s: the headline stands there %d times on %d pages", name, n, len(All()))
		}
		for _, w := range append(want.says, strings.ToLower(name), "local codes and licensed practice come first", "plain-eight at 127.0.0.1:9000", "Output 3 was silent") {
			if !strings.Contains(said, w) {
				t.Errorf("%s: the page does not say %q", name, w)
			}
		}
		if got := actions(all); !slices.Equal(got, want.actions) {
			t.Errorf("%s: one can press %q, want %q", name, got, want.actions)
		}
		for _, e := range all {
			if e.attr["id"] == "safe-button" {
				if _, off := e.attr["disabled"]; off || e.text != "Roll back to the safe preset" {
					t.Errorf("%s: the way back is %q, %v", name, e.text, e.attr)
				}
			}
			if e.name == "input" && e.attr["name"] == "digest" && e.attr["value"] != digest || e.name == "input" && e.attr["name"] == "change" && e.attr["value"] != "c-0008" {
				t.Errorf("%s: the page would press for %q", name, e.attr["value"])
			}
		}
	}
}

func TestWithoutASafePresetThereIsNoConfirm(t *testing.T) {
	v := desktest.View(control.Drafted{DryRun: desktest.DryRun()})
	v.Safe = nil
	all := checkPage(t, "no safe preset", pageOf(t, v))
	if slices.Contains(actions(all), "/confirm") {
		t.Error("one can confirm without a safe preset")
	}
	if said := saidOn(all); !strings.Contains(said, "No safe preset is stored. Nothing is sent before there is one.") || !strings.Contains(said, "Store a safe preset") {
		t.Error("the page does not say what is missing")
	}
}

func TestKeepingWhatIsNotProvenSaysSo(t *testing.T) {
	for outcome, want := range map[verify.Outcome]string{verify.Refuted: "Keep all the same: refuted", verify.Undecided: "Keep all the same: undecided"} {
		v := desktest.View(desktest.States()["held"])
		v.Verdict = desktest.Verdict(outcome)
		if said := saidOn(checkPage(t, string(outcome), pageOf(t, v))); !strings.Contains(said, want) {
			t.Errorf("%s: the button does not say %q", outcome, want)
		}
	}
	v := desktest.View(desktest.States()["held"])
	v.Verdict = nil
	if said := saidOn(checkPage(t, "none", pageOf(t, v))); !strings.Contains(said, "Keep without a verdict") {
		t.Error("no verdict: the button does not say so")
	}
}

func TestDryRunThatChangesNothing(t *testing.T) {
	d := desktest.DryRun()
	d.Before = d.After
	d.Turns = desktest.Turns(d.Before, d.After)
	said := saidOn(checkPage(t, "no change", pageOf(t, desktest.View(control.Drafted{DryRun: d}))))
	if !strings.Contains(said, "No setting changes") || strings.Contains(said, "This will change") {
		t.Error("a dry run that changes nothing reads as if it did")
	}
}

func TestOutputThatCouldNotBeReadBefore(t *testing.T) {
	d := desktest.DryRun()
	d.Before = d.Before[1:]
	d.Turns = desktest.Turns(d.Before, d.After)
	said := saidOn(checkPage(t, "unread", pageOf(t, desktest.View(control.Drafted{DryRun: d}))))
	if !strings.Contains(said, "rear: delay unknown → 0.00 ms") {
		t.Error("an output that was not read is shown as if it had been at zero")
	}
}

func TestNothingOfAViewIsNeeded(t *testing.T) {
	checkPage(t, "zero view", pageOf(t, desk.View{}))
	for name, state := range desktest.States() {
		checkPage(t, "bare "+name, pageOf(t, desk.View{State: state}))
	}
	odd := desktest.View(control.Held{})
	odd.Prediction.Front.P = odd.Prediction.Front.P[:3]
	odd.Prediction.Summary = engine.Summary{NullHz: math.Inf(1), NullDepthDB: math.Inf(-1)}
	odd.Captures[0].Function.Sigma = nil
	odd.Captures[1].Function.H = nil
	odd.Verdict.Claims = nil
	checkPage(t, "odd numbers", pageOf(t, odd))
}

// Names come from files and from a processor. None may become markup.
func TestHostileNamesStayText(t *testing.T) {
	const evil = `"><script>alert(1)</script><b x='`
	for name, state := range desktest.States() {
		v := desktest.View(state)
		v.Site.Job, v.Processor, v.Notice, v.Doing = evil, evil, evil, evil
		v.Site.Outputs = slices.Clone(v.Site.Outputs)
		for i := range v.Site.Outputs {
			v.Site.Outputs[i].Label = evil
			v.Site.Sources[i].Name, v.Site.Sources[i].Row = evil, evil
		}
		for i := range v.Site.Microphones {
			v.Site.Microphones[i].Name, v.Site.Zones[i].Name, v.Site.Zones[i].Kind = evil, evil, evil
			v.Feeds[i].Microphone, v.Feeds[i].Role = evil, evil
		}
		v.Safe, v.Presets = &preset.Preset{Name: evil, Settings: desktest.AsFound()}, []preset.Preset{{Name: evil + "2", Settings: desktest.AsFound()}}
		v.Strange, v.Restores = []control.Strange{{Output: 1, Before: evil, Now: evil}}, evil
		v.Journal = []preset.Entry{{Event: evil, Detail: evil, Change: evil}}
		if v.Verdict != nil {
			v.Verdict.Outcome, v.Verdict.Claims[0] = evil, verify.Claim{Name: evil, Outcome: evil, Unit: evil, Sentence: evil}
		}
		switch st := state.(type) {
		case control.Drafted:
			st.DryRun.Steps = slices.Clone(st.DryRun.Steps)
			st.DryRun.Digest, st.DryRun.Steps[0].Words, st.DryRun.Steps[0].Message.Address = evil, evil, evil
			st.DryRun.Turns[0].Before, st.DryRun.Turns[1].After = evil, evil
			st.DryRun.Steps[0].Message.Args = []any{evil, []byte(evil), nil, 1.5}
			v.State = st
		case control.RolledBack:
			st.Change, st.To, st.Reason, st.Readings = evil, evil, evil, []control.Reading{{Wanted: evil, Got: evil}}
			v.State = st
		case control.Adrift:
			st.Change, st.Reason = evil, evil
			v.State = st
		}
		written := pageOf(t, v)
		checkPage(t, "hostile "+name, written)
		page := strings.Join(slices.Collect(maps.Values(written)), "")
		if strings.Contains(page, "<script>") || strings.Contains(page, "<b x=") {
			t.Errorf("%s: a name became markup", name)
		}
		if !strings.Contains(html.UnescapeString(page), evil) {
			t.Errorf("%s: the name is not shown at all", name)
		}
	}
}

func TestJournalIsBounded(t *testing.T) {
	v := desktest.View(control.Idle{})
	v.Journal = nil
	for i := range 1000 {
		v.Journal = append(v.Journal, preset.Entry{Seq: uint64(1000 - i), Event: "read back", Detail: fmt.Sprintf("line number %d.", 1000-i)})
	}
	said := saidOn(checkPage(t, "long journal", pageOf(t, v)))
	if !strings.Contains(said, "Line number 1000.") || strings.Contains(said, "Line number 960.") || !strings.Contains(said, "960 older lines") {
		t.Error("want the 40 newest lines and the count of the others")
	}
}

func TestLongJournalDetailIsFolded(t *testing.T) {
	v := desktest.View(control.Idle{})
	long := "proven: " + strings.Repeat("the rear stands at -41.5 dB; ", 40)
	v.Journal = []preset.Entry{{Seq: 7, Event: "held", Detail: long}, {Seq: 6, Event: "sending", Detail: "short"}}
	for _, e := range checkPage(t, "journal", pageOf(t, v)) {
		if e.attr["id"] == "d-journal-6" {
			t.Error("a short line is folded")
		}
		if e.attr["id"] != "d-journal-7" {
			continue
		}
		if !strings.HasPrefix(e.text, "Proven: the rear stands at −41.5 dB;") || !strings.Contains(e.text, "…Proven: the rear") {
			t.Errorf("the folded line reads %q", e.text)
		}
		return
	}
	t.Error("a long line is not folded")
}

// The first load is what one bar of network must carry; the figure is that of
// the project's plan for the page, 150 kB.
func TestFirstLoadIsSmall(t *testing.T) {
	for name, state := range desktest.States() {
		for page, written := range pageOf(t, desktest.View(state)) {
			size := len(written)
			for _, file := range []string{"web/style.css", "web/live.js"} {
				b, err := web.ReadFile(file)
				if err != nil {
					t.Fatal(err)
				}
				size += len(b)
			}
			if size > 150_000 {
				t.Errorf("%s, %s: %d bytes, want at most 150000", name, page, size)
			}
		}
	}
}

func TestPairingPage(t *testing.T) {
	var b strings.Builder
	if err := New().WritePairing(&b, ""); err != nil {
		t.Fatal(err)
	}
	if got := actions(checkOne(t, "pairing", b.String())); !slices.Equal(got, []string{"/pair"}) {
		t.Errorf("an unpaired visitor can press %q, want /pair alone", got)
	}
}

func TestPictureFollowsTheView(t *testing.T) {
	p, v := New(), desktest.View(control.Idle{})
	_, first, err := p.Paint(v, Seat{})
	if err != nil {
		t.Fatal(err)
	}
	before := maps.Clone(first)
	v.Seq, v.Doing = v.Seq+1, "something new"
	seq, second, err := p.Paint(v, Seat{})
	if err != nil || seq != v.Seq || !strings.Contains(second["now"], "something new") {
		t.Errorf("a new view is not drawn anew: %d, %v", seq, err)
	}
	if !maps.Equal(before, first) {
		t.Error("a picture that was handed out has changed")
	}
}

// One microphone for all places is asked for by name where the series waits for it.
func TestTheMovedMicrophoneIsAskedFor(t *testing.T) {
	v := desktest.View(control.Measuring{Change: "c-0008"})
	v.Feeds = []desk.Feed{{Microphone: "meadow", Connected: true, Moved: true}, {Microphone: "back fence", Connected: true, Moved: true}}
	if got := actions(checkPage(t, "moving", pageOf(t, v))); slices.Contains(got, "/placed") {
		t.Errorf("nobody waits for the microphone, but one can press %q", got)
	}
	v.Placing = "back fence"
	all := checkPage(t, "placing", pageOf(t, v))
	for _, want := range []string{"Carry the microphone to back fence.", "wear hearing protection", "It stands at back fence", "✓ connected, one microphone for all places"} {
		if !strings.Contains(saidOn(all), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if !slices.ContainsFunc(all, func(e element) bool { return e.attr["name"] == "microphone" && e.attr["value"] == "back fence" }) || !slices.Contains(actions(all), "/placed") {
		t.Error("the press does not name the place")
	}
}

// A correction can be taken up, and given up again, when nothing is under way.
func TestACorrectionIsOffered(t *testing.T) {
	v := desktest.View(desktest.States()["rolled back"])
	if got := actions(checkPage(t, "none", pageOf(t, v))); slices.Contains(got, "/correct") || slices.Contains(got, "/as-designed") {
		t.Errorf("there is no correction, but one can press %q", got)
	}
	v.Diagnosis = &diagnose.Diagnosis{Causes: []diagnose.Cause{
		{Sentence: "output 3 plays with its polarity reversed", Evidence: "rear microphone, output 3 alone: 178° from prediction", Probability: 0.9991},
		{Sentence: "output 1 is late", Probability: 0.06}, {Sentence: "the air is cold", Probability: 0.049},
	}}
	v.Correction = &correct.Correction{
		Sheet: desktest.Sheet(), Prediction: desktest.Prediction(), Unheard: []int{4},
		Moves: []correct.Move{{Sentence: "moving what output 1 (rear) feeds 0.3 m away from the audience would do 2.0 dB better over the range than any delay"}},
	}
	all := checkPage(t, "correction", pageOf(t, v))
	for _, want := range []string{"What may be wrong over 99 % Output 3 plays with its polarity reversed. Rear microphone, output 3 alone: 178° from prediction. 6 % Output 1 is late.", "Correction With other settings this rig, as it was measured, would be quietest behind at 47.1 Hz", "Too faint to be corrected: output 4.", "Moving what output 1 (rear) feeds", "Take a dry run of the correction", "Solved settings"} {
		if !strings.Contains(saidOn(all), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	v.Corrected = true
	said, presses := saidOn(checkPage(t, "corrected", pageOf(t, v))), actions(checkPage(t, "corrected", pageOf(t, v)))
	if !strings.Contains(said, "Corrected settings") || strings.Contains(said, "Solved settings") || !slices.Contains(presses, "/as-designed") || !slices.Contains(presses, "/correct") {
		t.Errorf("corrected: one can press %q", presses)
	}
	for _, want := range []string{"not known of a correction: it goes by the microphones alone", "What errors do to it cannot be told beforehand: measure it."} {
		if !strings.Contains(said, want) {
			t.Errorf("corrected: the page does not say %q:\n%s", want, said)
		}
	}
	v.State = desktest.States()["measuring"]
	if got := actions(checkPage(t, "measuring", pageOf(t, v))); !slices.Equal(got, []string{"/safe"}) {
		t.Errorf("while it is measured one can press %q", got)
	}
}

// A program that measures by itself has no level to show, and its trouble is told.
func TestAProgramThatMeasuresByItself(t *testing.T) {
	v := desktest.View(control.Idle{})
	v.Feeds = []desk.Feed{{Microphone: "back fence", Connected: true, Functions: true, LevelDB: math.NaN(), Trouble: "phase at /deg: nothing stands there"}}
	if h := hearings(v)[1]; h.Meter != 0 {
		t.Errorf("its meter stands at %g", h.Meter)
	}
	said := saidOn(checkPage(t, "source", pageOf(t, v)))
	for _, want := range []string{"✓ connected, sends what it measures by itself", "Phase at /deg: nothing stands there."} {
		if !strings.Contains(said, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

func TestClocksAreLocal(t *testing.T) {
	at := time.Date(2026, 1, 2, 3, 4, 5, 0, time.Local)
	if clock(at.UTC()) != "03:04:05" || day(at.UTC()) != "2 Jan 2026 03:04:05" {
		t.Errorf("got %s and %s", clock(at.UTC()), day(at.UTC()))
	}
}
