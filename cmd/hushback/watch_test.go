package main

import (
	"encoding/json"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"
)

// asked is what anybody on this machine gets, without the token.
func (p *process) asked(path string) (int, string) {
	p.t.Helper()
	return p.read(http.Get(p.note.URL + path))
}

// A daemon is watched by whoever is on its machine; and neither its metrics, nor its
// log at its most talkative, tells a code, a token or a cookie.
func TestWatchedWithoutASecret(t *testing.T) {
	rig := newRig(t)
	p := serveAt(t, rig.Processor.Addr(), stateFolderFor(t), "--log-level", "debug", "--log-format", "json")
	code := p.code
	cookie := p.pairs(code)
	p.listen(rig)
	for _, header := range []string{"Bearer " + p.note.Token + "x", "Bearer wrong"} { // a feed that is sent away
		request, err := http.NewRequest(http.MethodGet, p.note.URL+"/feed", nil)
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Authorization", header)
		if status, _ := p.read(http.DefaultClient.Do(request)); status < http.StatusBadRequest {
			t.Errorf("a feed with another token: %d", status)
		}
	}
	p.press("/safe-preset", nil)
	p.press("/dry-run", nil)
	status, health := p.asked("/healthz")
	if status != http.StatusOK || !strings.Contains(health, "every processor answered lately") {
		t.Errorf("health: %d %s", status, health)
	}
	_, metrics := p.asked("/metrics")
	for _, want := range []string{`hushback_state{state="drafted"} 1`, `hushback_writes_total{processor=""} 0`, `hushback_phones_paired 1`, `hushback_feed_connected{microphone="stage door"} 1`, "hushback_safe_preset 1"} {
		if !strings.Contains(metrics, want) {
			t.Errorf("no %s in:\n%s", want, metrics)
		}
	}
	if queries := regexp.MustCompile(`hushback_queries_total\{processor=""\} [1-9]`); !queries.MatchString(metrics) {
		t.Error("no question was counted")
	}
	if err := p.command.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-p.ended:
		p.ended <- err
	case <-time.After(patience):
		t.Fatal("it does not stop")
	}
	log := p.said.String()
	for secret, what := range map[string]string{code: "code", strings.ReplaceAll(code, "-", ""): "code", p.note.Token: "token", cookie: "cookie"} {
		if strings.Contains(log, secret) || strings.Contains(metrics, secret) || strings.Contains(health, secret) {
			t.Errorf("the %s is told:\n%s", what, log)
		}
	}
	lines := 0
	for line := range strings.Lines(log) {
		var event struct{ Time, Level, Msg string }
		if err := json.Unmarshal([]byte(line), &event); err != nil || event.Msg == "" || event.Level == "" {
			t.Errorf("not an event: %v: %s", err, line)
		}
		lines++
	}
	if lines == 0 {
		t.Error("the log is empty, so nothing was shown")
	}
}

// pairs pairs a phone, the wrong code first, and returns its cookie's value.
func (p *process) pairs(code string) string {
	p.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		p.t.Fatal(err)
	}
	client := http.Client{Jar: jar}
	for _, try := range []string{"AAAA-0000", code} {
		request, err := http.NewRequest(http.MethodPost, p.note.URL+"/pair", strings.NewReader(url.Values{"code": {try}}.Encode()))
		if err != nil {
			p.t.Fatal(err)
		}
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		request.Header.Set("Origin", p.note.URL)
		p.read(client.Do(request))
	}
	at, err := url.Parse(p.note.URL)
	if err != nil {
		p.t.Fatal(err)
	}
	cookies := jar.Cookies(at)
	if len(cookies) != 1 || len(cookies[0].Value) < 32 {
		p.t.Fatalf("not paired: %v", cookies)
	}
	return cookies[0].Value
}
