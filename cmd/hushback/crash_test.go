package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/rehearsal"
	"hushback/control/preset"
	"hushback/engine"
)

const (
	crashSeed  = 616
	crashLanes = 3 // rigs at a time, so that two cores keep up with the audio
)

// crash is one daemon process that is killed (SIGKILL) in one change.
type crash struct {
	t     *testing.T
	rig   *rehearsal.Rig
	state string // folder

	journal string        // killed when the store's file shows this
	write   int           // or after so many writes of the change; 0 is never
	after   time.Duration // or so long after the confirm; 0 is never
	press   string        // what is pressed once it is held: /keep or /roll-back; or /safe while measuring
	stuck   int           // this output takes nothing any more from stuckAt on; 0 is none
	stuckAt int
	again   int // the next daemon is killed too, after so many writes of its way back; 0 is not

	found, sheet []engine.Setting // sheet: as seen while it was held
}

// steps are the journal entries of a change, by what the store's file shows of
// each, in their order.
func steps(press string) []string {
	steps := []string{`"as found stored"`, `"sending"`, `"read back"`, "the outputs are measured"}
	for output := 1; output <= 4; output++ {
		steps = append(steps, fmt.Sprintf("output %d alone", output))
	}
	steps = append(steps, "all together", `"held"`)
	if press == "/keep" {
		return append(steps, `"kept"`)
	}
	return append(steps, `"rolling back"`, `"rolled back"`)
}

// TestCrashAtEveryJournalStep kills the daemon as soon as its store's file holds
// an entry, for every entry that a change writes until it is kept or rolled back:
// nothing in the program knows of this test. What the journal then says and what
// the processor holds after a restart must be the same.
func TestCrashAtEveryJournalStep(t *testing.T) {
	t.Parallel()
	plans := []crash{}
	for _, step := range steps("/keep") {
		plans = append(plans, crash{journal: step, press: "/keep"})
	}
	for _, step := range steps("/roll-back")[len(steps("/keep"))-1:] {
		plans = append(plans, crash{journal: step, press: "/roll-back"})
	}
	plans = append(plans, crash{journal: `"rolling back"`, press: "/safe"})
	// An output that takes nothing any more once it was given what is new.
	plans = append(plans, crash{journal: `"adrift"`, press: "/keep", stuck: 3, stuckAt: 16})
	tally := newTally()
	inLanes(t, crashLanes, len(plans), func(t *testing.T, n int) {
		c := plans[n]
		tally.add(c.journal, c.run(t))
	})
	t.Log(tally)
	for _, event := range []string{"sending", "measuring", "held", "kept", "rolled back", "adrift"} {
		if !tally.died(event) {
			t.Errorf("no daemon died with %q as its last word: %s", event, tally)
		}
	}
}

// TestCrashAtAnyMoment kills it at moments drawn from a seed: after a write, or
// after a time; with outputs that stopped listening before, and again on the way
// back.
func TestCrashAtAnyMoment(t *testing.T) {
	t.Parallel()
	tally := newTally()
	total := often(t, "HUSHTEST_CRASHES", 4)
	inLanes(t, crashLanes, total, func(t *testing.T, n int) {
		rng := rand.New(rand.NewPCG(crashSeed, uint64(n)))
		c := crash{press: []string{"/keep", "/roll-back", "/safe"}[rng.IntN(3)]}
		if rng.IntN(2) == 0 {
			c.write = 1 + rng.IntN(110)
		}
		c.after = time.Duration(rng.IntN(16000)) * time.Millisecond
		if rng.IntN(3) == 0 {
			c.stuck, c.stuckAt = 1+rng.IntN(4), 1+rng.IntN(40)
		}
		if rng.IntN(3) == 0 {
			c.again = 1 + rng.IntN(6)
		}
		t.Logf("seed %d crash %d: dies after write %d (0: never) or %s, %s is pressed, output %d (0: none) is stuck from write %d on, dies again after write %d",
			crashSeed, n, c.write, c.after, c.press, c.stuck, c.stuckAt, c.again)
		tally.add("", c.run(t))
	})
	t.Logf("seed %d, %d crashes: %s", crashSeed, total, tally)
}

// tally counts which event was the last in the journal and what came of it.
type tally struct {
	mu  sync.Mutex
	how map[string]int
}

