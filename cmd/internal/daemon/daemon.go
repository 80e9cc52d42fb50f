// Package daemon builds, owns and stops everything that runs beside the
// processor. It is the one place that knows every package: the site becomes a
// sheet, the sheet a change, the microphones a verdict, and the page shows it.
package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"hushback/cmd/internal/dashboard"
	"hushback/cmd/internal/dashboard/access"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/doors"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/watching"
	"hushback/cmd/internal/whatif"
	"hushback/control"
	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/verify/feed"
	"hushback/verify/source"
)

// FeedPath is where microphones connect, below the page's address.
const FeedPath = "/feed"

// lookEvery is how long it takes at most until a value that somebody else changed
// on a processor is seen.
const lookEvery = 3 * time.Second

// tryEvery is how often a processor that left a change adrift is looked for.
const tryEvery = 2 * time.Second

// Options say what a daemon is to run.
type Options struct {
	Site       engine.Site         // checked; its Wirings say where the processors listen
	Profiles   []processor.Profile // of the processors, in the order of Site.Wirings
	Layouts    []whatif.Named      // of the site file, to be tried out
	Sources    []source.Mapping    // programs that measure for a microphone by themselves
	Home       home.Folder
	Listen     string   // host:port of the page; port 0 takes a free one
	Hosts      []string // further names the page may be called by
	TLS        bool     // the page over TLS, with a certificate of its own
	ConfirmFor time.Duration
	KeepFor    time.Duration
	Session    time.Duration
	Rehearsal  string // how the rig is staged, in words; "" at a real one
	KeepProven bool   // keep a proven change without asking anybody
	Log        *slog.Logger
}

// Daemon is a running daemon. Its exported methods are what a person can do
// (desk.Desk) and what the command line needs.
type Daemon struct {
	*board
	options    Options
	store      *preset.Store
	wires      []*osc.Conn // to the processors, in the order of Site.Wirings
	controller *control.Controller
	hub        *feed.Hub
	sources    map[string]*source.Source // by microphone
	page       *dashboard.Server
	watched    *watching.Watch
	service    *doors.Service
	doors      doors.Doors
	access     access.Rules
	decisions  chan decision
	placed     chan string             // where the moved microphone stands now
	limits     engine.Limits           // as the site file has them, some perhaps open
	plan       atomic.Pointer[plan]    // what the site alone comes to
	latency    map[string]float64      // of the series that is being taken, seconds; its goroutine alone touches it
	drafted    atomic.Pointer[drafted] // the last dry run
	papers     dossier.Keeper          // what stays of each change
	jobs       int                     // that run now; the board's owner alone touches it

	work     context.Context // ends when the daemon is told to stop
	stopWork context.CancelFunc
	working  sync.WaitGroup     // changes, restores and the meter
	stopDesk context.CancelFunc // ends the board's owner, last of all
}

// Start solves the site, opens the store, reaches for the processor, puts back
// whatever an earlier daemon left unfinished, and serves the page.
func Start(o Options) (*Daemon, error) {
	p, err := design(o.Site, o.Profiles)
	if err != nil {
		return nil, err
	}
	d := &Daemon{options: o, sources: map[string]*source.Source{}, limits: o.Site.Limits, decisions: make(chan decision), placed: make(chan string)}
	d.watched = watching.New(d)
	d.plan.Store(&p)
	for _, m := range o.Sources {
		d.sources[m.Microphone] = source.New(m)
	}
	if err := d.open(); err != nil {
		d.close()
		return nil, err
	}
	d.board = newBoard(desk.View{
		Site: p.site, Sheet: p.sheet, Prediction: p.prediction, State: control.Idle{},
		Processor: home.Identity(o.Site, o.Profiles), Rehearsal: o.Rehearsal,
	})
	d.keepPapers()
	desk, stopDesk := context.WithCancel(context.Background())
	d.stopDesk = stopDesk
	go d.board.run(desk)
	d.work, d.stopWork = context.WithCancel(context.Background())
	if err := errors.Join(d.recover(), d.serve()); err != nil {
		return nil, errors.Join(err, d.Stop())
	}
	d.working.Go(d.meter)
	d.working.Go(func() { d.foresee(p, 0) })
	d.working.Go(d.watch)
	for _, s := range d.sources {
		d.working.Go(func() { s.Run(d.work) })
	}
	return d, nil
}

// open takes hold of the store and the wire to the processor.
func (d *Daemon) open() error {
	o := d.options
	if err := o.Home.Prepare(); err != nil {
		return err
	}
	var err error
	if d.store, err = preset.Open(o.Home.Store()); err != nil {
		return err
	}
	if err := d.store.Belong(home.Identity(o.Site, o.Profiles)); err != nil {
		return err
	}
	processors, wires, err := dial(o.Site, o.Profiles)
	d.wires = wires
	if err != nil {
		return err
	}
	d.controller, err = control.New(control.Config{
		Processors: processors, Store: d.store, Outputs: o.Site.Outputs, Alone: alone(o.Site),
		ConfirmFor: o.ConfirmFor, KeepFor: o.KeepFor, Now: time.Now, Notify: d.follow, Noticed: d.noticed,
	})
	return err
}

