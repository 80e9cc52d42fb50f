package access

import (
	"crypto/sha256"
	"fmt"
	"sync"
	"time"
)

const maxSessions = 64

// SilentAfter is how long a phone is not heard until it counts as gone. A page
// that is open and awake is heard every second.
const SilentAfter = 20 * time.Second

// Phone is a paired browser, as the others see it.
type Phone struct {
	Name   string // "phone 1", in the order of pairing: nobody has to type one
	Paired time.Time
	Heard  time.Time // last
}

// Controls is who holds the controls.
type Controls struct {
	Seq     uint64 // grows with every change of the rest and of who is paired
	Held    bool
	Holder  Phone
	Since   time.Time // when the holder took them, or when the last one let go
	From    string    // who held them before, "" if nobody did
	Silent  bool      // the holder was not heard for SilentAfter
	Viewers int       // paired phones that look on
}

// session is one paired browser.
type session struct {
	Phone
	until time.Time
}

// key is the hash of a cookie, so that nothing in memory could be used as one.
type key [sha256.Size]byte

func keyOf(token string) key { return sha256.Sum256([]byte(token)) }

// sessions knows who is paired and which of them holds the controls. The zero
// value is empty.
type sessions struct {
	mu      sync.Mutex
	seq     uint64
	all     map[key]*session
	named   int      // phones that were given a name
	holder  *session // nil when nobody holds the controls
	since   time.Time
	from    string
	silent  bool        // the holder, when it was looked at last
	alarm   *time.Timer // when the holder falls silent, or its session ends
	waiting map[chan struct{}]bool
}

// open starts a session for life and takes the place of the one that the phone
// had, if any: it keeps its name, and the controls. Where there are too many
// sessions, the one that would end first ends now.
func (s *sessions) open(old string, life time.Duration) (token string) {
	token = NewToken()
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	s.sweep(now)
	own, known := s.all[keyOf(old)]
	if delete(s.all, keyOf(old)); !known {
		s.named++
		own = &session{Phone: Phone{Name: fmt.Sprintf("phone %d", s.named), Paired: now}}
	}
	own.Heard, own.until = now, now.Add(life)
	if s.all == nil {
		s.all = map[key]*session{}
	}
	for len(s.all) >= maxSessions {
		delete(s.all, s.first())
	}
	s.all[keyOf(token)] = own
	if s.holder == nil {
		s.hand(own, now)
	}
	s.look(now)
	s.tell()
	return token
}

// first is the session that ends first, the holder's left aside.
func (s *sessions) first() (first key) {
	var soonest time.Time
	for k, own := range s.all {
		if own != s.holder && (soonest.IsZero() || own.until.Before(soonest)) {
			first, soonest = k, own.until
		}
	}
	return first
}

// sweep forgets the sessions that are over.
func (s *sessions) sweep(now time.Time) {
	for k, own := range s.all {
		if !now.Before(own.until) {
			s.drop(k, now)
		}
	}
}

// drop ends a session, and with it its hold on the controls.
func (s *sessions) drop(k key, now time.Time) {
	if own := s.all[k]; own == s.holder {
		s.hand(nil, now)
	}
	delete(s.all, k)
	s.tell()
}

// hand gives the controls to a phone, nil for nobody.
func (s *sessions) hand(to *session, now time.Time) {
	if s.holder != nil {
		s.from = s.holder.Name
	}
	s.holder, s.since, s.silent = to, now, false
}

// end ends a session at its phone's wish.
func (s *sessions) end(token string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, known := s.all[keyOf(token)]; known {
		now := time.Now()
		s.drop(keyOf(token), now)
		s.look(now)
	}
}

// find tells whose session a token is.
func (s *sessions) find(token string) (Visitor, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	own, known := s.all[keyOf(token)]
	if !known || !time.Now().Before(own.until) {
		return Visitor{}, false
	}
	return Visitor{Phone: own.Phone, Operator: own == s.holder, Until: own.until}, true
}

// hear notes that the phone with this token is still there.
func (s *sessions) hear(token string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	own, known := s.all[keyOf(token)]
	if !known || !now.Before(own.until) {
		return
	}
	own.Heard = now
	if own == s.holder {
		s.look(now)
	}
}

// takeOver gives the controls to a phone. One that has them keeps them.
func (s *sessions) takeOver(token string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	s.sweep(now)
	if own := s.all[keyOf(token)]; own != nil && own != s.holder {
		s.hand(own, now)
		s.look(now)
		s.tell()
	}
}

// look sees whether the holder is silent, says so if that is new, and winds the
// alarm for the next moment at which it may change by itself.
func (s *sessions) look(now time.Time) {
	if s.alarm != nil {
		s.alarm.Stop()
	}
	if s.holder == nil {
		return
	}
	quiet := s.holder.Heard.Add(SilentAfter)
	was := s.silent
	s.silent = !now.Before(quiet)
	next := quiet
	if s.silent || s.holder.until.Before(quiet) {
		next = s.holder.until
	}
	s.alarm = time.AfterFunc(next.Sub(now), s.ring)
	if s.silent != was {
		s.tell()
	}
}

// ring is the alarm.
func (s *sessions) ring() {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	s.sweep(now)
	s.look(now)
}

func (s *sessions) controls() Controls {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sweep(time.Now())
	c := Controls{Seq: s.seq, Held: s.holder != nil, Since: s.since, From: s.from, Silent: s.silent, Viewers: len(s.all)}
	if c.Held {
		c.Holder = s.holder.Phone
		c.Viewers--
	}
	return c
}

// watch registers somebody who wants to hear of changes.
func (s *sessions) watch() (changed <-chan struct{}, stop func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.waiting == nil {
		s.waiting = map[chan struct{}]bool{}
	}
	c := make(chan struct{}, 1)
	s.waiting[c] = true
	return c, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.waiting, c)
	}
}

// tell says that something changed, to all who watch.
func (s *sessions) tell() {
	s.seq++
	for c := range s.waiting {
		select {
		case c <- struct{}{}:
		default: // one is waiting already
		}
	}
}
