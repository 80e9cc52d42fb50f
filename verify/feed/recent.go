package feed

import (
	"math"

	"hushback/verify/feed/protocol"
)

// Recent is the newest unbroken audio of a microphone, lengthSec of it at most,
// without waiting for any: to watch by, not to judge by. It is empty where nothing
// has come yet, and is never longer than what the hub keeps, four seconds.
func (h *Hub) Recent(microphone string, lengthSec float64) Recording {
	if t := h.tape(microphone); t != nil {
		return t.recent(lengthSec)
	}
	return Recording{}
}

// Played is the level of the reference in that audio, root mean square, dB re full
// scale, and how many seconds of it there are; without a copy, as most of the time
// nothing is being played.
func (h *Hub) Played(microphone string, lengthSec float64) (levelDB, sec float64) {
	if t := h.tape(microphone); t != nil {
		return t.played(lengthSec)
	}
	return math.Inf(-1), 0
}

// tape is what a microphone that is connected fills; nil without one.
func (h *Hub) tape(microphone string) *tape {
	h.mu.Lock()
	defer h.mu.Unlock()
	if p := h.places[microphone]; p != nil && p.line != nil {
		return p.line.tape
	}
	return nil
}

// newest is which samples the newest unbroken ones are, lengthSec of them at most; the
// lock must be held.
func (t *tape) newest(lengthSec float64) (first, n uint64) {
	n = min(t.next-t.run, uint64(len(t.ring)/protocol.Channels), uint64(max(0, lengthSec)*float64(t.rate)))
	return t.next - n, n
}

// each calls with n samples of both channels from first on; the lock must be held.
func (t *tape) each(first, n uint64, do func(i int, reference, heard float32)) {
	at := t.ring[first%uint64(len(t.ring)/protocol.Channels)*protocol.Channels:]
	for i := range int(n) {
		if len(at) == 0 {
			at = t.ring
		}
		do(i, at[0], at[1])
		at = at[protocol.Channels:]
	}
}

func (t *tape) recent(lengthSec float64) Recording {
	t.mu.Lock()
	defer t.mu.Unlock()
	first, n := t.newest(lengthSec)
	r := Recording{Rate: t.rate, First: first, Reference: make([]float64, n), Microphone: make([]float64, n)}
	t.each(first, n, func(i int, reference, heard float32) {
		r.Reference[i], r.Microphone[i] = float64(reference), float64(heard)
	})
	return r
}

func (t *tape) played(lengthSec float64) (levelDB, sec float64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	first, n := t.newest(lengthSec)
	power := 0.0
	t.each(first, n, func(_ int, reference, _ float32) { power += float64(reference) * float64(reference) })
	return 10 * math.Log10(power/float64(max(1, n))), float64(n) / float64(t.rate)
}
