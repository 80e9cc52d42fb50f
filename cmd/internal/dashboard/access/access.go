// Package access decides who may look at the page and press on it: which Host
// headers it answers to, whether a press comes from the page itself, who has
// paired with the code that the terminal shows, which of the paired phones holds
// the controls, and which programs of this machine carry its token.
package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"
)

// Rules is who may look and press.
type Rules struct {
	Code       string        // the pairing code, as the terminal shows it
	AgentToken string        // bearer token of programs on this machine
	Hosts      []string      // Host headers allowed beside loopback, host or host:port
	Session    time.Duration // how long a pairing lasts
}

// NewToken is 256 random bits in hex, for programs and for cookies.
func NewToken() string {
	var b [32]byte
	rand.Read(b[:]) // never fails: crypto/rand ends the process instead
	return hex.EncodeToString(b[:])
}

// NewCode is 40 random bits in letters and digits that are not mistaken for one
// another, for a person to type.
func NewCode() string {
	const letters = "ABCDEFGHJKMNPQRSTVWXYZ0123456789" // 32 of them, so no letter is likelier
	var b [8]byte
	rand.Read(b[:])
	for i := range b {
		b[i] = letters[b[i]%32]
	}
	return string(b[:4]) + "-" + string(b[4:])
}

// Refusal is why a request is not let through: an HTTP status and a sentence
// for the person, "" where the pairing page says enough.
type Refusal struct {
	Status   int
	Sentence string
}

// Door lets in whom its rules allow. It keeps the sessions and who holds the
// controls.
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

// Pair exchanges the pairing code for a session, which w's cookie carries; nil
// says that it did. The first phone holds the controls.
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
	setCookie(w, r, d.sessions.open(carried(r), d.rules.Session), int(d.rules.Session/time.Second))
	return nil
}

// Unpair ends the asker's session. Whoever holds the controls lets go of them.
func (d *Door) Unpair(w http.ResponseWriter, r *http.Request) {
	d.sessions.end(carried(r))
	setCookie(w, r, "", -1)
}

// setCookie gives a browser its session, or takes it away.
func setCookie(w http.ResponseWriter, r *http.Request, token string, maxAge int) {
	http.SetCookie(w, &http.Cookie{
		Name: cookieName(r), Value: token, Path: "/", MaxAge: maxAge,
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	})
}

// cookieName carries the port, because browsers share cookies between the
// ports of one host, and two daemons on one machine must not log each other out.
// Over TLS its beginning makes browsers refuse one that was set without.
func cookieName(r *http.Request) string {
	name := "hushback_default"
	if _, port, err := net.SplitHostPort(r.Host); err == nil {
		name = "hushback_" + port
	}
	if r.TLS != nil {
		return "__Host-" + name
	}
	return name
}

// carried is the session that a request's cookie names, "" if it has none.
func carried(r *http.Request) (token string) {
	cookie, err := r.Cookie(cookieName(r))
	if err != nil {
		return ""
	}
	return cookie.Value
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

// Visitor is somebody who may look.
type Visitor struct {
	Phone              // zero for a program
	Program  bool      // of this machine, with the token
	Operator bool      // may press everything: a program, or who holds the controls
	Until    time.Time // when the pairing ends; zero for a program, whose token lasts
}

// Who tells who asks, and false for somebody who may not look.
func (d *Door) Who(r *http.Request) (Visitor, bool) {
	if d.isProgram(r) {
		return Visitor{Program: true, Operator: true}, true
	}
	return d.sessions.find(carried(r))
}

// Heard notes that the phone which asked is still there.
func (d *Door) Heard(r *http.Request) { d.sessions.hear(carried(r)) }

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

const noOrigin = "this press does not say that it came from this page"

// comesFromPage reports whether a press says that it comes from this page. Browsers
// always say.
func comesFromPage(r *http.Request) bool {
	switch {
	case r.Method == http.MethodGet || r.Method == http.MethodHead:
		return true
	case len(r.Header["Origin"]) > 0:
		return SameOrigin(r)
	default:
		return r.Header.Get("Sec-Fetch-Site") == "same-origin"
	}
}

// Refuse says why a request may not pass, nil if it may: only paired visitors
// and programs of this machine look and press.
func (d *Door) Refuse(r *http.Request) *Refusal {
	switch who, known := d.Who(r); {
	case !known && (r.Method == http.MethodGet || r.Method == http.MethodHead):
		return &Refusal{Status: http.StatusUnauthorized}
	case !known:
		return &Refusal{http.StatusUnauthorized, "Pair first: this press was not taken."}
	case !who.Program && !comesFromPage(r):
		return &Refusal{http.StatusForbidden, noOrigin}
	}
	d.Heard(r)
	return nil
}

// RefuseToSteer is Refuse for a press that only the one who holds the controls may do.
func (d *Door) RefuseToSteer(r *http.Request) *Refusal {
	if no := d.Refuse(r); no != nil {
		return no
	}
	if who, _ := d.Who(r); who.Operator {
		return nil
	}
	holds := "Nobody holds the controls"
	if c := d.Controls(); c.Held {
		holds = capital(c.Holder.Name) + " holds the controls"
	}
	return &Refusal{http.StatusForbidden, holds + ", so this press was not taken. Take over first, at the top of the page, then press again."}
}

func capital(name string) string { return strings.ToUpper(name[:1]) + name[1:] }

// TakeOver gives the controls to the phone that asks.
func (d *Door) TakeOver(r *http.Request) *Refusal {
	if no := d.Refuse(r); no != nil {
		return no
	}
	if !d.isProgram(r) { // a program may press everything as it is
		d.sessions.takeOver(carried(r))
	}
	return nil
}

// Controls is who holds the controls now.
func (d *Door) Controls() Controls { return d.sessions.controls() }

// Watch delivers a value after each change of who holds the controls or who is
// paired (never more than one waiting) until stop is called.
func (d *Door) Watch() (changed <-chan struct{}, stop func()) { return d.sessions.watch() }
