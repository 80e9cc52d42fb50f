package feed

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"hushback/verify/feed/protocol"
)

// tapeSec is how much audio a tape keeps. Captures get their samples as these
// come, so it only has to cover the answer to a mark being overtaken by frames.
const tapeSec = 4

// roomSec is how much of a capture has room from the start.
const roomSec = 60

// silenceDB stands for "no level at all": just below what 24 bits can carry.
const silenceDB = -150

// clippedAt is the least value of a sample that counts as full scale, which
// whole numbers just miss.
const clippedAt = 0.999

var (
	// errGap says that samples a capture wanted are missing; asking again may help.
	errGap = errors.New("gap in the audio")
	// errReplaced says that the agent has come back on another connection.
	errReplaced = errors.New("resumed on another connection")
)

// tape is the last few seconds of one session's audio, a ring. The reader of
// the connection that owns it adds; captures and Status read. It outlives a
// connection, for the next one of the same session goes on where that ended.
type tape struct {
	rate int

	mu    sync.Mutex
	owner *line
	ring  []float32 // interleaved; sample i lies at i modulo the size
	began bool
	run   uint64    // start of the unbroken run of samples that ends at next
	next  uint64    // index after the last sample
	gaps  int       // breaks since the session began
	heard time.Time // when samples came last
	wants []*span   // of captures, not yet complete
}

// span is consecutive samples that a capture waits for.
type span struct {
	got    Recording
	length int
	err    error
	done   chan struct{} // closed when got is complete, or err says that it never will be
}

func newTape(rate int) *tape {
	return &tape{rate: rate, ring: make([]float32, tapeSec*rate*protocol.Channels), heard: time.Now()}
}

// own makes a connection the only one that may add, and says which sample it
// should begin with.
func (t *tape) own(ln *line) (next uint64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.owner, t.heard = ln, time.Now()
	return t.next
}

// expected is the index of the sample that is to come next.
func (t *tape) expected() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.next
}

// add appends a frame. What is there already, because it was sent again after a
// drop, counts once. A jump in sample index, broken (the frame does not follow
// the one before it on its connection) or values that are not finite end the run.
func (t *tape) add(from *line, f protocol.Frame, broken bool) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.owner != from {
		return errReplaced
	}
	t.heard = time.Now()
	if t.began && f.First < t.next {
		if f = f.From(t.next); f.Count() == 0 {
			return nil
		}
	}
	end := f.End()
	switch {
	case !finite(f.Samples):
		t.gaps++
		t.run = end
	case !t.began:
		t.run = f.First
	case broken || f.First != t.next:
		t.gaps++
		t.run = f.First
	}
	size := uint64(len(t.ring) / protocol.Channels)
	for i := f.First; i < end; i++ {
		copy(t.ring[i%size*protocol.Channels:], f.Samples[(i-f.First)*protocol.Channels:][:protocol.Channels])
	}
	t.began, t.next = true, end
	t.wants = slices.DeleteFunc(t.wants, func(s *span) bool { return t.fill(s) })
	return nil
}

// want is a span of length samples from first on; forget it when it is over.
func (t *tape) want(first uint64, length int) *span {
	s := &span{got: Recording{Rate: t.rate, First: first}, length: length, done: make(chan struct{})}
	room := min(length, roomSec*t.rate)
	s.got.Reference, s.got.Microphone = make([]float64, 0, room), make([]float64, 0, room)
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.fill(s) {
		t.wants = append(t.wants, s)
	}
	return s
}

func (t *tape) forget(s *span) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.wants = slices.DeleteFunc(t.wants, func(other *span) bool { return other == s })
}

// fill appends to a span what has arrived of it, and reports whether it is over.
func (t *tape) fill(s *span) (over bool) {
	at := s.got.First + uint64(len(s.got.Reference))
	size := uint64(len(t.ring) / protocol.Channels)
	switch {
	case !t.began || at >= t.next && t.run <= s.got.First:
		return false
	case t.run > s.got.First || t.next-at > size:
		s.err = fmt.Errorf("%w: samples from %d to %d are not all there", errGap, s.got.First, max(t.run, t.next-min(t.next, size)))
		close(s.done)
		return true
	}
	for ; at < t.next && len(s.got.Reference) < s.length; at++ {
		s.got.Reference = append(s.got.Reference, float64(t.ring[at%size*protocol.Channels]))
		s.got.Microphone = append(s.got.Microphone, float64(t.ring[at%size*protocol.Channels+1]))
	}
	if len(s.got.Reference) < s.length {
		return false
	}
	close(s.done)
	return true
}

// quiet is how long no samples have come, nor a connection that might bring some.
func (t *tape) quiet() time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	return time.Since(t.heard)
}

// apart is by how many seconds samples that arrived are behind (above 0) or
// ahead of the one that an agent says it is taking.
func (t *tape) apart(taking uint64) float64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.began {
		return 0
	}
	return float64(int64(taking-t.next)) / float64(t.rate)
}

// level is the root mean square of the microphone channel over the last
// unbroken second at most, in dB re full scale, and whether any sample of it
// reached full scale.
func (t *tape) level() (db float64, clipped bool, gaps int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	size := uint64(len(t.ring) / protocol.Channels)
	n := min(t.next-t.run, uint64(t.rate))
	var power float64
	for i := t.next - n; i < t.next; i++ {
		v := float64(t.ring[i%size*protocol.Channels+1])
		power += v * v
		clipped = clipped || math.Abs(v) >= clippedAt
	}
	db = 10 * math.Log10(power/math.Max(1, float64(n)))
	return math.Max(silenceDB, db), clipped, t.gaps
}

func finite(samples []float32) bool {
	for _, v := range samples {
		if f := float64(v); math.IsNaN(f) || math.IsInf(f, 0) {
			return false
		}
	}
	return true
}
