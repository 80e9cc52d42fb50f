package feed

import (
	"errors"
	"math"
	"testing"
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

func TestTapeReadsWhatWasAdded(t *testing.T) {
	const length = 160 // four times what the tape keeps
	tape := newTape(10)
	r := Recording{First: 25}
	for seq := range uint32(14) {
		f := Frame{Seq: seq, First: uint64(seq) * 15, Samples: ramp(uint64(seq)*15, 15)}
		if err := tape.add(f); err != nil {
			t.Fatal(err)
		}
		if _, err := tape.read(&r, length); err != nil {
			t.Fatal(err)
		}
	}
	if len(r.Reference) != length || len(r.Microphone) != length {
		t.Fatalf("read %d and %d samples, want 160", len(r.Reference), len(r.Microphone))
	}
	for i := range r.Reference {
		if want := float64(25 + i); r.Reference[i] != want || r.Microphone[i] != -want {
			t.Fatalf("sample %d: %v and %v, want ±%v", 25+i, r.Reference[i], r.Microphone[i], want)
		}
	}
}

// Each case adds frames after one that holds samples 100 to 109, then reads a
// span of 5. Breaks count only when they lie inside the span.
func TestTapeGaps(t *testing.T) {
	nan := ramp(110, 10)
	nan[7] = float32(math.NaN())
	inf := ramp(110, 10)
	inf[0] = float32(math.Inf(1))
	next := Frame{Seq: 1, First: 110, Samples: ramp(110, 10)}
	last := Frame{Seq: 2, First: 120, Samples: ramp(120, 10)}
	for _, c := range []struct {
		name   string
		frames []Frame
		first  uint64
		gap    bool
		gaps   int
	}{
		{"unbroken", []Frame{next, last}, 108, false, 0},
		{"index jumps over the span's start", []Frame{{Seq: 1, First: 120, Samples: ramp(120, 10)}}, 112, true, 1},
		{"index jumps before the span", []Frame{{Seq: 1, First: 120, Samples: ramp(120, 10)}}, 122, false, 1},
		{"sequence jumps inside", []Frame{{Seq: 2, First: 110, Samples: ramp(110, 10)}}, 108, true, 1},
		{"sequence jumps just before", []Frame{{Seq: 2, First: 110, Samples: ramp(110, 10)}}, 110, false, 1},
		{"not a number", []Frame{{Seq: 1, First: 110, Samples: nan}, last}, 112, true, 1},
		{"infinite", []Frame{{Seq: 1, First: 110, Samples: inf}, last}, 112, true, 1},
		{"not a number, before", []Frame{{Seq: 1, First: 110, Samples: nan}, last}, 121, false, 1},
		{"before the tape began", []Frame{next}, 98, true, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			tape := newTape(100)
			if err := tape.add(Frame{Seq: 0, First: 100, Samples: ramp(100, 10)}); err != nil {
				t.Fatal(err)
			}
			for _, f := range c.frames {
				if err := tape.add(f); err != nil {
					t.Fatal(err)
				}
			}
			r := Recording{First: c.first}
			_, err := tape.read(&r, 5)
			if got := errors.Is(err, errGap); got != c.gap {
				t.Errorf("error %v, want a gap: %t", err, c.gap)
			}
			if !c.gap && (len(r.Reference) != 5 || r.Reference[0] != float64(c.first)) {
				t.Errorf("read %v, want 5 samples from %d", r.Reference, c.first)
			}
			if _, _, gaps := tape.level(); gaps != c.gaps {
				t.Errorf("%d gaps, want %d", gaps, c.gaps)
			}
		})
	}
}

func TestTapeSlowReaderIsAGap(t *testing.T) {
	tape := newTape(10)
	r := Recording{First: 0}
	for seq := range uint32(5) {
		if err := tape.add(Frame{Seq: seq, First: uint64(seq) * 10, Samples: ramp(uint64(seq)*10, 10)}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := tape.read(&r, 5); !errors.Is(err, errGap) {
		t.Errorf("error %v, want a gap: 50 samples went through a tape of 40", err)
	}
}

func TestTapeRefusesToGoBack(t *testing.T) {
	tape := newTape(10)
	if err := tape.add(Frame{First: 100, Samples: ramp(100, 10)}); err != nil {
		t.Fatal(err)
	}
	if err := tape.add(Frame{Seq: 1, First: 109, Samples: ramp(109, 10)}); err == nil {
		t.Error("an index that went back was taken")
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
		{"silence", 0, silenceDB, false},
	} {
		tape := newTape(rate)
		if err := tape.add(Frame{Samples: make([]float32, 2*rate)}); err != nil { // an older, silent second
			t.Fatal(err)
		}
		if err := tape.add(Frame{Seq: 1, First: rate, Samples: sine(c.amplitude)}); err != nil {
			t.Fatal(err)
		}
		db, clipped, _ := tape.level()
		if math.Abs(db-c.db) > 1e-3 || clipped != c.clipped {
			t.Errorf("%s: %.4f dB clipped %t, want %.4f dB clipped %t", c.name, db, clipped, c.db, c.clipped)
		}
	}
	if db, _, _ := newTape(rate).level(); db != silenceDB {
		t.Errorf("empty tape: %v dB, want %v", db, silenceDB)
	}
}
