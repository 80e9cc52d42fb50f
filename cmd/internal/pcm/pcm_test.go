package pcm

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os/exec"
	"strings"
	"testing"
)

func all(t *testing.T, r *Reader) [][]float64 {
	t.Helper()
	var frames [][]float64
	for {
		frame := make([]float64, r.Channels)
		if err := r.Read(frame); errors.Is(err, io.EOF) {
			return frames
		} else if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, frame)
	}
}

// What was written comes back within half a step, as WAV of known and unknown
// length and without a header.
func TestRoundTrip(t *testing.T) {
	for _, e := range Encodings() {
		step := map[Encoding]float64{S16: 1. / (1 << 15), S24: 1. / (1 << 23), S32: 1. / (1 << 31), F32: 1e-7}[e]
		for _, rate := range []int{44100, 48000, 96000, 192000} {
			f := Format{Encoding: e, Rate: rate, Channels: 3}
			var body []byte
			values := []float64{0, 1, -1, 0.5, -0.25, 1.5, -7, 1e-5, -1e-5, 0.123456789, -0.987654321, 0.7}
			for _, v := range values {
				body = e.Append(body, v)
			}
			for name, stream := range map[string][]byte{
				"known":   append(Header(f, 4), body...),
				"longer":  append(append(Header(f, 4), body...), "LIST more that is no audio"...),
				"unknown": append(append(Header(f, -1), body...), 1, 2, 3), // half a frame is dropped
				"raw":     body,
			} {
				r, err := NewReader(bytes.NewReader(stream), f)
				if err != nil {
					t.Fatal(e, name, err)
				}
				frames := all(t, r)
				if r.Format != f || len(frames) != 4 {
					t.Fatalf("%s %s: %+v, %d frames", e, name, r.Format, len(frames))
				}
				for i, v := range values {
					want := math.Max(-1, math.Min(1, v))
					if got := frames[i/3][i%3]; math.Abs(got-want) > step {
						t.Errorf("%s %s: value %d is %v, want %v", e, name, i, got, want)
					}
				}
			}
		}
	}
}

// Files that another program wrote, Python's wave module, and one that it reads.
func TestAgainstPython(t *testing.T) {
	python, err := exec.LookPath("/usr/bin/python3")
	if err != nil {
		t.Fatal("python3 is needed: apt-get install python3")
	}
	for _, width := range []int{2, 3, 4} {
		code := `
import wave, sys, io
w = int(sys.argv[1]); f = io.BytesIO(); o = wave.open(f, "wb"); o.setnchannels(2); o.setsampwidth(w); o.setframerate(96000)
o.writeframes(b"".join(int(v * (1 << (8 * w - 2))).to_bytes(w, "little", signed=True) for v in [1, -1, 0.5, -2])); o.close()
sys.stdout.buffer.write(f.getvalue())`
		text, err := exec.Command(python, "-c", code, string(rune('0'+width))).Output()
		if err != nil {
			t.Fatal(err)
		}
		r, err := NewReader(bytes.NewReader(text), Format{})
		if err != nil || r.Rate != 96000 || r.Channels != 2 || r.Encoding.Bytes() != width {
			t.Fatalf("%d bytes: %+v, %v", width, r, err)
		}
		frames := all(t, r)
		if len(frames) != 2 || frames[0][0] != 0.5 || frames[0][1] != -0.5 || frames[1][0] != 0.25 || frames[1][1] != -1 {
			t.Errorf("%d bytes: %v", width, frames)
		}
	}
	stream := S24.Append(S24.Append(Header(Format{S24, 48000, 2}, 1), 0.5), -0.5)
	read := exec.Command(python, "-c", `
import wave, sys, io
r = wave.open(io.BytesIO(sys.stdin.buffer.read())); print(r.getnchannels(), r.getsampwidth(), r.getframerate(), r.getnframes(), r.readframes(1).hex())`)
	read.Stdin = bytes.NewReader(stream)
	said, err := read.Output()
	if err != nil || strings.TrimSpace(string(said)) != "2 3 48000 1 0000400000c0" {
		t.Errorf("python reads %q, %v", said, err)
	}
}

// The extended form of the header, with a chunk before the samples, by hand.
func TestExtendedHeader(t *testing.T) {
	var b bytes.Buffer
	b.WriteString("RIFF\xff\xff\xff\xffWAVEJUNK\x03\x00\x00\x00abc\x00fmt ")
	for _, v := range []any{uint32(40), uint16(0xFFFE), uint16(1), uint32(48000), uint32(192000), uint16(4), uint16(32), uint16(22), uint16(32), uint32(4), uint16(3), [14]byte{}} {
		if err := binary.Write(&b, binary.LittleEndian, v); err != nil {
			t.Fatal(err)
		}
	}
	b.WriteString("data\x00\x00\x00\x00")
	b.Write(F32.Append(nil, 0.75))
	r, err := NewReader(&b, Format{})
	if err != nil || r.Encoding != F32 {
		t.Fatalf("%+v, %v", r, err)
	}
	if frames := all(t, r); len(frames) != 1 || frames[0][0] != 0.75 {
		t.Errorf("%v", frames)
	}
}

func TestStreamsThatAreNone(t *testing.T) {
	good := string(Header(Format{S16, 48000, 2}, 4))
	raw := Format{S16, 48000, 2}
	for text, want := range map[string]string{
		"":                    "is the recorder running",
		"RIFF":                "is no WAVE",
		"RIFFxxxxAVI LIST":    "is no WAVE",
		good[:20]:             "ends before its samples",
		good[:12] + good[36:]: "before they are described",
		strings.Replace(good, "\x10\x00data", "\x08\x00data", 1):                 "with 8 bits",
		strings.Replace(good, "fmt \x10", "fmt \x08", 1):                         "description of 8 bytes",
		strings.Replace(good, "fmt \x10\x00\x00\x00", "junk\xff\xff\xff\x0f", 1): "before its samples",
		strings.Replace(good, "\x80\xbb", "\x40\x1f", 1):                         "8000 samples a second, want 44100",
		strings.Replace(good, "\x01\x00\x02\x00", "\x01\x00\x00\x00", 1):         "0 channels",
	} {
		if _, err := NewReader(strings.NewReader(text), raw); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: got %v, want an error with %q", text, err, want)
		}
	}
	if _, err := NewReader(strings.NewReader("1234"), Format{"mp3", 48000, 2}); err == nil || !strings.Contains(err.Error(), `samples as "mp3"`) {
		t.Error(err)
	}
}

func FuzzReader(f *testing.F) {
	f.Add(append(Header(Format{S24, 96000, 2}, -1), 1, 2, 3, 4, 5, 6))
	f.Add([]byte("RIFF\xff\xff\xff\xffWAVEfmt \x10\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, stream []byte) {
		r, err := NewReader(bytes.NewReader(stream), Format{S16, 48000, 2})
		if err != nil {
			return
		}
		frame := make([]float64, r.Channels)
		n := 0
		for r.Read(frame) == nil {
			n++
		}
		if n*len(r.frame) > len(stream) {
			t.Fatalf("%d frames out of %d bytes", n, len(stream))
		}
	})
}
