//go:build soak

package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/emulated"
	"hushback/cmd/internal/home"
	"hushback/control"
	"hushback/control/preset"
	"hushback/engine"
)

// stored are presets that the operator goes about between.
func (s *soak) stored() []preset.Preset {
	var all []preset.Preset
	for i, name := range []string{"quiet", "wide", "narrow"} {
		p := preset.Preset{Name: name, Taken: time.Unix(1_700_000_000, 0).UTC()}
		for _, o := range s.site.Outputs {
			p.Settings = append(p.Settings, engine.Setting{
				Output: o.Number, DelaySec: 1e-3 * float64(i*o.Number), Polarity: 1 - 2*((i+o.Number)%2), GainDB: float64(-20 + 3*i - o.Number), Muted: i == 0 && o.Number == 4,
			})
		}
		all = append(all, p)
	}
	return all
}

// storePresets leaves them in the state folder, before the daemon starts.
func (s *soak) storePresets() {
	s.t.Helper()
	folder := home.Folder{Dir: s.state}
	must(s.t, folder.Prepare())
	store, err := preset.Open(folder.Store())
	must(s.t, err)
	for _, p := range s.stored() {
		must(s.t, store.Put(p))
	}
	must(s.t, store.Close())
}

// operator sends one change after the other from a phone.
type operator struct {
	*soak
	phone  *soakPhone
	counts map[string]int   // of what came of it
	home   []engine.Setting // the safe preset
	left   string           // what was written, in words
}

func (o *operator) count(what string) { o.counts[what]++ }

func (o *operator) tally() string {
	var all []string
	for _, what := range slices.Sorted(maps.Keys(o.counts)) {
		all = append(all, fmt.Sprintf("%d × %s", o.counts[what], what))
	}
	return strings.Join(all, "\n    ")
}

// must presses what has to be taken.
func (o *operator) must(path string, form url.Values) {
	o.t.Helper()
	if status, said := o.phone.press(path, form); status != http.StatusNoContent {
		o.t.Errorf("%s %v: %d %s", path, form, status, said)
	}
}

// mustNot presses what has to be refused.
func (o *operator) mustNot(by *soakPhone, path string, form url.Values, want int) {
	o.t.Helper()
	if status, said := by.press(path, form); status != want {
		o.t.Errorf("%s %v: %d %s, want %d", path, form, status, said, want)
	}
	o.count("press refused, as it must be")
}

// work makes a change every few seconds until ctx ends. The last one is always the
// safe preset, in calm.
func (o *operator) work(ctx context.Context) {
	o.home = o.holds()
	o.must("/safe-preset", nil)
	for n := 0; ctx.Err() == nil && !o.t.Failed(); n++ {
		next := time.Now().Add(changeEvery)
		o.one(n)
		select {
		case <-ctx.Done():
		case <-time.After(time.Until(next)):
		}
	}
	o.network.Set(emulated.Faults{})
	o.safe(o.phone)
}

// one is one change, of the kinds in turn.
func (o *operator) one(n int) {
	presets := o.stored()
	p := presets[n%len(presets)]
	switch {
	case n%24 == 5:
		o.measured()
	case n%8 == 7:
		o.knob(n)
	case n%6 == 4:
		o.safe(o.phone)
	case n%6 == 2: // another phone goes to safe in the middle of it
		if o.confirm("/dry-run-preset", url.Values{"name": {p.Name}}) {
			o.safe(o.crowd.phones[1+n%(soakPhones-1)])
		}
	case n%5 == 3:
		o.restore(p, "/roll-back")
	default:
		o.restore(p, "/keep")
	}
	if n%10 == 9 {
		o.mustNot(o.crowd.phones[5], "/dry-run", nil, http.StatusForbidden)
		o.mustNot(o.phone, "/dry-run-preset", url.Values{"name": {"nobody stored this"}}, http.StatusConflict)
		o.mustNot(o.phone, "/confirm", url.Values{"digest": {strings.Repeat("ab", 32)}}, http.StatusConflict)
	}
	if n%30 == 11 { // the controls go about and come back
		for _, by := range []*soakPhone{o.crowd.phones[2], o.phone} {
			if status, said := by.press("/take-over", nil); status != http.StatusNoContent {
				o.t.Errorf("take over: %d %s", status, said)
			}
		}
	}
}

