// Package checkup tests whether everything that a job needs can be reached: each
// processor and every value on it, the feeds of the microphones, the state folder
// and the page's port. It asks; it sets nothing.
package checkup

import (
	"context"
	"slices"
	"sync"

	"hushback/cmd/internal/home"
	"hushback/control/processor"
	"hushback/engine"
)

// Rig is what is to be tested.
type Rig struct {
	Site     engine.Site         // checked; its Wirings say where the processors listen
	Profiles []processor.Profile // of the processors, in the order of Site.Wirings
	Home     home.Folder
	Listen   string             // host:port that the daemon's page has or is to have
	Asked    func(done, of int) // told how many questions of how many were put; may be nil
}

// Level is how much a finding matters.
type Level string

// The levels.
const (
	Well    Level = "well"    // as it should be
	Note    Level = "note"    // nothing is wrong, but somebody should know
	Trouble Level = "trouble" // the job cannot be done, or not be proven, like this
)

// Finding is one thing that was found out.
type Finding struct {
	About string `json:"about"` // what was tested
	Level Level  `json:"level"`
	Says  string `json:"says"`
	Do    string `json:"do"` // what to do about it; "" where all is well
}

// Report is everything that was found out.
type Report struct {
	Job        string    `json:"job"`
	Well       bool      `json:"well"` // no finding is a trouble
	Processors []Path    `json:"processors"`
	Findings   []Finding `json:"findings"`
}

// Work tests all of it, the processors side by side. It takes as long as the
// slowest of them, and ends with ctx.
func Work(ctx context.Context, rig Rig) Report {
	wirings := rig.Site.Wirings()
	report := Report{Job: rig.Site.Job, Processors: make([]Path, len(wirings))}
	found := make([][]Finding, len(wirings))
	put := rig.count()
	var all sync.WaitGroup
	for i, w := range wirings {
		all.Go(func() {
			report.Processors[i], found[i] = walk(ctx, w, rig.Profiles[i], rig.Site.On(w.Name), put)
		})
	}
	all.Wait()
	report.Findings = slices.Concat(found...)
	report.Findings = append(report.Findings, rig.own(ctx)...)
	report.Well = !slices.ContainsFunc(report.Findings, func(f Finding) bool { return f.Level == Trouble })
	return report
}

// count makes what the paths tell of their questions: more that are to come, and
// how many were put.
func (rig Rig) count() func(more, put int) {
	var mu sync.Mutex
	done, of := 0, 0
	return func(more, put int) {
		mu.Lock()
		defer mu.Unlock()
		done, of = done+put, of+more
		if rig.Asked != nil {
			rig.Asked(done, of)
		}
	}
}

// book collects what is found out about one thing.
type book struct {
	about string
	found []Finding
}

func (b *book) well(says string)        { b.add(Well, says, "") }
func (b *book) note(says, do string)    { b.add(Note, says, do) }
func (b *book) trouble(says, do string) { b.add(Trouble, says, do) }

func (b *book) add(l Level, says, do string) {
	b.found = append(b.found, Finding{About: b.about, Level: l, Says: says, Do: do})
}
