package protocol

import (
	"bytes"
	"encoding/hex"
	"math"
	"slices"
	"strings"
	"testing"
)

// The layout in the comment of Frame, spelled out by hand.
const byHand = "48424146" + "0100" + "0200" + "07000000" + "0807060504030200" + "02000000" +
	"0000003f" + "000080bf" + "00000000" + "0000c03f" // 0.5 -1 0 1.5

func TestFrameLayout(t *testing.T) {
	f := Frame{Seq: 7, First: 0x0002030405060708, Samples: []float32{0.5, -1, 0, 1.5}}
	if got := hex.EncodeToString(EncodeFrame(f, Layout{})); got != byHand {
		t.Errorf("encoded\n%s, want\n%s", got, byHand)
	}
	raw, _ := hex.DecodeString(byHand)
	back, err := DecodeFrame(raw, Layout{})
	if err != nil {
		t.Fatal(err)
	}
	if back.Seq != f.Seq || back.First != f.First || len(back.Samples) != 4 || back.Samples[3] != 1.5 {
		t.Errorf("decoded %+v, want %+v", back, f)
	}
}

func TestEncodeLeavesOutHalfASample(t *testing.T) {
	b := EncodeFrame(Frame{Samples: []float32{1, 2, 3}}, Layout{})
	if f, err := DecodeFrame(b, Layout{}); err != nil || len(f.Samples) != 2 {
		t.Errorf("decoded %+v, %v; want one sample", f, err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	good := func() []byte { return EncodeFrame(Frame{Samples: []float32{1, 2, 3, 4}}, Layout{}) }
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
		{"too long", make([]byte, MaxFrameBytes+1), "want at most 262144"},
		{"magic", with(0, 'X'), "starts with \"XBAF\""},
		{"version", with(4, 2), "version 2"},
		{"channels", with(6, 1), "with 1 channels"},
		{"no samples", good()[:headerBytes], "counts 2 samples, body has 0 bytes"},
		{"count zero", with(20, 0), "counts 0 samples"},
		{"count too high", with(20, 3), "counts 3 samples, body has 16 bytes"},
		{"count absurd", with(20, 255, 255, 255, 255), "counts 4294967295"},
		{"one byte over", append(good(), 0), "body has 17 bytes"},
		{"index at the end", with(12, 254, 255, 255, 255, 255, 255, 31, 0), "2 samples from sample 9007199254740990 on, want none beyond 9007199254740991"},
	} {
		if _, err := DecodeFrame(c.in, Layout{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

// What each format makes of values that it can hold, and of one beyond full
// scale, spelled by hand.
func TestFormats(t *testing.T) {
	in := []float32{0.5, -1, -0.25, 1.5}
	for _, c := range []struct {
		layout Layout
		body   string
		last   float32
	}{
		{Layout{Format: S16}, "0040" + "0080" + "00e0" + "ff7f", 32767. / 32768},
		{Layout{Format: S24}, "000040" + "000080" + "0000e0" + "ffff7f", 8388607. / 8388608},
		{Layout{Format: S32}, "00000040" + "00000080" + "000000e0" + "ffffff7f", 1}, // nearest with 24 bits
		{Layout{Format: F32}, "0000003f" + "000080bf" + "000080be" + "0000c03f", 1.5},
		{Layout{Format: S16, MicrophoneFirst: true}, "0080" + "0040" + "ff7f" + "00e0", 32767. / 32768},
	} {
		b := EncodeFrame(Frame{Samples: in}, c.layout)
		if got := hex.EncodeToString(b[headerBytes:]); got != c.body {
			t.Errorf("%+v: encoded %s, want %s", c.layout, got, c.body)
		}
		f, err := DecodeFrame(b, c.layout)
		if err != nil || !slices.Equal(f.Samples, []float32{0.5, -1, -0.25, c.last}) {
			t.Errorf("%+v: decoded %v, %v", c.layout, f.Samples, err)
		}
	}
	if n := Format("u8").bytes(); n != 0 {
		t.Errorf("a format that is none has %d bytes", n)
	}
}

// layouts are all that a hello may declare.
func layouts() (all []Layout) {
	for _, f := range Formats() {
		all = append(all, Layout{f, false}, Layout{f, true})
	}
	return all
}

// Whatever decodes encodes to the same bytes (but for 32-bit whole numbers, of
// which only 24 bits are kept), and nothing panics.
func FuzzDecodeFrame(f *testing.F) {
	raw, _ := hex.DecodeString(byHand)
	for i, l := range layouts() {
		f.Add(raw, i)
		f.Add(raw[:30], i)
		f.Add(EncodeFrame(Frame{Seq: math.MaxUint32, First: 1 << 52, Samples: []float32{float32(math.NaN()), float32(math.Inf(-1))}}, l), i)
	}
	f.Fuzz(func(t *testing.T, b []byte, form int) {
		all := layouts()
		l := all[uint(form)%uint(len(all))]
		frame, err := DecodeFrame(b, l)
		if err != nil {
			return
		}
		if frame.Count() == 0 || frame.End() > MaxIndex {
			t.Errorf("samples %d to %d", frame.First, frame.End())
		}
		again := EncodeFrame(frame, l)
		if l.Format != S32 && !bytes.Equal(again, b) {
			t.Errorf("decoded and encoded again: %x, was %x", again, b)
		}
		twice, err := DecodeFrame(again, l)
		if err != nil || twice.First != frame.First || twice.Seq != frame.Seq || !bytes.Equal(EncodeFrame(twice, l), again) {
			t.Errorf("decoded, encoded and decoded again: %v, %v, was %v", twice, err, frame)
		}
	})
}

// What lies before an index goes, and nothing else.
func TestFrom(t *testing.T) {
	f := Frame{First: 10, Samples: []float32{0, -0, 1, -1, 2, -2}}
	for index, want := range map[uint64]Frame{
		0: f, 10: f, 11: {First: 11, Samples: f.Samples[2:]}, 12: {First: 12, Samples: f.Samples[4:]}, 13: {First: 13}, 99: {First: 13},
	} {
		got := f.From(index)
		if got.First != want.First || !slices.Equal(got.Samples, want.Samples) || got.End() != 13 {
			t.Errorf("from %d: %+v, want %+v", index, got, want)
		}
	}
}
