// Package pcm reads and writes uncompressed audio as it comes through a pipe: WAV
// whose header does not know the length, or samples without any header. Libraries
// for WAV files want to seek, which a pipe cannot.
package pcm

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// Encoding is how one sample is spelled; all are little-endian.
type Encoding string

// The encodings.
const (
	S16 Encoding = "s16le"
	S24 Encoding = "s24le" // in three bytes
	S32 Encoding = "s32le"
	F32 Encoding = "f32le"
)

// Encodings lists all.
func Encodings() []Encoding { return []Encoding{S16, S24, S32, F32} }

// Bytes of one sample; 0 for an encoding that there is not.
func (e Encoding) Bytes() int {
	switch e {
	case S16:
		return 2
	case S24:
		return 3
	case S32, F32:
		return 4
	}
	return 0
}

// What formats may be: from the slowest rate that recorders still know to the
// fastest that measures anything, and as many channels as an interface has.
const (
	MinRate     = 44100
	MaxRate     = 192000
	maxChannels = 64
)

// Format is what a stream holds.
type Format struct {
	Encoding Encoding
	Rate     int // samples a second
	Channels int
}

// Check says what is wrong with a format.
func (f Format) Check() error {
	switch {
	case f.Encoding.Bytes() == 0:
		return fmt.Errorf("samples as %q, want one of %v", f.Encoding, Encodings())
	case f.Rate < MinRate || f.Rate > MaxRate:
		return fmt.Errorf("%d samples a second, want %d to %d", f.Rate, MinRate, MaxRate)
	case f.Channels < 1 || f.Channels > maxChannels:
		return fmt.Errorf("%d channels, want 1 to %d", f.Channels, maxChannels)
	}
	return nil
}

// ErrSilent is a recorder that gives nothing at all.
var ErrSilent = errors.New("audio: nothing comes in: is the recorder running?")

// Reader reads frames, one sample of each channel, full scale ±1.
type Reader struct {
	Format
	in    *bufio.Reader
	left  int64 // bytes of the data chunk; -1: until the stream ends
	frame []byte
}

// NewReader begins to read a stream: WAV if it starts like one, whatever raw says,
// else samples without a header as raw describes them.
func NewReader(r io.Reader, raw Format) (*Reader, error) {
	p := &Reader{Format: raw, in: bufio.NewReaderSize(r, 64<<10), left: -1}
	if start, err := p.in.Peek(4); err == nil && string(start) == "RIFF" {
		if err := p.header(); err != nil {
			return nil, fmt.Errorf("WAV: %w", err)
		}
	} else if err != nil && len(start) == 0 {
		return nil, ErrSilent
	}
	if err := p.Check(); err != nil {
		return nil, fmt.Errorf("audio: %w", err)
	}
	p.frame = make([]byte, p.Channels*p.Encoding.Bytes())
	return p, nil
}

// header reads chunk after chunk up to the samples.
func (p *Reader) header() error {
	var riff [12]byte
	if _, err := io.ReadFull(p.in, riff[:]); err != nil || string(riff[8:]) != "WAVE" {
		return errors.New("it starts with RIFF but is no WAVE")
	}
	known := false
	for {
		var head [8]byte
		if _, err := io.ReadFull(p.in, head[:]); err != nil {
			return errors.New("it ends before its samples begin")
		}
		size := binary.LittleEndian.Uint32(head[4:])
		switch string(head[:4]) {
		case "fmt ":
			if err := p.describe(size); err != nil {
				return err
			}
			known = true
		case "data":
			if !known {
				return errors.New("its samples come before they are described")
			}
			// A recorder that does not know how long it will run writes 0 or the most there is.
			if size != 0 && size < math.MaxInt32 {
				p.left = int64(size)
			}
			return nil
		default:
			if size > 1<<20 {
				return fmt.Errorf("a chunk %q of %d bytes before its samples", head[:4], size)
			}
			if _, err := p.in.Discard(int(size + size%2)); err != nil {
				return errors.New("it ends before its samples begin")
			}
		}
	}
}

