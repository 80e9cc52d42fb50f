// Package mending is what runs in the daemon's place while its site file cannot be
// used: the same page, which shows on every part of it what is wrong with the file and
// where, and the way back to the safe preset where an earlier run left one.
package mending

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/dashboard"
	"hushback/cmd/internal/dashboard/access"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/doors"
	"hushback/cmd/internal/home"
	"hushback/configs"
	"hushback/control"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// journalShown is how many entries of the journal are read for the page.
const journalShown = 200

// Daemon serves the page of a broken site file.
type Daemon struct {
	*bench
	options daemon.Options
	doors   doors.Doors
	access  access.Rules
	page    *dashboard.Server
	service *doors.Service
}

// Start serves the page. Of the options those that tell of a site are not looked at;
// name is what the site was called.
func Start(o daemon.Options, name string, broken configs.Problems) (*Daemon, error) {
	if err := o.Home.Prepare(); err != nil {
		return nil, err
	}
	b, err := newBench(o.Home, o.Log, name, broken)
	if err != nil {
		return nil, err
	}
	at, err := doors.Open(doors.Wish{Listen: o.Listen, Hosts: o.Hosts, TLS: o.TLS, Folder: o.Home.Dir})
	if err != nil {
		return nil, err
	}
	d := &Daemon{bench: b, options: o, doors: at}
	d.access = access.Rules{Code: access.NewCode(), AgentToken: access.NewToken(), Hosts: at.Hosts, Session: o.Session}
	d.page = dashboard.New(b, d.access)
	d.service = at.Serve(d.page, o.Log)
	if err := o.Home.Leave(home.Note{URL: at.Local, Token: d.access.AgentToken}); err != nil {
		return nil, errors.Join(err, d.Stop())
	}
	return d, nil
}

// Invitation is how to come in.
func (d *Daemon) Invitation() doors.Invitation {
	return doors.Invitation{URL: d.doors.URL, Code: d.access.Code, Identity: d.doors.Identity}
}

// Stop ends everything. A return to the safe preset that is under way is waited for.
func (d *Daemon) Stop() error {
	d.bench.stop()
	d.page.Close()
	return errors.Join(d.service.Stop(), d.options.Home.Clear())
}

// bench is the desk of a rig of which no more is known than an earlier run left.
type bench struct {
	refuser
	folder   home.Folder
	log      *slog.Logger
	site     engine.Site         // as far as it was remembered
	profiles []processor.Profile // of its processors
	cannot   string              // why there is no way back, "" if there is

	mu       sync.Mutex
	view     desk.View
	watchers map[chan struct{}]bool
	ended    bool
	working  sync.WaitGroup
}

func newBench(folder home.Folder, log *slog.Logger, name string, broken configs.Problems) (*bench, error) {
	b := &bench{folder: folder, log: log, watchers: map[chan struct{}]bool{}}
	b.view = desk.View{Site: engine.Site{Job: name}, Processor: "none known", State: control.Idle{}, Broken: strings.Split(broken.Error(), "\n")}
	rig, known, err := folder.Rig()
	switch {
	case err != nil:
		b.cannot = err.Error()
	case !known:
		b.cannot = "no daemon has run on this state folder yet, so nobody knows where the processor is"
	default:
		b.recall(rig)
	}
	left, err := b.read()
	if err != nil {
		return nil, err
	}
	if b.view.Safe == nil {
		b.cannot = cmp.Or(b.cannot, "no safe preset was ever stored")
	}
	if left != nil {
		b.view.State = *left
		b.view.Notice = "Mended and started again, the daemon puts back what stood before by itself. "
	}
	if b.cannot != "" {
		b.view.Notice += "There is no way back to safe from here: " + b.cannot + "."
	}
	return b, nil
}

// recall takes up what was remembered of the rig.
func (b *bench) recall(rig home.Rig) {
	for _, w := range rig.Wirings {
		p, err := configs.OpenProfile(w.Profile)
		if err != nil {
			b.cannot = err.Error()
			return
		}
		b.profiles = append(b.profiles, p)
	}
	b.site = rig.Site()
	b.view.Site.Job, b.view.Processor = rig.Job, home.Identity(b.site, b.profiles)
}

// read takes from the store what is shown, and what a daemon left that was stopped in
// the middle of a change, nil if none was.
func (b *bench) read() (left *control.Adrift, err error) {
	store, err := preset.Open(b.folder.Store())
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	all, err := store.List()
	entries, journalErr := store.Journal(journalShown)
	change, open, openErr := store.OpenChange()
	if err := errors.Join(err, journalErr, openErr); err != nil {
		return nil, err
	}
	b.change(func(v *desk.View) {
		v.Presets, v.Journal = all, entries
		for _, p := range all {
			switch p.Name {
			case preset.Safe:
				v.Safe = &p
			case preset.AsFound:
				v.AsFound = &p
			}
		}
	})
	if open {
		left = &control.Adrift{Change: change.ID, Reason: "an earlier daemon was stopped in the middle of a change"}
		for _, set := range change.After {
			left.Outputs = append(left.Outputs, set.Output)
		}
	}
	return left, nil
}

// Safe returns to the safe preset, if an earlier run left one and said where.
func (b *bench) Safe(context.Context) error {
	if b.cannot != "" {
		return errors.New(b.cannot)
	}
	free := false
	b.change(func(v *desk.View) {
		if free = v.Doing == "" && !b.ended; free {
			v.Doing = "returning to the safe preset"
			b.working.Add(1)
		}
	})
	if free {
		go b.back()
	}
	return nil
}

// back goes there and shows how it ended.
func (b *bench) back() {
	defer b.working.Done()
	back, err := daemon.Safe(context.Background(), b.folder, b.site, b.profiles)
	_, readErr := b.read()
	b.change(func(v *desk.View) {
		v.Doing, v.Notice = "", ""
		var doubt desk.InDoubt
		switch {
		case err == nil:
			v.State = back
		case errors.As(err, &doubt):
			v.State = control.Adrift{Outputs: doubt.Outputs, Reason: doubt.Reason}
		default:
			v.Notice = "The way back to safe failed: " + err.Error() + "."
		}
	})
	if err := errors.Join(err, readErr); err != nil {
		b.log.Error("safe preset", "error", err)
	}
}

func (b *bench) View() desk.View {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.view
}

// change alters the picture and tells whoever watches.
func (b *bench) change(alter func(*desk.View)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.view.Seq++
	alter(&b.view)
	for w := range b.watchers {
		select {
		case w <- struct{}{}:
		default: // one is waiting already
		}
	}
}

func (b *bench) Watch() (<-chan struct{}, func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	w := make(chan struct{}, 1)
	b.watchers[w] = true
	return w, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.watchers, w)
	}
}

// stop waits for the way back and lets nobody begin another.
func (b *bench) stop() {
	b.change(func(v *desk.View) { b.ended = true })
	b.working.Wait()
	b.change(func(v *desk.View) { v.Notice = fmt.Sprint("The daemon was stopped. ", v.Notice) })
}
