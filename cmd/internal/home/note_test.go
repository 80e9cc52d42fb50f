package home

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
)

// askedDaemon answers as a daemon would, one state after the other, and
// remembers what it was asked.
type askedDaemon struct {
	states []string
	asked  []string
	refuse bool
}

func (a *askedDaemon) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	a.asked = append(a.asked, r.Method+" "+r.URL.Path+" "+r.Header.Get("Authorization"))
	switch {
	case r.Method == http.MethodPost && a.refuse:
		http.Error(w, "there is no safe preset yet", http.StatusConflict)
	case r.Method == http.MethodGet:
		w.Write([]byte(a.states[0]))
		if len(a.states) > 1 {
			a.states = a.states[1:]
		}
	}
}

func TestNoteAsksTheDaemonForTheSafePreset(t *testing.T) {
	for _, c := range []struct {
		name       string
		daemon     askedDaemon
		want, fail string
	}{
		{"done", askedDaemon{states: []string{`{"state":"measuring","doing":"rolling back"}`, `{"state":"rolled back","rolled_back_to":"the safe preset","doing":""}`}}, "safe preset, read back", ""},
		{"done, unseen", askedDaemon{states: []string{`{"state":"rolled back","rolled_back_to":"the safe preset","blind_outputs":[1,2],"doing":""}`}}, "outputs 1 and 2 cannot be read back", ""},
		{"adrift", askedDaemon{states: []string{`{"state":"adrift","outputs_in_doubt":[2,3],"reason":"no answer","doing":""}`}}, "", "outputs [2 3] may hold anything"},
		{"another roll back", askedDaemon{states: []string{`{"state":"rolled back","rolled_back_to":"what stood before","doing":""}`}}, "", "rolled back what stood before instead of"},
		{"refused", askedDaemon{refuse: true}, "", "no safe preset"},
		{"not a daemon", askedDaemon{states: []string{"<html>"}}, "", "invalid character"},
	} {
		server := httptest.NewServer(&c.daemon)
		back, err := Note{URL: server.URL, Token: "secret"}.Safe(t.Context())
		server.Close()
		said := ""
		if err == nil {
			said = desk.BackTo(back)
		}
		if c.fail == "" && (err != nil || !strings.Contains(said, c.want)) {
			t.Errorf("%s: said %q, %v; want %q", c.name, said, err, c.want)
		}
		if c.fail != "" && (err == nil || !strings.Contains(err.Error(), c.fail)) {
			t.Errorf("%s: said %q, %v; want an error with %q", c.name, said, err, c.fail)
		}
		if doubt := (desk.InDoubt{}); errors.As(err, &doubt) != (c.name == "adrift") || c.name == "adrift" && !slices.Equal(doubt.Outputs, []int{2, 3}) {
			t.Errorf("%s: outputs %v in doubt", c.name, doubt.Outputs)
		}
		if want := "POST /safe Bearer secret"; c.daemon.asked[0] != want {
			t.Errorf("%s: first asked %q, want %q", c.name, c.daemon.asked[0], want)
		}
	}
}

func TestNoteGivesUpWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	posted := make(chan struct{}, 1)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPost {
			posted <- struct{}{}
			return
		}
		w.Write([]byte(`{"state":"measuring","doing":"still"}`))
	}))
	defer server.Close()
	go func() { <-posted; cancel() }()
	if _, err := (Note{URL: server.URL}).Safe(ctx); err == nil {
		t.Error("a daemon that never rests was believed")
	}
}

func TestNoteOfADaemonThatIsGone(t *testing.T) {
	server := httptest.NewServer(http.NotFoundHandler())
	if _, err := (Note{URL: server.URL}).Safe(t.Context()); err == nil || errors.Is(err, ErrGone) {
		t.Errorf("something else at that address: %v, want an error that does not say that nobody is there", err)
	}
	server.Close()
	if _, err := (Note{URL: server.URL}).Safe(t.Context()); !errors.Is(err, ErrGone) {
		t.Errorf("nothing at that address: %v, want %v", err, ErrGone)
	}
}
