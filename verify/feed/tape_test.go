package feed

import (
	"errors"
	"math"
	"testing"

	"hushback/verify/feed/protocol"
)

// ramp is samples whose values name their own index: reference i, microphone -i.
func ramp(first uint64, count int) []float32 {
	s := make([]float32, 0, 2*count)
	for i := range count {
		v := float32(first + uint64(i))
		s = append(s, v, -v)
	}
	return s
}

// wind adds frames as a connection's reader does.
func wind(t *testing.T, tape *tape, frames ...protocol.Frame) {
	t.Helper()
	for i, f := range frames {
		if err := tape.add(nil, f, i > 0 && f.Seq != frames[i-1].Seq+1); err != nil {
			t.Fatal(err)
		}
	}
}

func over(s *span) bool {
	select {
	case <-s.done:
		return true
	default:
		return false
	}
}

// A span gets all its samples however much longer than the tape it is.
func TestSpanGetsWhatIsAdded(t *testing.T) {
	const length = 160 // four times what the tape keeps
	tape := newTape(10)
	s := tape.want(25, length)
	for seq := range uint32(13) {
		if over(s) {
			t.Fatalf("over before frame %d", seq)
		}
		wind(t, tape, protocol.Frame{Seq: seq, First: uint64(seq) * 15, Samples: ramp(uint64(seq)*15, 15)})
	}
	if !over(s) || s.err != nil || len(s.got.Reference) != length || len(s.got.Microphone) != length || s.got.Rate != 10 {
		t.Fatalf("%d and %d samples at %d, %v; want 160", len(s.got.Reference), len(s.got.Microphone), s.got.Rate, s.err)
	}
	for i := range s.got.Reference {
		if want := float64(25 + i); s.got.Reference[i] != want || s.got.Microphone[i] != -want {
			t.Fatalf("sample %d: %v and %v, want ±%v", 25+i, s.got.Reference[i], s.got.Microphone[i], want)
		}
	}
	if len(tape.wants) != 0 {
		t.Error("a span that is over is still filled")
	}
	forgotten := tape.want(1000, 1)
	if tape.forget(forgotten); len(tape.wants) != 0 {
		t.Error("a span that was forgotten is still filled")
	}
}

// Each case adds frames after one that holds samples 100 to 109, then reads a
// span of 5. Breaks count only when they lie inside the span.
func TestTapeGaps(t *testing.T) {
	nan := ramp(110, 10)
	nan[7] = float32(math.NaN())
	inf := ramp(110, 10)
	inf[0] = float32(math.Inf(1))
	next := protocol.Frame{Seq: 1, First: 110, Samples: ramp(110, 10)}
	last := protocol.Frame{Seq: 2, First: 120, Samples: ramp(120, 10)}
	for _, c := range []struct {
		name   string
		frames []protocol.Frame
		first  uint64
		gap    bool
		gaps   int
	}{
		{"unbroken", []protocol.Frame{next, last}, 108, false, 0},
		{"index jumps over the span's start", []protocol.Frame{{Seq: 1, First: 120, Samples: ramp(120, 10)}}, 112, true, 1},
		{"index jumps before the span", []protocol.Frame{{Seq: 1, First: 120, Samples: ramp(120, 10)}}, 122, false, 1},
		{"sequence jumps inside", []protocol.Frame{{Seq: 2, First: 110, Samples: ramp(110, 10)}}, 108, true, 1},
		{"sequence jumps just before", []protocol.Frame{{Seq: 2, First: 110, Samples: ramp(110, 10)}}, 110, false, 1},
		{"not a number", []protocol.Frame{{Seq: 1, First: 110, Samples: nan}, last}, 112, true, 1},
		{"infinite", []protocol.Frame{{Seq: 1, First: 110, Samples: inf}, last}, 112, true, 1},
		{"not a number, before", []protocol.Frame{{Seq: 1, First: 110, Samples: nan}, last}, 121, false, 1},
		{"before the tape began", []protocol.Frame{next}, 98, true, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, before := range []bool{true, false} { // is the span asked for, or after
				tape := newTape(100)
				var s *span
				if before {
					s = tape.want(c.first, 5)
				}
				wind(t, tape, append([]protocol.Frame{{Seq: 0, First: 100, Samples: ramp(100, 10)}}, c.frames...)...)
				if !before {
					s = tape.want(c.first, 5)
				}
				if !over(s) || errors.Is(s.err, errGap) != c.gap {
					t.Errorf("over %t, error %v; want a gap: %t", over(s), s.err, c.gap)
				}
				if !c.gap && (len(s.got.Reference) != 5 || s.got.Reference[0] != float64(c.first)) {
					t.Errorf("read %v, want 5 samples from %d", s.got.Reference, c.first)
				}
				if _, _, gaps := tape.level(); gaps != c.gaps {
					t.Errorf("%d gaps, want %d", gaps, c.gaps)
				}
			}
		})
	}
}

