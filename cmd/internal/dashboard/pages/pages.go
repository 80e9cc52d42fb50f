// Package pages turns a desk.View into the pages that a phone shows: the words, the
// pictures' data and the HTML. Nothing in it changes anything.
package pages

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"maps"
	"slices"
	"sync"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/control/preset"
	"hushback/engine"
)

// journalShown is how much of the journal the page carries; the rest is on disk.
const (
	journalShown = 40  // entries
	detailShown  = 140 // letters of an entry before it is folded
)

// Page is one of the pages: what it is called and the parts of it that follow the
// daemon, each an element with that id and a template of that name.
type Page struct {
	Name  string // the last part of its address, and what the way to it is called
	Title string
	parts []string
	Own   template.HTML // see With
}

// All lists the pages in the order of the work. Each shows the common parts too.
func All() []Page {
	return []Page{
		{Name: "design", Title: "Design", parts: []string{"layout"}},
		{Name: "settings", Title: "Settings", parts: []string{"sheet", "foreseen", "dry-run"}},
		{Name: "send", Title: "Send", parts: []string{"send", "decide"}},
		{Name: "measure", Title: "Measure", parts: []string{"feeds", "series"}},
		{Name: "proof", Title: "Proof", parts: []string{"verdict", "decide", "claims", "curves", "causes"}},
		{Name: "log", Title: "Presets and log", parts: []string{"presets", "past", "journal"}},
	}
}

// Find is the page of that name.
func Find(name string) (Page, bool) {
	for _, p := range append(All(), pastPage()) {
		if p.Name == name {
			return p, true
		}
	}
	return Page{}, false
}

// common are the parts that every page has.
func common() []string { return []string{"strip", "now", "elsewhere", "safe-note"} }

// Parts are the ids of all that follows the daemon on a page.
func (p Page) Parts() []string { return slices.Concat([]string{controlsID}, common(), p.parts) }

// picture is a View made ready for the templates.
type picture struct {
	desk.View
	Now       desk.Standing
	Headline  string
	Why       string // the reason behind it, a sentence or ""
	Told      string // the notice, a sentence or ""
	Doing     string // with real minus signs
	Strip     string // what the strip adds to the state's name
	Next      step
	OfferSafe bool // the next step is to store the safe preset
	Rows      []outputRow
	Foretold  *foreseen
	Array     figures.Plan
	Ground    figures.Plan
	Elsewhere []elsewhere
	Changes   []outputChange
	Differ    int // lines of Changes that differ
	Parts     []part
	Datagrams string
	BackTo    string // where going back leads, a sentence
	Blind     string // warns of outputs that cannot be read back, "" if all can
	Read      tally
	Chart     figures.Chart
	Hearing   []hearing
	Series    []taken
	Missing   string // microphones not connected, "" when all are
	Judged    *judged
	Safe      *stored
	AsFound   *stored
	Named     []*stored
	Journal   []journalGroup
	Past      pastList // the newest changes
	Older     int
}

// outputRow is one output of the solved sheet with its label.
type outputRow struct {
	engine.Setting
	Label string
}

// journalGroup is the entries of one change, or of none, that follow each other.
type journalGroup struct {
	Change string
	Lines  []journalLine
}

// journalLine is an entry with its moment said.
type journalLine struct {
	Seq       uint64
	At, Event string
	Detail    string
	Beginning string // of Detail, "" when that is short enough to stand whole
}

func compose(v desk.View) picture {
	p := picture{View: v, Now: desk.Flatten(v.State), Hearing: hearings(v), Elsewhere: elsewheres(v)}
	if slices.Contains([]string{"drafted", "sending", "measuring", "held", "kept"}, p.Now.Name) {
		p.Now.Restores = v.Restores
	}
	if p.Missing = missing(p.Hearing); p.Now.Restores != "" {
		p.Missing = "" // nothing is measured
	}
	p.Now.Running = p.Now.Running || len(v.Broken) > 0 // nothing can be begun
	p.OfferSafe = v.Safe == nil && !p.Now.Running && p.Now.Name != "adrift"
	p.Headline, p.Why, p.Told = headline(p.Now), why(p.Now), told(v.Notice, p.Now)
	p.Doing, p.Strip, p.Next = figures.Minus(v.Doing), stripWords(v.Doing, p.Now, v.Strange), next(v, p.Now, p.Missing)
	for _, set := range v.Sheet.Settings {
		o, _ := v.Site.Output(set.Output)
		p.Rows = append(p.Rows, outputRow{set, o.Label})
	}
	p.Foretold, p.Series = foreseenOf(v), seriesOf(v)
	p.Array, p.Ground = figures.ArrayPlan(v.Site), figures.GroundPlan(v.Site)
	if p.Now.DryRun != nil {
		p.sayDryRun(*p.Now.DryRun)
	}
	p.Read = tallyOf(p.Now)
	var measured *engine.Summary
	if p.Judged = judgedOf(v, p.Now); p.Judged != nil {
		measured = &v.Verdict.Summary
	}
	p.Chart = figures.NewChart(v.Prediction, v.Site.Target, v.Captures, measured)
	p.Safe, p.AsFound = storedOf(v.Safe, !p.Now.Running), storedOf(v.AsFound, !p.Now.Running)
	p.Named = besides(v.Presets, !p.Now.Running)
	for _, s := range append([]*stored{p.AsFound}, p.Named...) {
		s.compare(v.Safe)
	}
	p.Past = pastOf(v, pastShown)
	p.Journal, p.Older = journalGroups(v.Journal[:min(len(v.Journal), journalShown)]), max(0, len(v.Journal)-journalShown)
	return p
}

