package watching

import (
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"hushback/cmd/internal/desk"
	"hushback/control"
	"hushback/control/preset"
	"hushback/control/wire"
	"hushback/verify"
)

// pretended is a daemon that says what a test wants.
type pretended struct {
	view         desk.View
	traffic      []wire.Traffic
	live, paired int
}

func (p *pretended) View() desk.View         { return p.view }
func (p *pretended) Traffic() []wire.Traffic { return p.traffic }
func (p *pretended) Company() (int, int)     { return p.live, p.paired }

func served(t *testing.T, p *pretended) (*Watch, *httptest.Server) {
	t.Helper()
	w, mux := New(p), http.NewServeMux()
	w.Serve(mux)
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	return w, server
}

func get(t *testing.T, url string) (int, string) {
	t.Helper()
	response, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response.StatusCode, string(body)
}

// samples are the lines of the text format, by what stands before the value.
func samples(text string) map[string]string {
	found := map[string]string{}
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); !strings.HasPrefix(line, "#") {
			at := strings.LastIndex(line, " ")
			found[line[:at]] = line[at+1:]
		}
	}
	return found
}

func TestMetricsTellOfEverything(t *testing.T) {
	answered := time.UnixMilli(1_700_000_000_500)
	p := &pretended{live: 3, paired: 2, traffic: []wire.Traffic{
		{Writes: 65, Questions: 210, Unanswered: 4, Repeats: 5, Mismatches: 1, Dropped: 6, Foreign: 9, Asked: answered, Answered: answered},
		{Processor: "delay towers", Blind: true, Writes: 7},
	}}
	p.view = desk.View{
		State: control.Held{Change: "secret-change"}, Safe: &preset.Preset{}, Strange: []control.Strange{{Output: 1}, {Output: 2}},
		Notice: "secret notice", Processor: "secret at 192.0.2.77:1",
		Feeds: []desk.Feed{
			{Microphone: "front", Connected: true, LevelDB: -31.5, Coherence: 0.97, Gaps: 2, Clipped: true, Trouble: "a secret trouble"},
			{Microphone: `stage "door"`},
			{Microphone: "by itself", Connected: true, Functions: true, LevelDB: math.NaN(), Coherence: math.NaN()},
			{Microphone: "new", Connected: true, LevelDB: -50, Coherence: math.NaN()},
		},
	}
	w, server := served(t, p)
	for _, s := range []control.State{control.Sending{}, control.Measuring{}, control.Held{}, control.Kept{}, control.RolledBack{}, control.RolledBack{}, control.Idle{}} {
		w.Reached(s)
	}
	w.Judged(nil)
	w.Judged(&verify.Verdict{Outcome: verify.Refuted})
	code, text := get(t, server.URL+"/metrics")
	got := samples(text)
	for name, want := range map[string]string{
		`hushback_state{state="held"}`:                                "1",
		`hushback_state{state="idle"}`:                                "0",
		`hushback_state{state="rolled back"}`:                         "0",
		`hushback_safe_preset`:                                        "1",
		`hushback_writes_total{processor=""}`:                         "65",
		`hushback_writes_total{processor="delay towers"}`:             "7",
		`hushback_queries_total{processor=""}`:                        "210",
		`hushback_unanswered_total{processor=""}`:                     "4",
		`hushback_repeats_total{processor=""}`:                        "5",
		`hushback_mismatches_total{processor=""}`:                     "1",
		`hushback_dropped_total{processor=""}`:                        "6",
		`hushback_foreign_total{processor=""}`:                        "9",
		`hushback_last_answer_timestamp_seconds{processor=""}`:        "1.7000000005e+09",
		`hushback_strange_values`:                                     "2",
		`hushback_feed_connected{microphone="front"}`:                 "1",
		`hushback_feed_connected{microphone="stage \"door\""}`:        "0",
		`hushback_feed_level_dbfs{microphone="front"}`:                "-31.5",
		`hushback_feed_coherence_ratio{microphone="front"}`:           "0.97",
		`hushback_feed_gaps{microphone="front"}`:                      "2",
		`hushback_feed_clipped{microphone="front"}`:                   "1",
		`hushback_feed_trouble{microphone="front"}`:                   "1",
		`hushback_feed_trouble{microphone="new"}`:                     "0",
		`hushback_feed_level_dbfs{microphone="by itself"}`:            "",
		`hushback_feed_coherence_ratio{microphone="new"}`:             "",
		`hushback_feed_level_dbfs{microphone="stage \"door\""}`:       "",
		`hushback_last_answer_timestamp_seconds{processor="delay t"}`: "",
		`hushback_live_pages`:                                         "3",
		`hushback_phones_paired`:                                      "2",
		`hushback_changes_total{ended="kept"}`:                        "1",
		`hushback_changes_total{ended="rolled back"}`:                 "2",
		`hushback_changes_total{ended="adrift"}`:                      "0",
		`hushback_verdicts_total{outcome="refuted"}`:                  "1",
		`hushback_verdicts_total{outcome="proven"}`:                   "0",
		`hushback_verdicts_total{outcome="undecided"}`:                "0",
	} {
		if got[name] != want {
			t.Errorf("%s is %q, want %q", name, got[name], want)
		}
	}
	for _, name := range []string{"go_build_info{", "go_goroutines ", "process_resident_memory_bytes "} {
		if !strings.Contains(text, "\n"+name) {
			t.Errorf("no %s", name)
		}
	}
	if code != http.StatusOK || strings.Contains(text, "secret") || strings.Contains(text, "192.0.2.77") {
		t.Errorf("status %d, or it tells what is nobody's business:\n%s", code, text)
	}
	problems, err := testutil.GatherAndLint(w.registry)
	if err != nil {
		t.Fatal(err)
	}
	for _, problem := range problems {
		if strings.HasPrefix(problem.Metric, "hushback_") {
			t.Errorf("%s: %s", problem.Metric, problem.Text)
		}
	}
}