func TestSpanAskedForTooLateIsAGap(t *testing.T) {
	tape := newTape(10)
	for seq := range uint32(5) {
		wind(t, tape, protocol.Frame{Seq: seq, First: uint64(seq) * 10, Samples: ramp(uint64(seq)*10, 10)})
	}
	if s := tape.want(0, 5); !over(s) || !errors.Is(s.err, errGap) {
		t.Errorf("error %v, want a gap: 50 samples went through a tape of 40", s.err)
	}
}

// What is sent again counts once, whatever the cut; only the connection that
// owns the tape may add.
func TestTapeTakesWhatIsSentAgainOnce(t *testing.T) {
	tape := newTape(100)
	first, second := &line{}, &line{}
	if next := tape.own(first); next != 0 {
		t.Errorf("a new tape wants %d", next)
	}
	s := tape.want(100, 40)
	add := func(from *line, at uint64, n int) error {
		return tape.add(from, protocol.Frame{First: at, Samples: ramp(at, n)}, false)
	}
	if err := add(first, 100, 20); err != nil {
		t.Fatal(err)
	}
	if next := tape.own(second); next != 120 {
		t.Errorf("wants %d next, got 100 to 119", next)
	}
	if err := add(first, 120, 5); !errors.Is(err, errReplaced) {
		t.Errorf("the connection before adds: %v", err)
	}
	for _, again := range []struct {
		at uint64
		n  int
	}{{100, 10}, {110, 10}, {115, 10}, {125, 15}} {
		if err := add(second, again.at, again.n); err != nil {
			t.Fatal(err)
		}
	}
	if !over(s) || s.err != nil || len(s.got.Reference) != 40 {
		t.Fatalf("%d samples, %v", len(s.got.Reference), s.err)
	}
	for i, v := range s.got.Reference {
		if v != float64(100+i) {
			t.Fatalf("sample %d is %v", 100+i, v)
		}
	}
	if _, _, gaps := tape.level(); gaps != 0 {
		t.Errorf("%d gaps", gaps)
	}
}

func TestTapeLevel(t *testing.T) {
	const rate = 48000
	sine := func(amplitude float64) []float32 {
		s := make([]float32, 2*rate)
		for i := range rate {
			s[2*i] = 1 // the reference channel must not count
			s[2*i+1] = float32(amplitude * math.Sin(2*math.Pi*50*float64(i)/rate))
		}
		return s
	}
	for _, c := range []struct {
		name      string
		amplitude float64
		db        float64 // closed form: 20 log10(a/√2)
		clipped   bool
	}{
		{"half scale", 0.5, -9.0309, false},
		{"full scale", 1, -3.0103, true},
		{"full scale of 16 bits", 32767. / 32768, -3.0106, true},
		{"silence", 0, silenceDB, false},
	} {
		tape := newTape(rate)
		wind(t, tape, protocol.Frame{Samples: make([]float32, 2*rate)}, protocol.Frame{Seq: 1, First: rate, Samples: sine(c.amplitude)}) // after an older, silent second
		db, clipped, _ := tape.level()
		if math.Abs(db-c.db) > 1e-3 || clipped != c.clipped {
			t.Errorf("%s: %.4f dB clipped %t, want %.4f dB clipped %t", c.name, db, clipped, c.db, c.clipped)
		}
	}
	if db, _, _ := newTape(rate).level(); db != silenceDB {
		t.Errorf("empty tape: %v dB, want %v", db, silenceDB)
	}
}
