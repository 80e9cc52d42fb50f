package access

import (
	"net/netip"
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
)

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
