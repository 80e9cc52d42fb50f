package feed

import (
	"bytes"
	"encoding/hex"
	"math"
	"strings"
	"testing"
)

// The layout in the comment of Frame, spelled out by hand.
const byHand = "48424146" + "0100" + "0200" + "07000000" + "0807060504030201" + "02000000" +
	"0000003f" + "000080bf" + "00000000" + "0000c03f" // 0.5 -1 0 1.5

func TestFrameLayout(t *testing.T) {
	f := Frame{Seq: 7, First: 0x0102030405060708, Samples: []float32{0.5, -1, 0, 1.5}}
	if got := hex.EncodeToString(EncodeFrame(f)); got != byHand {
		t.Errorf("encoded\n%s, want\n%s", got, byHand)
	}
	raw, _ := hex.DecodeString(byHand)
	back, err := DecodeFrame(raw)
	if err != nil {
		t.Fatal(err)
	}
	if back.Seq != f.Seq || back.First != f.First || len(back.Samples) != 4 || back.Samples[3] != 1.5 {
		t.Errorf("decoded %+v, want %+v", back, f)
	}
}

func TestEncodeLeavesOutHalfASample(t *testing.T) {
	b := EncodeFrame(Frame{Samples: []float32{1, 2, 3}})
	if f, err := DecodeFrame(b); err != nil || len(f.Samples) != 2 {
		t.Errorf("decoded %+v, %v; want one sample", f, err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	good := func() []byte { return EncodeFrame(Frame{Samples: []float32{1, 2, 3, 4}}) }
	with := func(at int, v ...byte) []byte {
		b := good()
		copy(b[at:], v)
		return b
	}
	for _, c := range []struct {
		name string
		in   []byte
		want string
	}{
		{"nothing", nil, "0 bytes, want at least the 24"},
		{"header cut", good()[:23], "23 bytes"},
		{"too long", make([]byte, maxFrameBytes+1), "want at most 262144"},
		{"magic", with(0, 'X'), "starts with \"XBAF\""},
		{"version", with(4, 2), "version 2"},
		{"channels", with(6, 1), "with 1 channels"},
		{"no samples", good()[:headerBytes], "counts 2 samples, body has 0 bytes"},
		{"count zero", with(20, 0), "counts 0 samples"},
		{"count too high", with(20, 3), "counts 3 samples, body has 16 bytes"},
		{"count absurd", with(20, 255, 255, 255, 255), "counts 4294967295"},
		{"one byte over", append(good(), 0), "body has 17 bytes"},
		{"index at the end", with(12, 255, 255, 255, 255, 255, 255, 255, 255), "leaves no room"},
	} {
		if _, err := DecodeFrame(c.in); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

// Whatever decodes encodes to the same bytes, and nothing panics.
func FuzzDecodeFrame(f *testing.F) {
	raw, _ := hex.DecodeString(byHand)
	f.Add(raw)
	f.Add(raw[:30])
	f.Add(EncodeFrame(Frame{Seq: math.MaxUint32, First: 1 << 63, Samples: []float32{float32(math.NaN()), float32(math.Inf(-1))}}))
	f.Add(EncodeFrame(Frame{Samples: make([]float32, 960)}))
	f.Add([]byte(frameMagic))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		frame, err := DecodeFrame(b)
		if err != nil {
			return
		}
		if again := EncodeFrame(frame); !bytes.Equal(again, b) {
			t.Errorf("decoded and encoded again: %x, was %x", again, b)
		}
	})
}
