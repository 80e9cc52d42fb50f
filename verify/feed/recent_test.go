package feed

import (
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
	}
}