// sayDryRun puts a dry run into words.
func (p *picture) sayDryRun(d control.DryRun) {
	restores := p.Now.Restores != ""
	p.Changes, p.Parts = changesOf(p.Site, d), partsOf(d, restores)
	p.Datagrams, p.BackTo, p.Blind = datagrams(p.Parts, restores), backWords(d), blindWords(d, restores)
	for _, c := range p.Changes {
		p.Differ += c.Differ
	}
}

// journalGroups names each change once, above its entries.
func journalGroups(entries []preset.Entry) []journalGroup {
	var groups []journalGroup
	for _, e := range entries {
		l := journalLine{Seq: e.Seq, At: day(e.At), Event: figures.Capital(e.Event), Detail: figures.Sentence(e.Detail)}
		if start := figures.Beginning(l.Detail, detailShown); start != l.Detail {
			l.Beginning = start
		}
		if last := len(groups) - 1; last < 0 || groups[last].Change != e.Change {
			groups = append(groups, journalGroup{Change: e.Change})
		}
		g := &groups[len(groups)-1]
		g.Lines = append(g.Lines, l)
	}
	return groups
}

// Painter turns Views into HTML. It keeps the last picture, because every open
// page wants the same one.
type Painter struct {
	templates *template.Template

	mu    sync.Mutex
	seq   uint64
	parts map[string]string // never changed once made
}

// New reads the templates.
func New() *Painter {
	all := template.New("").Funcs(words()).Funcs(template.FuncMap{"file": Address})
	return &Painter{templates: template.Must(all.ParseFS(web, "web/*.html"))}
}

// Paint is the HTML of every part of every page, by id, as one visitor sees it. Its
// number grows with every change.
func (p *Painter) Paint(v desk.View, seat Seat) (seq uint64, parts map[string]string, err error) {
	shared, err := p.paintShared(v)
	if err != nil {
		return 0, nil, err
	}
	parts = maps.Clone(shared)
	parts[controlsID], err = p.paintControls(seat)
	return v.Seq + seat.Controls.Seq, parts, err
}

// paintShared is what is the same for everybody.
func (p *Painter) paintShared(v desk.View) (map[string]string, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.parts != nil && p.seq == v.Seq {
		return p.parts, nil
	}
	pic, made := compose(v), map[string]string{}
	for _, page := range All() {
		for _, id := range slices.Concat(common(), page.parts) {
			if _, done := made[id]; done {
				continue
			}
			var b bytes.Buffer
			if err := p.templates.ExecuteTemplate(&b, id, pic); err != nil {
				return nil, fmt.Errorf("part %q of the page: %w", id, err)
			}
			made[id] = b.String()
		}
	}
	p.seq, p.parts = v.Seq, made
	return made, nil
}

// Write writes a whole page; answer is a refusal to show, or "".
func (p *Painter) Write(w io.Writer, v desk.View, seat Seat, page Page, answer string) error {
	_, made, err := p.Paint(v, seat)
	if err != nil {
		return err
	}
	parts := map[string]template.HTML{}
	for id, html := range made {
		parts[id] = template.HTML(html) // escaped by the part's own template
	}
	return p.templates.ExecuteTemplate(w, "page.html", map[string]any{
		"Job": v.Site.Job, "Broken": v.Broken, "Processor": v.Processor, "Rehearsal": v.Rehearsal, "Parts": parts, "Answer": answer, "Made": clock(time.Now()),
		"Page": page, "Pages": All(),
	})
}

// WritePairing writes the page of a visitor who is not paired yet.
func (p *Painter) WritePairing(w io.Writer, answer string) error {
	return p.templates.ExecuteTemplate(w, "pair.html", answer)
}

// First is the page on which the next step is done.
func First(v desk.View) Page {
	st := desk.Flatten(v.State)
	page, _ := Find(next(v, st, missing(hearings(v))).Page())
	return page
}
