package dashboard

import (
	"bytes"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"hushback/cmd/internal/dashboard/figures"
	"hushback/engine"
	"hushback/verify"
)

// journalShown is how much of the journal the page carries; the rest is on disk.
const (
	journalShown = 40  // entries
	detailShown  = 140 // letters of an entry before it is folded
)

// sectionIDs are the parts of the page that follow the daemon, each an element
// with this id and a template of this name.
func sectionIDs() []string {
	return []string{"strip", "now", "sheet", "dry-run", "send", "feeds", "curves", "verdict", "presets", "safe-note"}
}

// picture is a View made ready for the templates.
type picture struct {
	View
	Now      standing
	Headline string
	Next     step
	Rows     []outputRow
	Array    figures.Plan
	Ground   figures.Plan
	Changes  []outputChange
	Differ   int // lines of Changes that differ
	Parts    []part
	Chart    figures.Chart
	Hearing  []hearing
	Claims   []claim
	Recent   []journalLine
	Older    int
}

// outputRow is one output of the solved sheet with its label.
type outputRow struct {
	engine.Setting
	Label string
}

// hearing is one microphone of the site with its feed, if it has one.
type hearing struct {
	Feed
	At    engine.Point
	Meter float64 // 0 to 100 for -90 to 0 dB
	Taken []string
}

// claim is a verdict's claim with its numbers said.
type claim struct {
	verify.Claim
	Numbers string
}

// journalLine is an entry with its moment said.
type journalLine struct {
	Seq               uint64
	At, Event, Change string
	Detail            string
	Beginning         string // of Detail, "" when that is short enough to stand whole
}

func compose(v View) picture {
	p := picture{View: v, Now: flatten(v.State)}
	p.Headline, p.Next = headline(p.Now), next(v, p.Now)
	for _, set := range v.Sheet.Settings {
		o, _ := v.Site.Output(set.Output)
		p.Rows = append(p.Rows, outputRow{set, o.Label})
	}
	p.Array, p.Ground = figures.ArrayPlan(v.Site), figures.GroundPlan(v.Site)
	if p.Now.DryRun != nil {
		p.Changes, p.Parts = changesOf(v.Site, *p.Now.DryRun), partsOf(*p.Now.DryRun)
		for _, c := range p.Changes {
			p.Differ += c.Differ
		}
	}
	p.Hearing = hearings(v)
	var measured *engine.Summary
	if v.Verdict != nil {
		measured = &v.Verdict.Summary
		p.Claims = claimsOf(*v.Verdict)
	}
	p.Chart = figures.NewChart(v.Prediction, v.Site.Target, v.Captures, measured)
	for _, e := range v.Journal[:min(len(v.Journal), journalShown)] {
		l := journalLine{Seq: e.Seq, At: day(e.At), Event: e.Event, Change: e.Change, Detail: sentence(e.Detail)}
		if start := beginning(l.Detail, detailShown); start != l.Detail {
			l.Beginning = start
		}
		p.Recent = append(p.Recent, l)
	}
	p.Older = len(v.Journal) - len(p.Recent)
	return p
}

// claimsOf lists a verdict's claims, those that are not proven first.
func claimsOf(v verify.Verdict) []claim {
	var open, proven []claim
	for _, c := range v.Claims {
		if said := (claim{c, claimNumbers(c)}); c.Outcome == verify.Proven {
			proven = append(proven, said)
		} else {
			open = append(open, said)
		}
	}
	return append(open, proven...)
}

// claimNumbers says value, interval and limit.
func claimNumbers(c verify.Claim) string {
	return fmt.Sprintf("%s%s%s; %d%s%% interval %s to %s; limit %s%s%s", figures.Number(c.Value, 2), figures.Space, c.Unit, verify.ConfidencePercent, figures.Space,
		figures.Number(c.Low, 2), figures.Number(c.High, 2), figures.Number(c.Limit, 2), figures.Space, c.Unit)
}

// hearings lists every microphone of the site, connected or not, with what was
// captured through it for the current change.
func hearings(v View) []hearing {
	var out []hearing
	for _, m := range v.Site.Microphones {
		h := hearing{Feed: Feed{Microphone: m.Name, Role: m.Role}, At: m.At}
		for _, f := range v.Feeds {
			if f.Microphone == m.Name {
				h.Feed = f
			}
		}
		if h.Connected {
			h.Meter = max(0, min(100, (h.LevelDB+90)/0.9))
		}
		for _, c := range v.Captures {
			if c.Microphone == m.Name && c.Solo == verify.Everything {
				h.Taken = append(h.Taken, "everything")
			} else if c.Microphone == m.Name {
				h.Taken = append(h.Taken, fmt.Sprintf("output %d alone", c.Solo))
			}
		}
		out = append(out, h)
	}
	return out
}

// painter turns a View into HTML. It keeps the last picture, because every
// open page wants the same one.
type painter struct {
	templates *template.Template

	mu       sync.Mutex
	seq      uint64
	sections map[string]string // never changed once made
}

// paint is the HTML of every section of a view, by id.
func (p *painter) paint(v View) (seq uint64, sections map[string]string, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.sections != nil && p.seq == v.Seq {
		return p.seq, p.sections, nil
	}
	pic, made := compose(v), map[string]string{}
	for _, id := range sectionIDs() {
		var b bytes.Buffer
		if err := p.templates.ExecuteTemplate(&b, id, pic); err != nil {
			return 0, nil, fmt.Errorf("section %q of the page: %w", id, err)
		}
		made[id] = b.String()
	}
	p.seq, p.sections = v.Seq, made
	return p.seq, made, nil
}

// writePage answers with the whole page; answer is a refusal to show, or "".
func (s *Server) writePage(w http.ResponseWriter, status int, answer string) {
	v := s.desk.View()
	_, sections, err := s.painter.paint(v)
	if err != nil {
		slog.Error("page", "err", err)
		http.Error(w, "the page could not be drawn", http.StatusInternalServerError)
		return
	}
	parts := map[string]template.HTML{}
	for id, html := range sections {
		parts[id] = template.HTML(html) // escaped by the section's own template
	}
	s.writeTemplate(w, status, "page.html", map[string]any{
		"Job": v.Site.Job, "Processor": v.Processor, "Parts": parts, "Answer": answer, "Made": clock(time.Now()),
	})
}

func (s *Server) writePairing(w http.ResponseWriter, status int, answer string) {
	s.writeTemplate(w, status, "pair.html", answer)
}

func (s *Server) writeTemplate(w http.ResponseWriter, status int, name string, data any) {
	var b bytes.Buffer
	if err := s.painter.templates.ExecuteTemplate(&b, name, data); err != nil {
		slog.Error("page", "err", err)
		http.Error(w, "the page could not be drawn", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	b.WriteTo(w) // an asker who has gone needs no answer
}