// dial opens the wires to a site's processors. With an error the wires that were
// opened are returned as well.
func dial(site engine.Site, profiles []processor.Profile) ([]control.Processor, []*osc.Conn, error) {
	var processors []control.Processor
	var wires []*osc.Conn
	for i, w := range site.Wirings() {
		wire, err := osc.Dial(w.Address, profiles[i].Options())
		if err != nil {
			return nil, wires, fmt.Errorf("processor %s: %w", cmp.Or(w.Name, w.Profile), err)
		}
		wires = append(wires, wire)
		processors = append(processors, control.Processor{Name: w.Name, Profile: profiles[i], Wire: wire})
	}
	return processors, wires, nil
}

func hangUp(wires []*osc.Conn) error {
	var errs []error
	for _, w := range wires {
		errs = append(errs, w.Close())
	}
	return errors.Join(errs...)
}

// recover puts back what an earlier daemon's open change left behind, before
// anybody can ask for anything else. An error means that nobody can say
// whether there was such a change.
func (d *Daemon) recover() error {
	state, found, err := d.controller.Recover(d.work)
	if err != nil && !found {
		return fmt.Errorf("looking for an unfinished change: %w", err)
	}
	if !found {
		if _, err := d.controller.Read(d.work); err != nil {
			d.tell("The processor cannot be read: " + err.Error())
		}
		d.refresh()
		return nil
	}
	notice := recovered(state)
	if err != nil {
		notice += " The journal could not be written: " + err.Error()
	}
	d.options.Log.Warn("an earlier daemon left a change unfinished", "state", desk.StateName(state), "error", err)
	d.tell(notice)
	d.refresh()
	if _, lost := state.(control.Adrift); lost {
		d.working.Go(d.tryAgain)
	}
	return nil
}

// tryAgain waits for a processor that was not there when an unfinished change
// had to be put back, as after a mains failure, and then puts it back.
func (d *Daemon) tryAgain() {
	tick := time.NewTicker(tryEvery)
	defer tick.Stop()
	for {
		select {
		case <-d.work.Done():
			return
		case <-tick.C:
		}
		if _, lost := d.View().State.(control.Adrift); !lost {
			return // somebody went to the safe preset
		}
		if _, err := d.controller.Read(d.work); err != nil {
			continue
		}
		if state, found, err := d.controller.Recover(d.work); found && err == nil {
			d.tell(recovered(state))
			d.refresh()
		}
	}
}

// serve opens the page and the microphones' feed.
func (d *Daemon) serve() error {
	o := d.options
	at, err := doors.Open(doors.Wish{Listen: o.Listen, Hosts: o.Hosts, TLS: o.TLS, Folder: o.Home.Dir})
	if err != nil {
		return err
	}
	d.doors = at
	d.access = access.Rules{Code: access.NewCode(), AgentToken: access.NewToken(), Hosts: at.Hosts, Session: o.Session}
	d.hub = feed.NewHub(append(microphones(d.options.Site), Moved), d.access.AgentToken)
	d.hub.Refused = func(microphone string, why error) {
		d.options.Log.Warn("a feed was sent away", "microphone", microphone, "reason", why)
	}
	d.page = dashboard.New(d, d.access)
	mux := http.NewServeMux()
	mux.Handle(FeedPath, d.hub)
	d.watched.Serve(mux)
	mux.Handle("/", d.page)
	d.service = at.Serve(mux, o.Log)
	return o.Home.Leave(home.Note{URL: at.Local, Token: d.access.AgentToken})
}

// microphones names the site's measuring positions.
func microphones(site engine.Site) []string {
	names := make([]string, len(site.Microphones))
	for i, m := range site.Microphones {
		names[i] = m.Name
	}
	return names
}

// URL is the page's address, without a slash at its end.
func (d *Daemon) URL() string { return d.doors.URL }

// Local is the page's address for programs on this machine.
func (d *Daemon) Local() string { return d.doors.Local }

// Identity is the page's certificate, nil without TLS.
func (d *Daemon) Identity() *doors.Certificate { return d.doors.Identity }

// Code is the pairing code.
func (d *Daemon) Code() string { return d.access.Code }

// AgentToken is what microphones and commands on this machine show.
func (d *Daemon) AgentToken() string { return d.access.AgentToken }

// Stop ends everything. A change in flight is rolled back first, so that the
// processor rests in a known state; a kept one stays. The page sees how it
// ended, then that nobody is there any more. It is an error if the processor
// does not rest in a known state.
func (d *Daemon) Stop() error {
	d.stopWork()
	d.working.Wait()
	d.papers.Wait()
	var err error
	if lost, ok := d.View().State.(control.Adrift); ok {
		err = desk.InDoubt{Outputs: lost.Outputs, Reason: lost.Reason}
	}
	if d.service != nil {
		d.tell("The daemon was stopped. " + atRest(d.View().State))
		d.page.Close()
		err = errors.Join(err, d.service.Stop())
	}
	d.stopDesk()
	<-d.board.ended
	return errors.Join(err, d.close())
}

// close lets go of what open took hold of, and of the feeds.
func (d *Daemon) close() error {
	if d.hub != nil {
		d.hub.Close()
	}
	var errs []error
	errs = append(errs, hangUp(d.wires))
	if d.store != nil {
		// The note first: once the store is let go, the next daemon may leave its own.
		errs = append(errs, d.options.Home.Clear(), d.store.Close())
	}
	return errors.Join(errs...)
}
