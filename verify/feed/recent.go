package feed

import "hushback/verify/feed/protocol"

// Recent is the newest unbroken audio of a microphone, lengthSec of it at most,
// without waiting for any: to watch by, not to judge by. It is empty where nothing
// has come yet, and is never longer than what the hub keeps, four seconds.
func (h *Hub) Recent(microphone string, lengthSec float64) Recording {
	h.mu.Lock()
	var t *tape
	if p := h.places[microphone]; p != nil && p.line != nil {
		t = p.line.tape
	}
	h.mu.Unlock()
	if t == nil {
		return Recording{}
	}
	return t.recent(lengthSec)
}

func (t *tape) recent(lengthSec float64) Recording {
	t.mu.Lock()
	defer t.mu.Unlock()
	size := uint64(len(t.ring) / protocol.Channels)
	n := min(t.next-t.run, size, uint64(max(0, lengthSec)*float64(t.rate)))
	r := Recording{Rate: t.rate, First: t.next - n, Reference: make([]float64, n), Microphone: make([]float64, n)}
	at := t.ring[r.First%size*protocol.Channels:]
	for i := range n {
		if len(at) == 0 {
			at = t.ring
		}
		r.Reference[i], r.Microphone[i] = float64(at[0]), float64(at[1])
		at = at[protocol.Channels:]
	}
	return r
}
