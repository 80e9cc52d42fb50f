package pages

import (
	"bytes"
	"fmt"
	"html/template"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/figures"
	"hushback/engine"
	"hushback/verify"
)

// pastShown is how many of the newest changes the log lists at first.
const pastShown = 20

// pastPage shows one change that is over. Nothing leads to it but the log.
func pastPage() Page { return Page{Name: "past", Title: "A past change"} }

// pastChange is one line of the list of changes.
type pastChange struct {
	dossier.Entry
	Ending  string // how it ended
	Mark    string // of its verdict
	Verdict string // in a word or two
}

// pastList is what is told of changes, the newest first.
type pastList struct {
	Changes []pastChange
	Older   int // that are not told of
}

// pastOf tells of the newest changes of a view.
func pastOf(v desk.View, most int) pastList {
	shown, now := min(len(v.Past), most), desk.Flatten(v.State)
	list := pastList{Older: len(v.Past) - shown}
	for _, e := range v.Past[:shown] {
		c := pastChange{Entry: e, Ending: desk.Ending(e), Mark: figures.OutcomeMark(e.Outcome), Verdict: string(e.Outcome)}
		if e.How == "" && now.Running && now.Change == e.Change {
			c.Ending = "under way"
		}
		if e.Outcome == "" {
			c.Mark, c.Verdict = "–", "no verdict"
		}
		list.Changes = append(list.Changes, c)
	}
	return list
}

// past is a picture of a change that is over, and what its dossier adds.
type past struct {
	picture
	Dossier dossier.Dossier
	Ending  string
	Why     string // a sentence or ""
	Sent    []sentSetting
	Differ  int // of Sent
}

// sentSetting is what a change did to one output.
type sentSetting struct {
	Output               int
	Label, Before, After string
	Same                 bool
}

// composePast makes a dossier ready for the templates that show what is present.
func composePast(d dossier.Dossier) past {
	p := past{picture: compose(desk.Then(d)), Dossier: d, Ending: desk.Ending(d.Entry), Why: figures.Sentence(figures.Minus(d.Reason))}
	p.Now.Running = true // so that nothing of it can be pressed
	if p.Judged != nil {
		p.Judged.Past = true
		p.Judged.Said, p.Judged.Meaning = saidThen(d)
	}
	for _, after := range d.Sheet.Settings {
		o, _ := d.Site.Output(after.Output)
		s := sentSetting{Output: after.Output, Label: o.Label, Before: "not known", After: settingWords(&after)}
		if before, known := (engine.Sheet{Settings: d.Before}).Setting(after.Output); known {
			s.Before = settingWords(&before)
		}
		if s.Same = s.Before == s.After; !s.Same {
			p.Differ++
		}
		p.Sent = append(p.Sent, s)
	}
	return p
}

// saidThen is a verdict as it counted then.
func saidThen(d dossier.Dossier) (said, meaning string) {
	said, _ = figures.OutcomeWords(d.Verdict.Outcome)
	for _, c := range d.Captures {
		return said + " then", "As measured from " + day(c.Taken) + " on."
	}
	return said + " then", "This is what was measured then."
}

// Measured reports whether there is anything to draw.
func (p past) Measured() bool { return len(p.Dossier.Captures) > 0 }

// Unjudged says why there is no verdict.
func (p past) Unjudged() string { return desk.Unjudged(p.Dossier) }

// Silent reports whether there is nothing that could have a cause.
func (p past) Silent() bool {
	return p.Diagnosis == nil && p.Correction == nil && (p.Judged == nil || p.Judged.Outcome == verify.Proven)
}

// Past is the page of a change that is over, as its dossier has it.
func (p *Painter) Past(d dossier.Dossier) (Page, error) {
	return p.own(pastPage(), "then", composePast(d))
}

// AllPast is the page that lists every change of which something is kept.
func (p *Painter) AllPast(v desk.View) (Page, error) {
	page := pastPage()
	page.Title = "Past changes"
	return p.own(page, "past-changes", pastOf(v, len(v.Past)))
}

// own draws what a page alone has.
func (p *Painter) own(page Page, part string, of any) (Page, error) {
	var b bytes.Buffer
	if err := p.templates.ExecuteTemplate(&b, part, of); err != nil {
		return page, fmt.Errorf("%s: %w", page.Title, err)
	}
	page.Own = template.HTML(b.String()) // escaped by its template
	return page, nil
}
