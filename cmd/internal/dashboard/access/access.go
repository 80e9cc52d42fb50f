// Package access decides who may look at the page and press on it: which Host
// headers it answers to, whether a press comes from the page itself, who has
// paired with the code that the terminal shows, and which programs of this
// machine carry its token.
package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Pairing attempts, right or wrong: a person mistypes a few times a minute; a
// program that guesses gets no further.
const (
	attemptsPerMinute = 5  // from one address
	attemptsOfAll     = 30 // from everywhere together
	maxAddresses      = 256
	maxSessions       = 64
)

// Rules is who may look and press.
type Rules struct {
	Code       string        // the pairing code, as the terminal shows it
	AgentToken string        // bearer token of programs on this machine
	Hosts      []string      // Host headers allowed beside loopback, host or host:port
	Session    time.Duration // how long a pairing lasts
}

// Refusal is why a request is not let through: an HTTP status and a sentence
// for the person, "" where the pairing page says enough.
type Refusal struct {
	Status   int
	Sentence string
}

// Door lets in whom its rules allow. It keeps the sessions.
type Door struct {
	rules    Rules
	hosts    hostList
	sessions sessions
	attempts *attempts
}

// New makes a door. The zero Rules let nobody in: without a code nobody pairs,
// without a token no program may ask, and a Session of zero is over at once.
func New(rules Rules) *Door {
	return &Door{rules: rules, hosts: newHostList(rules.Hosts), attempts: newAttempts()}
}

// Knows reports whether the page answers to a Host header.
func (d *Door) Knows(host string) bool { return d.hosts.allow(host) }

// hostList is the Host headers that the page answers to beside loopback, lower
// case: "host" for any port or "host:port".
type hostList map[string]bool

func newHostList(hosts []string) hostList {
	list := hostList{}
	for _, h := range hosts {
		h = strings.ToLower(h)
		if _, _, err := net.SplitHostPort(h); err != nil {
			h = strings.Trim(h, "[]")
		}
		list[h] = h != ""
	}
	return list
}

func (l hostList) allow(host string) bool {
	host = strings.ToLower(host)
	name := hostName(host)
	if ip, err := netip.ParseAddr(name); name == "localhost" || err == nil && ip.Unmap().IsLoopback() {
		return true
	}
	return l[host] || l[name]
}

// hostName is a Host header without its port and brackets.
func hostName(host string) string {
	if name, _, err := net.SplitHostPort(host); err == nil {
		return name
	}
	return strings.Trim(host, "[]")
}

// sessions maps the hash of a cookie to the moment it stops counting, so that
// nothing in memory could be used as a cookie.
type sessions struct {
	mu    sync.Mutex
	until map[[sha256.Size]byte]time.Time
}

// open starts a session of 256 random bits. When there are too many, the one
// that would end first ends now.
func (s *sessions) open(life time.Duration) (token string) {
	raw := make([]byte, 32)
	rand.Read(raw) // never fails since Go 1.24
	token = hex.EncodeToString(raw)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.until == nil {
		s.until = map[[sha256.Size]byte]time.Time{}
	}
	for len(s.until) >= maxSessions {
		delete(s.until, s.first())
	}
	s.until[sha256.Sum256([]byte(token))] = time.Now().Add(life)
	return token
}

// first is the session that ends first.
func (s *sessions) first() (key [sha256.Size]byte) {
	var soonest time.Time
	for k, t := range s.until {
		if soonest.IsZero() || t.Before(soonest) {
			key, soonest = k, t
		}
	}
	return key
}

func (s *sessions) check(token string) (until time.Time, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	until, ok = s.until[sha256.Sum256([]byte(token))]
	return until, ok && time.Now().Before(until)
}

// attempts limits how often a pairing code may be tried.
type attempts struct {
	mu   sync.Mutex
	all  *rate.Limiter
	from map[netip.Prefix]*rate.Limiter
}

func newAttempts() *attempts {
	return &attempts{
		all:  rate.NewLimiter(rate.Every(time.Minute/attemptsOfAll), attemptsOfAll),
		from: map[netip.Prefix]*rate.Limiter{},
	}
}

// allow spends one attempt of an address, then one of everybody's: somebody
// who is over his own limit cannot use up what is left for the others.
func (a *attempts) allow(remote string) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	key := addressBlock(remote)
	own, known := a.from[key]
	if !known {
		if a.forget(); len(a.from) >= maxAddresses {
			return false
		}
		own = rate.NewLimiter(rate.Every(time.Minute/attemptsPerMinute), attemptsPerMinute)
		a.from[key] = own
	}
	return own.Allow() && a.all.Allow()
}

