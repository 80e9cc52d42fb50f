package osc

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
)

// The frames of testdata/published/osc11_slip.json: derived from RFC 1055
// (Romkey 1988, page 2) and the double END of OSC 1.1 (Freed and Schmeder,
// NIME 2009), byte for byte.
func TestPublishedSLIP(t *testing.T) {
	b, err := os.ReadFile("../../testdata/published/osc11_slip.json")
	if err != nil {
		t.Fatal(err)
	}
	var published struct {
		Frames []struct {
			Desc    string
			Payload string `json:"payload_hex"`
			Frame   string `json:"frame_hex"`
		} `json:"frames_derived"`
		Stream struct {
			Hex     string   `json:"stream_hex"`
			Decoded []string `json:"decoded_hex"`
		} `json:"stream_derived"`
	}
	if err := json.Unmarshal(b, &published); err != nil || len(published.Frames) < 5 {
		t.Fatalf("%d frames, %v", len(published.Frames), err)
	}
	for _, f := range published.Frames {
		if got := hex.EncodeToString(frameSLIP(raw(t, f.Payload))); got != f.Frame {
			t.Errorf("%s: framed as %s, want %s", f.Desc, got, f.Frame)
		}
		got, err := unframeSLIP(bufio.NewReader(bytes.NewReader(raw(t, f.Frame))))
		if err != nil || hex.EncodeToString(got) != f.Payload {
			t.Errorf("%s: read as %x, %v, want %s", f.Desc, got, err, f.Payload)
		}
	}
	got := packets(t, raw(t, published.Stream.Hex), unframeSLIP)
	if strings.Join(got, " ") != strings.Join(published.Stream.Decoded, " ") {
		t.Errorf("the stream came as %v, want %v", got, published.Stream.Decoded)
	}
}

// packets reads a stream to its end, packets in hex.
func packets(t *testing.T, stream []byte, unframe func(*bufio.Reader) ([]byte, error)) []string {
	t.Helper()
	in := bufio.NewReader(bytes.NewReader(stream))
	var got []string
	for {
		p, err := unframe(in)
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return got
		}
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, hex.EncodeToString(p))
	}
}

// Any packets, framed one behind the other, come out as they went in, even if
// what is read arrives in any pieces.
func TestFramesComeOutAsTheyWentIn(t *testing.T) {
	const seed = 1055
	r := rand.New(rand.NewPCG(seed, 0))
	for name, way := range map[string]struct {
		frame   func([]byte) []byte
		unframe func(*bufio.Reader) ([]byte, error)
	}{"length": {frameLength, unframeLength}, "slip": {frameSLIP, unframeSLIP}} {
		var stream []byte
		var want []string
		for range 500 {
			p := make([]byte, 4*(1+r.IntN(200)))
			for i := range p {
				p[i] = []byte{0xc0, 0xdb, 0xdc, 0xdd, byte(r.Uint32())}[r.IntN(5)]
			}
			stream = append(stream, way.frame(p)...)
			want = append(want, hex.EncodeToString(p))
		}
		if got := packets(t, stream, way.unframe); strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("seed %d: %s: %d packets came out, %d went in, or other ones", seed, name, len(got), len(want))
		}
	}
}

// A frame that cannot be right costs itself and no other.
func TestBadSLIPFrames(t *testing.T) {
	good := frameSLIP(raw(t, msgA))
	for name, bad := range map[string][]byte{
		"escape of nothing":  {slipEnd, 1, slipEsc, 7, 2, slipEnd},
		"escape at the end":  {slipEnd, 1, 2, slipEsc, slipEnd},
		"too long":           append(append([]byte{slipEnd}, bytes.Repeat([]byte{1}, maxPacket+1)...), slipEnd),
		"only an escape":     {slipEsc, slipEnd},
		"empty frames":       bytes.Repeat([]byte{slipEnd}, 1000),
		"an escape too many": {slipEnd, slipEsc, slipEsc, slipEscEnd, slipEnd},
	} {
		var whole []string
		for _, p := range packets(t, append(bad, good...), unframeSLIP) {
			if p != "" {
				whole = append(whole, p)
			}
		}
		if len(whole) != 1 || whole[0] != strings.ReplaceAll(msgA, " ", "") {
			t.Errorf("%s: read %v, want the good frame alone", name, whole)
		}
	}
}

func TestBadLengths(t *testing.T) {
	for _, word := range []string{"00000000", "00000003", "ffffffff", "80000000", "0000ffe4"} {
		_, err := unframeLength(bufio.NewReader(bytes.NewReader(raw(t, word+"2f610000"))))
		if err == nil || !strings.Contains(err.Error(), "want a multiple of 4") {
			t.Errorf("%s: %v", word, err)
		}
	}
}

// FuzzFrames: any bytes give packets or an end, never a panic, and no packet
// larger than any may be.
func FuzzFrames(f *testing.F) {
	f.Add(frameSLIP([]byte("/a\x00\x00")), true)
	f.Add(frameLength([]byte("/a\x00\x00")), false)
	f.Add([]byte{slipEsc, slipEsc, slipEnd, slipEnd}, true)
	f.Add([]byte{0, 0, 0, 8, 1}, false)
	f.Fuzz(func(t *testing.T, stream []byte, slip bool) {
		unframe := unframeLength
		if slip {
			unframe = unframeSLIP
		}
		in := bufio.NewReader(bytes.NewReader(stream))
		for range len(stream) + 1 {
			p, err := unframe(in)
			if err != nil {
				return
			}
			if len(p) > maxPacket || len(p) > len(stream) {
				t.Fatalf("a packet of %d bytes from %d", len(p), len(stream))
			}
		}
		t.Fatal("more packets than bytes")
	})
}