func newTally() *tally { return &tally{how: map[string]int{}} }

func (y *tally) add(wanted, how string) {
	y.mu.Lock()
	defer y.mu.Unlock()
	if wanted != "" {
		how = strings.Trim(wanted, `"`) + " seen, " + how
	}
	y.how[how]++
}

func (y *tally) died(event string) bool {
	for how := range y.how {
		if strings.Contains(how, "died at "+event+",") {
			return true
		}
	}
	return false
}

func (y *tally) String() string {
	var lines []string
	for how, n := range y.how {
		lines = append(lines, fmt.Sprintf("%d × %s", n, how))
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}

// run lets a daemon die and looks at what the next one makes of it.
func (c *crash) run(t *testing.T) string {
	c.t, c.rig, c.state = t, newRig(t), stateFolderFor(t)
	c.found = c.holds()
	c.die()
	entries, open, known := c.read()
	last := entries[0].Event
	if c.again > 0 && open != nil {
		c.dieAgain()
		_, open, _ = c.read()
	}
	p := serve(t, c.rig, c.state)
	report := p.state()
	holds := c.holds()
	how := fmt.Sprintf("died at %s, then %s", last, report.State)
	switch {
	case open == nil:
		want := c.found
		if last == "kept" {
			want = known
			if !alike(want, c.sheet) {
				t.Errorf("kept is\n%+v, while it was held it was\n%+v", want, c.sheet)
			}
		}
		if report.State != "idle" || !alike(holds, want) {
			t.Errorf("%s, but it holds\n%+v, want\n%+v", how, holds, want)
		}
	case report.State == "rolled back":
		if !strings.Contains(p.notice, "in the middle of a change") || !alike(holds, open.Before) || !slices.Equal(holds, c.found) {
			t.Errorf("%s, notice %q, but it holds\n%+v, want\n%+v", how, p.notice, holds, open.Before)
		}
	case report.State == "adrift" && c.stuck > 0:
		for i, set := range holds {
			if set != c.found[i] && !slices.Contains(report.InDoubt, set.Output) {
				t.Errorf("%s, in doubt %v, but output %d holds %+v, want %+v", how, report.InDoubt, set.Output, set, c.found[i])
			}
		}
		c.rig.Processor.Stick(c.stuck, false)
		p.press("/safe", nil)
		p.until(func(r desk.Report) bool { return r.State == "rolled back" })
		if holds := c.holds(); !slices.Equal(holds, c.found) {
			t.Errorf("%s and went to the safe preset, but it holds\n%+v, want\n%+v", how, holds, c.found)
		}
	default:
		t.Errorf("%s: %+v", how, report)
	}
	return how
}

// alike allows for what float32 makes of a value, which is far less than a step.
func alike(a, b []engine.Setting) bool {
	return slices.EqualFunc(a, b, func(a, b engine.Setting) bool {
		near := math.Abs(a.DelaySec-b.DelaySec) < 1e-8 && math.Abs(a.GainDB-b.GainDB) < 1e-5
		return near && a.Output == b.Output && a.Polarity == b.Polarity && a.Muted == b.Muted
	})
}

// holds is what the site's outputs hold.
func (c *crash) holds() []engine.Setting { return c.rig.Processor.Settings()[:4] }

// read is what a store says that nobody holds open: its journal, the newest
// first, the change that is open, and what it knows.
func (c *crash) read() ([]preset.Entry, *preset.Change, []engine.Setting) {
	c.t.Helper()
	store, err := preset.Open(home.Folder{Dir: c.state}.Store())
	if err != nil {
		c.t.Fatalf("the store after the crash: %v", err)
	}
	defer store.Close()
	entries, err := store.Journal(50)
	if err != nil || len(entries) == 0 {
		c.t.Fatalf("the journal after the crash: %v, %v", entries, err)
	}
	change, open, err := store.OpenChange()
	if err != nil {
		c.t.Fatal(err)
	}
	known, err := store.Known()
	if err != nil {
		c.t.Fatal(err)
	}
	if !open {
		return entries, nil, known
	}
	return entries, &change, known
}

// die runs a daemon until it is killed, or its change is over.
func (c *crash) die() {
	p := serve(c.t, c.rig, c.state)
	p.listen(c.rig)
	p.press("/safe-preset", nil)
	p.press("/dry-run", nil)
	digest := p.state().Digest
	dead := make(chan struct{})
	kill := func() { p.command.Process.Kill() }
	go func() {
		err := <-p.ended
		p.ended <- err
		close(dead)
	}()
	c.rig.Processor.OnWrite(func(n int) {
		if n == c.stuckAt && c.stuck > 0 {
			c.rig.Processor.Stick(c.stuck, true)
		}
		if n == c.write {
			kill()
		}
	})
	if c.after > 0 {
		defer time.AfterFunc(c.after, kill).Stop()
	}
	if c.journal != "" {
		go c.watch(dead, kill)
	}
	c.try(p, "/confirm", url.Values{"digest": {digest}})
	for pressed := false; ; {
		select {
		case <-dead:
			c.rig.Processor.OnWrite(nil)
			return
		case <-time.After(5 * time.Millisecond):
		}
		r, alive := c.peek(p)
		switch {
		case !alive:
		case r.State == "held" && c.journal == `"held"`: // nobody presses anything before the watcher has seen it
		case r.State == "held" && !pressed:
			pressed, c.sheet = true, c.holds()
			c.try(p, strings.Replace(c.press, "/safe", "/keep", 1), url.Values{"change": {r.Change}})
		case r.State == "measuring" && c.press == "/safe" && !pressed && strings.HasPrefix(r.Doing, "measuring 2"):
			pressed = true
			c.try(p, "/safe", nil)
		case (r.State == "kept" || r.State == "rolled back" || r.State == "adrift") && r.Doing == "":
			kill() // the change is over, so that is the moment
		}
	}
}

// watch kills as soon as the store's file holds the entry: its page was written,
// and after it one of the two first pages, which say what counts.
func (c *crash) watch(dead <-chan struct{}, kill func()) {
	path := home.Folder{Dir: c.state}.Store()
	heads := 2 * os.Getpagesize()
	var seen []byte // the heads when the entry was first seen
	var limit time.Time
	for {
		select {
		case <-dead:
			return
		case <-time.After(50 * time.Microsecond):
		}
		text, err := os.ReadFile(path)
		switch {
		case err != nil || len(text) < heads:
		case seen == nil && bytes.Contains(text, []byte(c.journal)):
			seen, limit = text[:heads], time.Now().Add(100*time.Millisecond)
		case seen != nil && (!bytes.Equal(seen, text[:heads]) || time.Now().After(limit)):
			kill()
			return
		}
	}
}

// dieAgain lets another daemon die on the way back.
func (c *crash) dieAgain() {
	command := exec.Command(os.Args[0], "serve", exampleSite, "--processor", c.rig.Processor.Addr(), "--state", c.state, "--listen", "127.0.0.1:0")
	command.Env = append(os.Environ(), asProgram+"=1")
	begin := c.rig.Processor.Writes()
	if err := command.Start(); err != nil {
		c.t.Fatal(err)
	}
	c.rig.Processor.OnWrite(func(n int) { // only now is there something to kill; it may have written already
		if n >= begin+c.again {
			command.Process.Kill()
		}
	})
	limit := time.AfterFunc(patience, func() { command.Process.Kill() })
	err := command.Wait()
	if c.rig.Processor.OnWrite(nil); err == nil || !limit.Stop() || !strings.Contains(err.Error(), "killed") {
		c.t.Errorf("the second daemon ended with %v, want it killed on its way back", err)
	}
}

// try presses what may not be answered any more.
func (c *crash) try(p *process, path string, form url.Values) {
	request, err := http.NewRequest(http.MethodPost, p.note.URL+path, strings.NewReader(form.Encode()))
	if err != nil {
		c.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+p.note.Token)
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if response, err := http.DefaultClient.Do(request); err == nil {
		if response.Body.Close(); response.StatusCode >= http.StatusBadRequest {
			c.t.Errorf("%s was refused with %d", path, response.StatusCode)
		}
	}
}

// peek is the daemon's state if it is alive.
func (c *crash) peek(p *process) (r desk.Report, alive bool) {
	request, err := http.NewRequest(http.MethodGet, p.note.URL+"/state.json", nil)
	if err != nil {
		c.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+p.note.Token)
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return r, false
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	return r, err == nil && json.Unmarshal(body, &r) == nil
}
