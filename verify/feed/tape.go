package feed

import (
	"errors"
	"fmt"
	"math"
	"sync"
)

// tapeSeconds is how much audio a tape keeps. A capture copies as samples
// come, so it only has to cover the answer to a mark being overtaken by frames.
const tapeSeconds = 4

// silenceDB stands for "no level at all": just below what 24 bits can carry.
const silenceDB = -150

// errGap says that samples a capture wanted are missing; asking again may help.
var errGap = errors.New("gap in the audio")

// tape is the last few seconds of one connection's audio, a ring. The
// connection's reader adds; captures and Status read.
type tape struct {
	rate int

	mu      sync.Mutex
	ring    []float32 // interleaved; sample i lies at i modulo the size
	began   bool
	seq     uint32        // of the last frame
	run     uint64        // start of the unbroken run of samples that ends at next
	next    uint64        // index after the last sample
	gaps    int           // breaks since the connection began
	changed chan struct{} // closed, and replaced, whenever samples arrive
}

func newTape(rate int) *tape {
	return &tape{rate: rate, ring: make([]float32, tapeSeconds*rate*channels), changed: make(chan struct{})}
}

// add appends a frame. A jump in sequence or sample index, or values that are
// not finite, break the run. An index that goes back is an error: the agent
// has lost count, and nothing it says about samples can be believed.
func (t *tape) add(f Frame) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.began && f.First < t.next {
		return fmt.Errorf("sample index went back from %d to %d", t.next, f.First)
	}
	end := f.First + uint64(len(f.Samples)/channels)
	switch {
	case !finite(f.Samples):
		t.gaps++
		t.run = end
	case !t.began:
		t.run = f.First
	case f.Seq != t.seq+1 || f.First != t.next:
		t.gaps++
		t.run = f.First
	}
	size := uint64(len(t.ring) / channels)
	for i := f.First; i < end; i++ {
		copy(t.ring[i%size*channels:], f.Samples[(i-f.First)*channels:][:channels])
	}
	t.began, t.seq, t.next = true, f.Seq, end
	close(t.changed)
	t.changed = make(chan struct{})
	return nil
}

// read appends to r what has arrived of the span of length samples that
// begins at r.First, and returns a channel that closes when more is there.
func (t *tape) read(r *Recording, length int) (more <-chan struct{}, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	at := r.First + uint64(len(r.Reference))
	size := uint64(len(t.ring) / channels)
	if !t.began || at >= t.next && t.run <= r.First {
		return t.changed, nil
	}
	if t.run > r.First || t.next-at > size {
		return nil, fmt.Errorf("%w: samples from %d to %d are not all there", errGap, r.First, max(t.run, t.next-min(t.next, size)))
	}
	for ; at < t.next && len(r.Reference) < length; at++ {
		r.Reference = append(r.Reference, float64(t.ring[at%size*channels]))
		r.Microphone = append(r.Microphone, float64(t.ring[at%size*channels+1]))
	}
	return t.changed, nil
}

// near reports whether an index can be that of a sample about to arrive: no
// more than a tape's length away from the last one that did.
func (t *tape) near(index uint64) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	size := uint64(len(t.ring) / channels)
	return !t.began || max(index, t.next)-min(index, t.next) <= size
}

// level is the root mean square of the microphone channel over the last
// unbroken second at most, in dB re full scale, and whether any sample of it
// reached full scale.
func (t *tape) level() (db float64, clipped bool, gaps int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	size := uint64(len(t.ring) / channels)
	n := min(t.next-t.run, uint64(t.rate))
	var power float64
	for i := t.next - n; i < t.next; i++ {
		v := float64(t.ring[i%size*channels+1])
		power += v * v
		clipped = clipped || math.Abs(v) >= 1
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
