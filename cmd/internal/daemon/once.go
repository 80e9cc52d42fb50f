package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"strings"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/control"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// DryRun is a dry run without a daemon. It writes nothing to the processor, and
// what it learns it forgets, so that it can be taken beside a running daemon.
func DryRun(ctx context.Context, site engine.Site, profiles []processor.Profile) (run control.DryRun, err error) {
	p, err := design(site, profiles)
	if err != nil {
		return run, err
	}
	folder, err := os.MkdirTemp("", "hushback-dry-run-")
	if err != nil {
		return run, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	store, err := preset.Open(Home{Dir: folder}.Store())
	if err != nil {
		return run, err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	err = reach(site, profiles, store, func(c *control.Controller) error {
		run, err = c.DryRun(ctx, p.sheet)
		return err
	})
	return run, err
}

// Safe returns to the safe preset where no daemon runs. InDoubt if it cannot
// tell what the processor holds.
func Safe(ctx context.Context, home Home, site engine.Site, profiles []processor.Profile) (back control.RolledBack, err error) {
	if _, err := os.Stat(home.Store()); errors.Is(err, fs.ErrNotExist) {
		return back, fmt.Errorf("nothing was ever stored in %s, so there is no safe preset: is it the right state folder?", home.Dir)
	}
	store, err := preset.Open(home.Store())
	if err != nil {
		return back, err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	if err := store.Belong(identity(site, profiles)); err != nil {
		return back, err
	}
	err = reach(site, profiles, store, func(c *control.Controller) error {
		state, err := c.Safe(ctx)
		if err == nil {
			back, err = rested(state)
		}
		return err
	})
	return back, err
}

// UseAsSafe makes a stored preset the safe one where no daemon runs. It sends
// nothing.
func UseAsSafe(store *preset.Store, site engine.Site, profiles []processor.Profile, name string) (p preset.Preset, err error) {
	if err := store.Belong(identity(site, profiles)); err != nil {
		return p, err
	}
	err = reach(site, profiles, store, func(c *control.Controller) error {
		p, err = c.UseAsSafe(name)
		return err
	})
	return p, err
}

// rested is how a return to the safe preset ended, or why it did not.
func rested(s control.State) (control.RolledBack, error) {
	switch s := s.(type) {
	case control.RolledBack:
		return s, nil
	case control.Adrift:
		return control.RolledBack{}, InDoubt{s.Outputs, s.Reason}
	default:
		return control.RolledBack{}, fmt.Errorf("ended in state %q", desk.StateName(s))
	}
}

// InDoubt is the error of outputs that nobody can vouch for.
type InDoubt struct {
	Outputs []int
	Reason  string
}

func (e InDoubt) Error() string {
	return fmt.Sprintf("outputs %v may hold anything: turn their amplifiers down by hand, then roll back again: %s", e.Outputs, e.Reason)
}

// reach opens the wires to the processors for one piece of work.
func reach(site engine.Site, profiles []processor.Profile, store *preset.Store, work func(*control.Controller) error) (err error) {
	processors, wires, err := dial(site, profiles)
	defer func() { err = errors.Join(err, hangUp(wires)) }()
	if err != nil {
		return err
	}
	c, err := control.New(control.Config{
		Processors: processors, Store: store, Outputs: site.Outputs, Alone: alone(site),
		ConfirmFor: time.Minute, KeepFor: time.Minute,
	})
	if err != nil {
		return err
	}
	return work(c)
}

// ErrGone is that no daemon is where a note says.
var ErrGone = errors.New("no daemon answers")

// Safe asks the running daemon for the safe preset and waits until it rests.
// ErrGone if there is none any more, InDoubt as for Safe.
func (n Note) Safe(ctx context.Context) (back control.RolledBack, err error) {
	if err := n.post(ctx, "/safe"); err != nil {
		return back, err
	}
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		s, err := n.state(ctx)
		switch {
		case err != nil:
			return back, err
		case s.Doing == "" && s.State == desk.StateName(back) && s.To == control.ToSafe:
			return control.RolledBack{To: s.To, Blind: s.Blind}, nil
		case s.Doing == "" && len(s.InDoubt) > 0:
			return back, InDoubt{s.InDoubt, s.Reason}
		case s.Doing == "":
			return back, fmt.Errorf("the daemon ended %s %s instead of at the safe preset: %s: roll back again", s.State, s.To, cmp.Or(s.Notice, s.Reason))
		}
		select {
		case <-ctx.Done():
			return back, fmt.Errorf("waiting for the daemon: %w", ctx.Err())
		case <-tick.C:
		}
	}
}

func (n Note) state(ctx context.Context) (desk.Report, error) {
	var r desk.Report
	body, err := n.call(ctx, http.MethodGet, "/state.json")
	if err == nil {
		err = json.Unmarshal(body, &r)
	}
	return r, err
}

func (n Note) post(ctx context.Context, path string) error {
	_, err := n.call(ctx, http.MethodPost, path)
	return err
}

// call makes one request of the daemon, as a program on this machine.
func (n Note) call(ctx context.Context, method, path string) ([]byte, error) {
	request, err := http.NewRequestWithContext(ctx, method, n.URL+path, nil)
	if err != nil {
		return nil, err
	}
	request.Header.Set("Authorization", "Bearer "+n.Token)
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	response, err := client.Do(request)
	if err != nil {
		return nil, fmt.Errorf("%w at %s: %w", ErrGone, n.URL, err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(io.LimitReader(response.Body, 1<<20))
	if err != nil {
		return nil, fmt.Errorf("asking the daemon: %w", err)
	}
	if response.StatusCode >= http.StatusBadRequest {
		return nil, fmt.Errorf("%s: %s", path, strings.TrimSpace(string(body)))
	}
	return body, nil
}