func TestHealthTellsInOneSentence(t *testing.T) {
	now := time.Now()
	ago := func(s float64) time.Time { return now.Add(-time.Duration(s * float64(time.Second))) }
	for _, c := range []struct {
		name    string
		traffic []wire.Traffic
		want    string // "" for well
	}{
		{"fresh", []wire.Traffic{{Asked: ago(1), Answered: ago(0.9)}}, ""},
		{"being asked", []wire.Traffic{{Asked: ago(0.1), Answered: ago(3)}}, ""},
		{"not asked for long, as while a capture lasts", []wire.Traffic{{Asked: ago(90), Answered: ago(89)}}, ""},
		{"silent", []wire.Traffic{{Asked: ago(0.1), Answered: ago(31)}}, "the processor has not answered for 31 s"},
		{"never there", []wire.Traffic{{Asked: ago(0.1)}}, "the processor has not answered since the start"},
		{"blind", []wire.Traffic{{Blind: true}}, ""},
		{"the second", []wire.Traffic{{Asked: ago(1), Answered: ago(1)}, {Processor: "towers", Asked: ago(0), Answered: ago(20)}}, `processor "towers" has not answered for 20 s`},
	} {
		t.Run(c.name, func(t *testing.T) {
			w, server := served(t, &pretended{traffic: c.traffic})
			w.now = func() time.Time { return now }
			code, text := get(t, server.URL+"/healthz")
			if c.want == "" && (code != http.StatusOK || !strings.Contains(text, "every processor answered lately")) ||
				c.want != "" && (code != http.StatusServiceUnavailable || text != c.want+"\n") {
				t.Errorf("%d %q, want %q", code, text, c.want)
			}
		})
	}
}

func TestOnlyThisMachineIsTold(t *testing.T) {
	w := New(&pretended{})
	mux := http.NewServeMux()
	w.Serve(mux)
	for _, c := range []struct {
		from, to, host, origin string
		told                   bool
	}{
		{"127.0.0.1:5", "127.0.0.1:8470", "127.0.0.1:8470", "", true},
		{"[::1]:5", "[::1]:8470", "[::1]:8470", "", true},
		{"127.0.0.1:5", "127.0.0.1:8470", "localhost:8470", "", true},
		{"127.0.0.1:5", "127.0.0.1:80", "localhost", "", true},
		{"192.0.2.10:5", "192.0.2.10:8470", "192.0.2.10:8470", "", true}, // from its own address on the network
		{"192.0.2.44:5", "192.0.2.10:8470", "192.0.2.10:8470", "", false},
		{"192.0.2.44:5", "192.0.2.10:8470", "127.0.0.1:8470", "", false},
		{"127.0.0.1:5", "127.0.0.1:8470", "rebound.example:8470", "", false},
		{"127.0.0.1:5", "127.0.0.1:8470", "localhost.example", "", false},
		{"127.0.0.1:5", "127.0.0.1:8470", "127.0.0.1:8470", "http://evil.example", false},
		{"nonsense", "", "127.0.0.1:8470", "", false},
	} {
		for _, path := range []string{"/metrics", "/healthz"} {
			r := httptest.NewRequest(http.MethodGet, path, nil)
			r.RemoteAddr, r.Host = c.from, c.host
			if c.origin != "" {
				r.Header.Set("Origin", c.origin)
			}
			if to, err := net.ResolveTCPAddr("tcp", c.to); err == nil && c.to != "" {
				r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(to)))
			}
			answer := httptest.NewRecorder()
			mux.ServeHTTP(answer, r)
			if told := answer.Code != http.StatusForbidden; told != c.told {
				t.Errorf("%s asked by %+v: status %d, told %v, want %v", path, c, answer.Code, told, c.told)
			}
			if !c.told && strings.Contains(answer.Body.String(), "hushback_") {
				t.Errorf("%s: a refusal tells:\n%s", path, answer.Body)
			}
		}
	}
	answer := httptest.NewRecorder()
	r := httptest.NewRequest(http.MethodPost, "/metrics", nil)
	mux.ServeHTTP(answer, r)
	if answer.Code != http.StatusMethodNotAllowed {
		t.Errorf("a press on the metrics: %d", answer.Code)
	}
}

// While the daemon works others ask, several at a time.
func TestManyAskAtOnce(t *testing.T) {
	w, server := served(t, &pretended{traffic: []wire.Traffic{{}}})
	failed := make(chan error, 8)
	for range cap(failed) {
		go func() {
			w.Reached(control.Kept{})
			response, err := http.Get(server.URL + "/metrics")
			if err == nil && response.StatusCode != http.StatusOK {
				err = fmt.Errorf("status %d", response.StatusCode)
			}
			if err == nil {
				response.Body.Close()
			}
			failed <- err
		}()
	}
	for range cap(failed) {
		if err := <-failed; err != nil {
			t.Error(err)
		}
	}
	_, text := get(t, server.URL+"/metrics")
	if got := samples(text)[`hushback_changes_total{ended="kept"}`]; got != "8" {
		t.Errorf("%s changes kept, want 8", got)
	}
}