// describe reads the chunk that says what the samples are.
func (p *Reader) describe(size uint32) error {
	if size < 16 || size > 1024 {
		return fmt.Errorf("a description of %d bytes, want 16 or some more", size)
	}
	text := make([]byte, size+size%2)
	if _, err := io.ReadFull(p.in, text); err != nil {
		return errors.New("it ends before its samples begin")
	}
	tag, bits := binary.LittleEndian.Uint16(text), binary.LittleEndian.Uint16(text[14:])
	p.Channels, p.Rate = int(binary.LittleEndian.Uint16(text[2:])), int(binary.LittleEndian.Uint32(text[4:]))
	if tag == 0xFFFE && size >= 26 { // the extended form names the tag further on
		tag = binary.LittleEndian.Uint16(text[24:])
	}
	found := map[[2]uint16]Encoding{{1, 16}: S16, {1, 24}: S24, {1, 32}: S32, {3, 32}: F32}
	var ok bool
	if p.Encoding, ok = found[[2]uint16{tag, bits}]; !ok {
		return fmt.Errorf("samples of kind %d with %d bits, want integers of 16, 24 or 32 bits or floats of 32", tag, bits)
	}
	return nil
}

// Read fills dst with the next frame, one value for each channel. io.EOF at the
// end; half a frame there is dropped.
func (p *Reader) Read(dst []float64) error {
	if p.left >= 0 && p.left < int64(len(p.frame)) {
		return io.EOF
	}
	if _, err := io.ReadFull(p.in, p.frame); err != nil {
		if errors.Is(err, io.ErrUnexpectedEOF) {
			return io.EOF
		}
		return err
	}
	if p.left >= 0 {
		p.left -= int64(len(p.frame))
	}
	n := p.Encoding.Bytes()
	for c := range dst[:p.Channels] {
		dst[c] = p.Encoding.decode(p.frame[c*n:])
	}
	return nil
}

func (e Encoding) decode(b []byte) float64 {
	switch e {
	case S16:
		return float64(int16(binary.LittleEndian.Uint16(b))) / (1 << 15)
	case S24:
		return float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)) / (1 << 31)
	case S32:
		return float64(int32(binary.LittleEndian.Uint32(b))) / (1 << 31)
	default:
		return float64(math.Float32frombits(binary.LittleEndian.Uint32(b)))
	}
}

// Append spells a value, held to full scale, at the end of b.
func (e Encoding) Append(b []byte, v float64) []byte {
	v = math.Max(-1, math.Min(1, v))
	whole := func(bits int) int64 {
		return int64(math.Min(math.Round(v*math.Exp2(float64(bits-1))), math.Exp2(float64(bits-1))-1))
	}
	switch e {
	case S16:
		return binary.LittleEndian.AppendUint16(b, uint16(whole(16)))
	case S24:
		w := whole(24)
		return append(b, byte(w), byte(w>>8), byte(w>>16))
	case S32:
		return binary.LittleEndian.AppendUint32(b, uint32(whole(32)))
	default:
		return binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
	}
}

// Header is the beginning of a WAV of so many frames; less than 0 if nobody knows
// how long it will be, as in a pipe.
func Header(f Format, frames int64) []byte {
	size := uint32(math.MaxUint32)
	if bytes := frames * int64(f.Channels*f.Encoding.Bytes()); frames >= 0 && bytes < math.MaxInt32 {
		size = uint32(bytes)
	}
	whole := size
	if whole <= math.MaxUint32-36 {
		whole += 36
	}
	tag, block := uint16(1), uint16(f.Channels*f.Encoding.Bytes())
	if f.Encoding == F32 {
		tag = 3
	}
	var b bytes.Buffer
	b.WriteString("RIFF")
	for _, v := range []any{
		whole, [8]byte([]byte("WAVEfmt ")), uint32(16), tag, uint16(f.Channels), uint32(f.Rate), uint32(f.Rate) * uint32(block), block,
		uint16(8 * f.Encoding.Bytes()), [4]byte([]byte("data")), size,
	} {
		_ = binary.Write(&b, binary.LittleEndian, v) // a buffer takes everything
	}
	return b.Bytes()
}
