// Package watching tells programs how a daemon is: /metrics in Prometheus' text
// format, /healthz in one sentence.
//
// Both answer whoever asks from this machine, without the token. That one is new
// with every start, so no scraper could be told it, and nothing here is worth it: no
// code, token, name of a person or address is in it, and nothing can be set by it.
// From elsewhere they are not to be had: how a rig is doing is nobody's business
// on a guests' network. A scraper elsewhere asks through whatever it trusts on this
// machine.
package watching

import (
	"fmt"
	"net/http"
	"net/netip"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"hushback/cmd/internal/desk"
	"hushback/control"
	"hushback/control/wire"
	"hushback/verify"
)

// Watched is what a daemon knows of itself.
type Watched interface {
	View() desk.View
	Traffic() []wire.Traffic
	Company() (live, paired int) // pages that follow now, phones that are paired
}

// Watch counts what happens and tells of it. New makes one.
type Watch struct {
	of       Watched
	registry *prometheus.Registry
	changes  *prometheus.CounterVec // by how they ended
	verdicts *prometheus.CounterVec // by outcome
	now      func() time.Time
}

// New watches a daemon. It is asked for nothing before somebody asks for it.
func New(of Watched) *Watch {
	w := &Watch{of: of, registry: prometheus.NewRegistry(), now: time.Now}
	w.changes = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "hushback_changes_total", Help: "Changes since the start, by how they ended."}, []string{"ended"})
	for _, s := range ends() {
		w.changes.WithLabelValues(desk.StateName(s))
	}
	w.verdicts = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "hushback_verdicts_total", Help: "Verdicts since the start, by outcome."}, []string{"outcome"})
	for _, o := range []verify.Outcome{verify.Proven, verify.Refuted, verify.Undecided} {
		w.verdicts.WithLabelValues(string(o))
	}
	w.registry.MustRegister(w.changes, w.verdicts, picture{w}, collectors.NewBuildInfoCollector(), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return w
}

// ends are the states in which a change rests.
func ends() []control.State {
	return []control.State{control.Kept{}, control.RolledBack{}, control.Adrift{}}
}

// Reached counts a state that a change has come to, if it ends there.
func (w *Watch) Reached(s control.State) {
	switch s.(type) {
	case control.Kept, control.RolledBack, control.Adrift:
		w.changes.WithLabelValues(desk.StateName(s)).Inc()
	}
}

// Judged counts a verdict; nil is none yet.
func (w *Watch) Judged(v *verify.Verdict) {
	if v != nil {
		w.verdicts.WithLabelValues(string(v.Outcome)).Inc()
	}
}

// Serve puts both answers up.
func (w *Watch) Serve(mux *http.ServeMux) {
	mux.Handle("GET /metrics", own(promhttp.HandlerFor(w.registry, promhttp.HandlerOpts{})))
	mux.Handle("GET /healthz", own(http.HandlerFunc(w.health)))
}

// lately is within which a processor must have answered: between changes the
// daemon looks every few seconds.
const lately = 15 * time.Second

// health says in a sentence how it stands.
func (w *Watch) health(out http.ResponseWriter, _ *http.Request) {
	out.Header().Set("Content-Type", "text/plain; charset=utf-8")
	out.Header().Set("Cache-Control", "no-store")
	if why := Unwell(w.of.Traffic(), w.now()); why != "" {
		out.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintln(out, why)
		return
	}
	fmt.Fprintln(out, "hushback serves, and every processor answered lately")
}

// Unwell is why not all is well, "" where it is: a processor that was asked and
// has not answered lately. One that was not asked for a while, as during a capture,
// and one that cannot be asked are no reason.
func Unwell(traffic []wire.Traffic, now time.Time) string {
	for _, t := range traffic {
		name := "the processor"
		if t.Processor != "" {
			name = fmt.Sprintf("processor %q", t.Processor)
		}
		switch {
		case t.Blind:
		case t.Answered.IsZero():
			return name + " has not answered since the start"
		case t.Asked.After(t.Answered) && now.Sub(t.Answered) > lately:
			return fmt.Sprintf("%s has not answered for %d s", name, int(now.Sub(t.Answered).Seconds()))
		}
	}
	return ""
}

// own lets requests from this machine through. A page that a browser here shows
// cannot be led to ask by a name that points here: it must ask by number.
func own(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, browser := r.Header["Origin"]; browser || !fromHere(r) || !byNumber(r.Host) {
			http.Error(w, "this is told on the machine itself only, asked for by number: curl http://127.0.0.1:PORT"+r.URL.Path, http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// fromHere reports whether a request comes from this machine: over loopback, or
// from the very address that it went to.
func fromHere(r *http.Request) bool {
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return false
	}
	if from.Addr().Unmap().IsLoopback() {
		return true
	}
	local, _ := r.Context().Value(http.LocalAddrContextKey).(interface{ String() string })
	if local == nil {
		return false
	}
	to, err := netip.ParseAddrPort(local.String())
	return err == nil && to.Addr().Unmap() == from.Addr().Unmap()
}

// byNumber reports whether a Host header is an address, or localhost.
func byNumber(host string) bool {
	if at, err := netip.ParseAddrPort(host); err == nil {
		return at.IsValid()
	}
	if _, err := netip.ParseAddr(host); err == nil {
		return true
	}
	return host == "localhost" || len(host) > len("localhost:") && host[:len("localhost:")] == "localhost:"
}
