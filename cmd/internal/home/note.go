package home

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/control"
)

// ErrGone is that no daemon is where a note says.
var ErrGone = errors.New("no daemon answers")

// Safe asks the running daemon for the safe preset and waits until it rests.
// ErrGone if there is none any more, desk.InDoubt if it cannot
// tell what the processor holds.
func (n Note) Safe(ctx context.Context) (back control.RolledBack, err error) {
	if err := n.post(ctx, "/safe"); err != nil {
		return back, err
	}
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		s, err := n.State(ctx)
		switch {
		case err != nil:
			return back, err
		case s.Doing == "" && s.State == desk.StateName(back) && s.To == control.ToSafe:
			return control.RolledBack{To: s.To, Blind: s.Blind}, nil
		case s.Doing == "" && len(s.InDoubt) > 0:
			return back, desk.InDoubt{Outputs: s.InDoubt, Reason: s.Reason}
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

// State asks the running daemon how things stand; ErrGone if there is none any
// more.
func (n Note) State(ctx context.Context) (desk.Report, error) {
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
		return nil, fmt.Errorf("the daemon refuses: %s", strings.TrimPrefix(strings.TrimSpace(string(body)), "Refused: "))
	}
	return body, nil
}