// forget drops the addresses that have all their attempts back: for them a new
// limiter is the same as the old one.
func (a *attempts) forget() {
	for key, l := range a.from {
		if l.Tokens() >= attemptsPerMinute {
			delete(a.from, key)
		}
	}
}

// addressBlock is what counts as one address: an IPv4 address, or the 64 bits
// of an IPv6 address below which one machine may call itself anything.
func addressBlock(remote string) netip.Prefix {
	at, err := netip.ParseAddrPort(remote)
	if err != nil {
		return netip.Prefix{}
	}
	ip, bits := at.Addr().Unmap(), 32
	if ip.Is6() {
		bits = 64
	}
	block, _ := ip.Prefix(bits) // bits always fit
	return block
}

// Pair exchanges the pairing code for a session, which w's cookie carries; nil
// says that it did.
func (d *Door) Pair(w http.ResponseWriter, r *http.Request) *Refusal {
	if !comesFromPage(r) {
		return &Refusal{http.StatusForbidden, noOrigin}
	}
	if !d.attempts.allow(r.RemoteAddr) {
		w.Header().Set("Retry-After", "60")
		return &Refusal{http.StatusTooManyRequests, "Too many tries. Wait a minute, then type the code that the terminal shows."}
	}
	if !same(plainCode(r.PostFormValue("code")), plainCode(d.rules.Code)) {
		return &Refusal{http.StatusUnauthorized, "This is not the code. Type the one that the terminal shows now."}
	}
	http.SetCookie(w, &http.Cookie{
		Name: cookieName(r), Value: d.sessions.open(d.rules.Session), Path: "/", MaxAge: int(d.rules.Session / time.Second),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	})
	return nil
}

// plainCode forgives what a person in gloves adds: case, blanks and hyphens.
func plainCode(code string) string {
	return strings.ToUpper(strings.NewReplacer(" ", "", "-", "").Replace(code))
}

// same compares secrets in constant time; nothing equals the empty secret.
func same(got, want string) bool {
	g, w := sha256.Sum256([]byte(got)), sha256.Sum256([]byte(want))
	return subtle.ConstantTimeCompare(g[:], w[:]) == 1 && want != ""
}

// cookieName carries the port, because browsers share cookies between the
// ports of one host, and two daemons on one machine must not log each other out.
func cookieName(r *http.Request) string {
	_, port, err := net.SplitHostPort(r.Host)
	if err != nil {
		port = "default"
	}
	return "hushback_" + port
}

// Visitor reports who asks: until when a paired browser's session lasts, or
// the zero time for a program with the token.
func (d *Door) Visitor(r *http.Request) (until time.Time, ok bool) {
	if d.isProgram(r) {
		return time.Time{}, true
	}
	cookie, err := r.Cookie(cookieName(r))
	if err != nil {
		return time.Time{}, false
	}
	return d.sessions.check(cookie.Value)
}

// isProgram reports a program on this machine: it has the token, asks over
// loopback, and carries no Origin, which every browser adds to a press.
func (d *Door) isProgram(r *http.Request) bool {
	token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if _, browser := r.Header["Origin"]; !ok || browser || !same(token, d.rules.AgentToken) {
		return false
	}
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && at.Addr().Unmap().IsLoopback()
}

const noOrigin = "this press does not say which page it came from"

// comesFromPage reports whether a press says where it comes from at all; that
// it comes from here was checked before. Browsers always say.
func comesFromPage(r *http.Request) bool {
	return r.Method == http.MethodGet || r.Method == http.MethodHead ||
		r.Header.Get("Origin") != "" || r.Header.Get("Sec-Fetch-Site") != ""
}

// Refuse says why a request may not pass, nil if it may: only paired visitors
// and programs of this machine look and press.
func (d *Door) Refuse(r *http.Request) *Refusal {
	switch _, known := d.Visitor(r); {
	case !known && (r.Method == http.MethodGet || r.Method == http.MethodHead):
		return &Refusal{Status: http.StatusUnauthorized}
	case !known:
		return &Refusal{http.StatusUnauthorized, "Pair first: this press was not taken."}
	case !d.isProgram(r) && !comesFromPage(r):
		return &Refusal{http.StatusForbidden, noOrigin}
	}
	return nil
}

// SameOrigin is the live socket's own check: CrossOriginProtection lets every GET
// through, and the upgrade is a GET.
func SameOrigin(r *http.Request) bool {
	origins := r.Header["Origin"]
	if len(origins) != 1 {
		return false
	}
	u, err := url.Parse(origins[0])
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && strings.EqualFold(u.Host, r.Host)
}
