package dashboard

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

// pair exchanges the pairing code for a session.
func (s *Server) pair(w http.ResponseWriter, r *http.Request) {
	if !comesFromPage(r) {
		s.refuse(w, r, http.StatusForbidden, noOrigin)
		return
	}
	if !s.attempts.allow(r.RemoteAddr) {
		w.Header().Set("Retry-After", "60")
		s.refuse(w, r, http.StatusTooManyRequests, "Too many tries. Wait a minute, then type the code that the terminal shows.")
		return
	}
	if !same(plainCode(r.PostFormValue("code")), plainCode(s.access.Code)) {
		s.refuse(w, r, http.StatusUnauthorized, "This is not the code. Type the one that the terminal shows now.")
		return
	}
	http.SetCookie(w, &http.Cookie{
		Name: cookieName(r), Value: s.sessions.open(s.access.Session), Path: "/", MaxAge: int(s.access.Session / time.Second),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	})
	if readsPages(r) {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	w.WriteHeader(http.StatusNoContent)
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

// visitor reports who asks: until when a paired browser's session lasts, or
// the zero time for a program with the token.
func (s *Server) visitor(r *http.Request) (until time.Time, ok bool) {
	if s.isProgram(r) {
		return time.Time{}, true
	}
	cookie, err := r.Cookie(cookieName(r))
	if err != nil {
		return time.Time{}, false
	}
	return s.sessions.check(cookie.Value)
}

// isProgram reports a program on this machine: it has the token, asks over
// loopback, and carries no Origin, which every browser adds to a press.
func (s *Server) isProgram(r *http.Request) bool {
	token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if _, browser := r.Header["Origin"]; !ok || browser || !same(token, s.access.AgentToken) {
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

// paired lets only paired visitors through; everybody else sees the pairing page.
func (s *Server) paired(next http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch _, known := s.visitor(r); {
		case !known && (r.Method == http.MethodGet || r.Method == http.MethodHead):
			s.refuse(w, r, http.StatusUnauthorized, "")
		case !known:
			s.refuse(w, r, http.StatusUnauthorized, "Pair first: this press was not taken.")
		case !s.isProgram(r) && !comesFromPage(r):
			s.refuse(w, r, http.StatusForbidden, noOrigin)
		default:
			next(w, r)
		}
	})
}

// sameOrigin is the socket's own check: CrossOriginProtection lets every GET
// through, and the upgrade is a GET.
func sameOrigin(r *http.Request) bool {
	origins := r.Header["Origin"]
	if len(origins) != 1 {
		return false
	}
	u, err := url.Parse(origins[0])
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && strings.EqualFold(u.Host, r.Host)
}