// confirm takes a dry run and confirms it.
func (o *operator) confirm(path string, form url.Values) bool {
	if status, said := o.phone.press(path, form); status != http.StatusNoContent {
		o.count("no dry run: " + short(said))
		return false
	}
	r := o.p.state()
	if status, said := o.phone.press("/confirm", url.Values{"digest": {r.Digest}}); status != http.StatusNoContent {
		o.count("not confirmed: " + short(said))
		return false
	}
	return true
}

// short is the reason without what differs from time to time.
func short(said string) string {
	said = regexp.MustCompile(`[0-9]+(\.[0-9]+)?`).ReplaceAllString(said, "#")
	return said[:min(len(said), 110)]
}

// rests is that nothing is under way.
func rests(r desk.Report) bool { return r.Doing == "" }

// ended waits for the end of what is under way and says how it ended.
func (o *operator) ended(what string) desk.Report {
	o.t.Helper()
	r := o.p.until(rests)
	said := what + ": " + r.State
	if r.State == "rolled back" {
		said += " to " + r.To
	}
	if r.State == "adrift" || r.State == "rolled back" {
		said += " (" + short(r.Reason) + ")"
	}
	o.count(said)
	if r.State == "adrift" {
		o.safe(o.phone)
	}
	return r
}

// restore sends a preset and decides on it.
func (o *operator) restore(p preset.Preset, decision string) {
	o.t.Helper()
	before := o.holds()
	if !o.confirm("/dry-run-preset", url.Values{"name": {p.Name}}) {
		return
	}
	r := o.p.until(func(r desk.Report) bool { return r.State == "held" || rests(r) })
	if r.State == "held" {
		o.must(decision, url.Values{"change": {r.Change}})
	}
	switch r = o.ended("preset, " + strings.TrimPrefix(decision, "/")); r.State {
	case "kept":
		o.mustHold(r, p.Settings)
	case "rolled back":
		o.mustHold(r, before)
	}
}

// measured sends what the site is designed to, which is proven first.
func (o *operator) measured() {
	o.t.Helper()
	if !o.confirm("/dry-run", nil) {
		return
	}
	r := o.p.until(func(r desk.Report) bool { return r.State == "held" || rests(r) })
	if r.State == "held" {
		o.must("/keep", url.Values{"change": {r.Change}})
	}
	if r = o.ended("measured"); r.Verdict != nil {
		o.count("verdict " + r.Verdict.Outcome)
	}
}

// knob has somebody turn a knob at the processor, which is seen and dealt with.
func (o *operator) knob(n int) {
	o.t.Helper()
	before := o.holds()
	set := before[n%len(before)]
	set.GainDB -= 1.5
	o.rig.Processor.Set(set)
	for end := time.Now().Add(patience); len(o.p.state().Elsewhere) == 0; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			o.t.Errorf("nobody sees the knob that was turned to %+v; the processor holds\n%+v, before it was\n%+v", set, o.holds(), before)
			return
		}
	}
	if n%16 == 7 {
		o.must("/accept", nil)
		o.p.until(func(r desk.Report) bool { return len(r.Elsewhere) == 0 })
		o.count("a knob turned: accepted")
		return
	}
	if !o.confirm("/put-back", nil) {
		return
	}
	r := o.p.until(func(r desk.Report) bool { return r.State == "held" || rests(r) })
	if r.State == "held" {
		o.must("/keep", url.Values{"change": {r.Change}})
	}
	if r = o.ended("a knob turned, put back"); r.State == "kept" {
		o.mustHold(r, before)
	}
}

// safe goes to the safe preset, from any phone, as often as it takes.
func (o *operator) safe(by *soakPhone) {
	o.t.Helper()
	for end := time.Now().Add(patience); ; {
		if status, said := by.press("/safe", nil); status != http.StatusNoContent {
			o.t.Errorf("safe: %d %s", status, said)
		}
		r := o.p.until(rests)
		o.count("to safe: " + r.State)
		if r.State == "rolled back" && r.To == control.ToSafe {
			o.mustHold(r, o.home)
			return
		}
		if time.Now().After(end) {
			o.t.Errorf("the safe preset cannot be reached: %+v", r)
			return
		}
	}
}

