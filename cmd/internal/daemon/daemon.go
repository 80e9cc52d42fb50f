// Package daemon builds, owns and stops everything that runs beside the
// processor. It is the one place that knows every package: the site becomes a
// sheet, the sheet a change, the microphones a verdict, and the page shows it.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"hushback/cmd/internal/dashboard"
	"hushback/control"
	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/engine/field"
	"hushback/engine/solve"
	"hushback/verify/feed"
)

// SampleRate is what the microphones' feeds must run at, in samples a second.
const SampleRate = 48000

// FeedPath is where microphones connect, below the page's address.
const FeedPath = "/feed"

// stopWithin bounds how long a stop waits for open requests to end.
const stopWithin = 5 * time.Second

// Options say what a daemon is to run.
type Options struct {
	Site       engine.Site // checked; Wiring.Address says where the processor listens
	Profile    processor.Profile
	Home       Home
	Listen     string   // host:port of the page; port 0 takes a free one
	Hosts      []string // further names the page may be called by
	ConfirmFor time.Duration
	KeepFor    time.Duration
	Session    time.Duration
	KeepProven bool // keep a proven change without asking anybody
	Log        *slog.Logger
}

// Daemon is a running daemon. Its exported methods are what a person can do
// (dashboard.Desk) and what the command line needs.
type Daemon struct {
	*board
	options    Options
	store      *preset.Store
	wire       *osc.Conn
	controller *control.Controller
	hub        *feed.Hub
	page       *dashboard.Server
	server     *http.Server
	url        string
	access     dashboard.Access
	decisions  chan decision

	work     context.Context // ends when the daemon is told to stop
	stopWork context.CancelFunc
	working  sync.WaitGroup     // changes, restores and the meter
	stopDesk context.CancelFunc // ends the board's owner, last of all
}

// Start solves the site, opens the store, reaches for the processor, puts back
// whatever an earlier daemon left unfinished, and serves the page.
func Start(o Options) (*Daemon, error) {
	sheet, prediction, err := design(o.Site, o.Profile)
	if err != nil {
		return nil, err
	}
	d := &Daemon{options: o, decisions: make(chan decision)}
	if err := d.open(); err != nil {
		d.close()
		return nil, err
	}
	d.board = newBoard(dashboard.View{
		Site: o.Site, Sheet: sheet, Prediction: prediction, State: control.Idle{},
		Processor: o.Profile.Name + " at " + o.Site.Wiring.Address,
	})
	desk, stopDesk := context.WithCancel(context.Background())
	d.stopDesk = stopDesk
	go d.board.run(desk)
	d.work, d.stopWork = context.WithCancel(context.Background())
	d.recover()
	if err := d.serve(); err != nil {
		return nil, errors.Join(err, d.Stop())
	}
	d.working.Go(d.meter)
	return d, nil
}

// design turns a site into a sheet on the processor's grid and its prediction.
func design(site engine.Site, profile processor.Profile) (engine.Sheet, engine.Prediction, error) {
	sheet, err := solve.Null(site, profile.Ranges())
	if err != nil {
		return engine.Sheet{}, engine.Prediction{}, fmt.Errorf("solving %s: %w", site.Job, err)
	}
	prediction, err := field.Predict(site, sheet)
	if err != nil {
		return engine.Sheet{}, engine.Prediction{}, fmt.Errorf("predicting %s: %w", site.Job, err)
	}
	return sheet, prediction, nil
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
	if d.wire, err = osc.Dial(o.Site.Wiring.Address, o.Profile.Gap); err != nil {
		return fmt.Errorf("processor: %w", err)
	}
	d.controller, err = control.New(control.Config{
		Profile: o.Profile, Wire: d.wire, Store: d.store, Outputs: o.Site.Outputs,
		ConfirmFor: o.ConfirmFor, KeepFor: o.KeepFor, Now: time.Now, Notify: d.follow,
	})
	return err
}

// recover puts back what an earlier daemon's open change left behind, before
// anybody can ask for anything else.
func (d *Daemon) recover() {
	state, found, err := d.controller.Recover(d.work)
	if err != nil {
		d.tell("looking for an unfinished change: " + err.Error())
	}
	if found {
		d.options.Log.Warn("found a change that an earlier daemon left unfinished", "state", dashboard.StateName(state))
		d.tell(recovered(state))
	}
	d.refresh()
}

// serve opens the page and the microphones' feed.
func (d *Daemon) serve() error {
	listener, err := net.Listen("tcp", d.options.Listen)
	if err != nil {
		return fmt.Errorf("page: %w", err)
	}
	d.url = "http://" + listener.Addr().String()
	d.access = dashboard.Access{
		Code: pairingCode(), AgentToken: token(), Hosts: d.options.Hosts, Session: d.options.Session,
	}
	d.hub = feed.NewHub(microphones(d.options.Site), SampleRate, d.access.AgentToken)
	d.page = dashboard.New(d, d.access)
	mux := http.NewServeMux()
	mux.Handle(FeedPath, d.hub)
	mux.Handle("/", d.page)
	d.server = &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second}
	d.working.Go(func() {
		if err := d.server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			d.options.Log.Error("the page ended", "error", err)
		}
	})
	return d.options.Home.Leave(Note{URL: d.url, Token: d.access.AgentToken})
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
func (d *Daemon) URL() string { return d.url }

// Code is the pairing code.
func (d *Daemon) Code() string { return d.access.Code }

// AgentToken is what microphones and commands on this machine show.
func (d *Daemon) AgentToken() string { return d.access.AgentToken }

// Stop ends everything. A change in flight is rolled back first, so that the
// processor rests in a known state; a kept one stays.
func (d *Daemon) Stop() error {
	d.stopWork()
	var err error
	if d.server != nil {
		ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
		defer cancel()
		d.page.Close()
		err = d.server.Shutdown(ctx)
	}
	d.working.Wait()
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
	if d.wire != nil {
		errs = append(errs, d.wire.Close())
	}
	if d.store != nil {
		errs = append(errs, d.store.Close(), d.options.Home.Clear())
	}
	return errors.Join(errs...)
}
