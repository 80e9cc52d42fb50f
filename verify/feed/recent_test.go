package feed

import (
	"math"
	"testing"

	"hushback/verify/feed/protocol"
)

// What is recent is the newest audio, whole, and never reaches over a gap or
// further back than the tape.
func TestRecentIsTheNewestUnbrokenAudio(t *testing.T) {
	tape := newTape(10)
	check := func(when string, lengthSec float64, first uint64, count int) {
		t.Helper()
		r := tape.recent(lengthSec)
		if r.Rate != 10 || r.First != first || len(r.Reference) != count || len(r.Microphone) != count {
			t.Fatalf("%s: %d samples from %d at %d a second, want %d from %d", when, len(r.Reference), r.First, r.Rate, count, first)
		}
		for i := range count {
			if want := float64(first) + float64(i); r.Reference[i] != want || r.Microphone[i] != -want {
				t.Fatalf("%s: sample %d is %v and %v, want ±%v", when, i, r.Reference[i], r.Microphone[i], want)
			}
		}
		// The sum of the squares of the whole numbers below n is (n-1)·n·(2n-1)/6.
		below := func(n int) float64 { return float64((n-1)*n*(2*n-1)) / 6 }
		want := 10 * math.Log10((below(int(first)+count)-below(int(first)))/float64(max(1, count)))
		if level, sec := tape.played(lengthSec); sec != float64(count)/10 || !(math.Abs(level-want) < 1e-9) && level != want {
			t.Fatalf("%s: %v dB over %v s, want %v over %d samples", when, level, sec, want, count)
		}
	}
	check("nothing yet", 2, 0, 0)
	wind(t, tape, protocol.Frame{First: 100, Samples: ramp(100, 15)})
	check("a beginning", 2, 100, 15)
	wind(t, tape, protocol.Frame{Seq: 1, First: 115, Samples: ramp(115, 60)})
	check("enough", 2, 155, 20)
	check("all that is kept", 9, 135, 40)
	wind(t, tape, protocol.Frame{Seq: 2, First: 200, Samples: ramp(200, 5)})
	check("after a gap", 2, 200, 5)
	check("none of it", -1, 205, 0)
}

// Of a microphone that is not there nothing is recent.
func TestRecentOfNobody(t *testing.T) {
	h := NewHub([]string{"rear"}, "token")
	defer h.Close()
	for _, name := range []string{"rear", "nobody's"} {
		if r := h.Recent(name, 2); r.Rate != 0 || len(r.Reference) != 0 {
			t.Errorf("%s: %+v", name, r)
		}
		if level, sec := h.Played(name, 2); sec != 0 || !math.IsInf(level, -1) {
			t.Errorf("%s: %v dB over %v s", name, level, sec)
		}
	}
}
