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

	"hushback/cmd/internal/dashboard"
	"hushback/control"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// DryRun is a dry run without a daemon: the text of what would be sent. It
// writes nothing to the processor, and what it learns it forgets, so that it
// can be taken beside a running daemon.
func DryRun(ctx context.Context, site engine.Site, profiles []processor.Profile) (text string, err error) {
	_, sheet, _, err := design(site, profiles)
	if err != nil {
		return "", err
	}
	folder, err := os.MkdirTemp("", "hushback-dry-run-")
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	store, err := preset.Open(Home{Dir: folder}.Store())
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	err = reach(site, profiles, store, func(c *control.Controller) error {
		run, err := c.DryRun(ctx, sheet)
		text = control.Describe(run, site.Outputs)
		return err
	})
	return text, err
}

// Safe returns to the safe preset where no daemon runs, and says how it ended.
func Safe(ctx context.Context, home Home, site engine.Site, profiles []processor.Profile) (said string, err error) {
	if _, err := os.Stat(home.Store()); errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("nothing was ever stored in %s, so there is no safe preset: is it the right state folder?", home.Dir)
	}
	store, err := preset.Open(home.Store())
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	if err := store.Belong(identity(site, profiles)); err != nil {
		return "", err
	}
	err = reach(site, profiles, store, func(c *control.Controller) error {
		state, err := c.Safe(ctx)
		if err != nil {
			return err
		}
		said, err = rested(state)
		return err
	})
	return said, err
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

// rested says how a return to the safe preset ended.
func rested(s control.State) (string, error) {
	switch s := s.(type) {
	case control.RolledBack:
		return "the processor is back to " + dashboard.BackTo(s), nil
	case control.Adrift:
		return "", adrift(s.Outputs, s.Reason)
	default:
		return "", fmt.Errorf("ended in state %q", dashboard.StateName(s))
	}
}

// adrift is the error of outputs that nobody can vouch for.
func adrift(outputs []int, reason string) error {
	return fmt.Errorf("outputs %v may hold anything: turn their amplifiers down by hand, then roll back again: %s", outputs, reason)
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
// ErrGone if there is none any more.
func (n Note) Safe(ctx context.Context) (string, error) {
	if err := n.post(ctx, "/safe"); err != nil {
		return "", err
	}
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		s, err := n.state(ctx)
		switch {
		case err != nil:
			return "", err
		case s.Doing == "" && s.State == dashboard.StateName(control.RolledBack{}) && s.To == control.ToSafe:
			return "the daemon returned the processor to " + dashboard.BackTo(control.RolledBack{To: s.To, Blind: s.Blind}), nil
		case s.Doing == "" && len(s.InDoubt) > 0:
			return "", adrift(s.InDoubt, s.Reason)
		case s.Doing == "":
			return "", fmt.Errorf("the daemon ended %s %s instead of at the safe preset: %s: roll back again", s.State, s.To, cmp.Or(s.Notice, s.Reason))
		}
		select {
		case <-ctx.Done():
			return "", fmt.Errorf("waiting for the daemon: %w", ctx.Err())
		case <-tick.C:
		}
	}
}

func (n Note) state(ctx context.Context) (dashboard.Report, error) {
	var r dashboard.Report
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