// holds is what the site's outputs hold.
func (o *operator) holds() []engine.Setting { return o.rig.Settings() }

// mustHold fails unless the processor holds these settings. The network may still
// carry what it replays for a moment.
func (o *operator) mustHold(r desk.Report, want []engine.Setting) {
	o.t.Helper()
	for end := time.Now().Add(time.Second); !alike(o.holds(), want); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			o.t.Errorf("change %s: %s, but the processor holds\n%+v, want\n%+v", r.Change, r.State, o.holds(), want)
			return
		}
	}
}

// judgeJournal reads what the daemon left behind: every change began and has exactly
// one end, its dossier tells the same, presets are what they were, and the processor
// holds what the last change says.
func (o *operator) judgeJournal() {
	o.t.Helper()
	folder := home.Folder{Dir: o.state}
	store, err := preset.Open(folder.Store())
	must(o.t, err)
	defer store.Close()
	entries, err := store.Journal(math.MaxInt)
	must(o.t, err)
	slices.Reverse(entries)
	ends := o.judgeChanges(entries)
	if _, open, err := store.OpenChange(); err != nil || open {
		o.t.Errorf("a change is still open (%v)", err)
	}
	for _, want := range o.stored() {
		if got, found, err := store.Get(want.Name); err != nil || !found || got.ID() != want.ID() {
			o.t.Errorf("the preset %q is another one (%v, %v)", want.Name, found, err)
		}
	}
	known, err := store.Known()
	if must(o.t, err); !alike(o.holds(), known) {
		o.t.Errorf("the processor holds\n%+v, the journal says\n%+v", o.holds(), known)
	}
	dossiers, err := dossier.List(folder.Changes())
	must(o.t, err)
	for _, d := range dossiers {
		if ends[d.Change] != d.How {
			o.t.Errorf("change %s is %q in the journal and %q in its dossier", d.Change, ends[d.Change], d.How)
		}
	}
	o.left = fmt.Sprintf("%d lines of %d changes, each with one end; %d dossiers that agree", len(entries), len(ends), len(dossiers))
	o.mustHaveDossiers(entries, dossiers)
}

// judgeChanges is how each change of a journal, oldest line first, ended.
func (o *operator) judgeChanges(entries []preset.Entry) map[string]string {
	o.t.Helper()
	ends := map[string]string{}
	for _, e := range entries {
		if e.Change == "" || e.Event == "pressed" {
			continue
		}
		end, begun := ends[e.Change]
		switch {
		case !begun && e.Event != "sending" && e.Event != "rolling back":
			o.t.Errorf("change %s begins with %q", e.Change, e.Event)
		case end != "" && end != dossier.Adrift:
			o.t.Errorf("change %s had ended %q, then comes %q", e.Change, end, e.Event)
		}
		if ends[e.Change] = ""; slices.Contains([]string{dossier.Kept, dossier.RolledBack, dossier.Adrift}, e.Event) {
			ends[e.Change] = e.Event
		}
	}
	for change, end := range ends {
		if end != dossier.Kept && end != dossier.RolledBack {
			o.t.Errorf("change %s ended %q", change, end)
		}
	}
	return ends
}

// mustHaveDossiers fails unless there is one of each change that was confirmed, as far
// back as they are kept.
func (o *operator) mustHaveDossiers(entries []preset.Entry, dossiers []dossier.Entry) {
	o.t.Helper()
	sent := 0
	for _, e := range entries {
		if e.Event != "sending" {
			continue
		}
		if sent++; !slices.ContainsFunc(dossiers, func(d dossier.Entry) bool { return d.Change == e.Change }) && len(dossiers) < 200 {
			o.t.Errorf("change %s has no dossier", e.Change)
		}
	}
	if sent == 0 {
		o.t.Error("nothing was ever sent")
	}
}
