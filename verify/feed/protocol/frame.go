package protocol

import (
	"encoding/binary"
	"fmt"
	"math"
)

// Channels of a frame: reference and microphone.
const Channels = 2

const (
	// MaxFrameBytes is the longest frame.
	MaxFrameBytes = 256 << 10
	headerBytes   = 24

	frameVersion = 1
	frameMagic   = "HBAF" // hushback audio frame
)

// MaxIndex is the highest index that a sample may have: what numbers hold in
// every program that reads JSON. It lasts for 1,400 years.
const MaxIndex = 1<<53 - 1

// Format is how one sample is spelled in a frame; all are little-endian. Whole
// numbers are of full scale 2^15, 2^23 and 2^31; S32 is kept to 24 bits, which
// is more than any converter tells.
type Format string

// The formats. The zero value counts as F32.
const (
	S16 Format = "s16le"
	S24 Format = "s24le" // in three bytes
	S32 Format = "s32le"
	F32 Format = "f32le"
)

// Formats lists all.
func Formats() []Format { return []Format{S16, S24, S32, F32} }

// bytes is how long a sample of one channel is, 0 for no format of ours.
func (f Format) bytes() int {
	switch f {
	case S16:
		return 2
	case S24:
		return 3
	case S32, F32, "":
		return 4
	}
	return 0
}

func (f Format) append(b []byte, v float32) []byte {
	whole := func(scale float64) int64 {
		return int64(max(-scale, min(scale-1, math.Round(float64(v)*scale))))
	}
	switch f {
	case S16:
		return binary.LittleEndian.AppendUint16(b, uint16(whole(1<<15)))
	case S24:
		w := whole(1 << 23)
		return append(b, byte(w), byte(w>>8), byte(w>>16))
	case S32:
		return binary.LittleEndian.AppendUint32(b, uint32(whole(1<<31)))
	}
	return binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
}

func (f Format) decode(b []byte) float32 {
	switch f {
	case S16:
		return float32(int16(binary.LittleEndian.Uint16(b))) / (1 << 15)
	case S24:
		return float32(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)) / (1 << 31)
	case S32:
		return float32(int32(binary.LittleEndian.Uint32(b))) / (1 << 31)
	}
	return math.Float32frombits(binary.LittleEndian.Uint32(b))
}

// Layout is the form of the samples in an agent's frames, which its hello
// declares. The zero value is F32, reference first.
type Layout struct {
	Format          Format
	MicrophoneFirst bool
}

// sampleBytes is the length of a sample of both channels.
func (l Layout) sampleBytes() int { return Channels * l.Format.bytes() }

// Frame is one binary message: consecutive samples of both channels.
//
// On the wire, little-endian: magic "HBAF", version uint16 = 1, channels
// uint16 = 2, Seq uint32, First uint64, sample count per channel uint32, then
// the samples in the declared format, both channels by turns in the declared
// order. At most 256 KiB.
type Frame struct {
	Seq     uint32    // grows by one with each frame of a connection, wraps
	First   uint64    // index of the first sample since the agent began to count
	Samples []float32 // interleaved reference, microphone; full scale is ±1
}

// Count is how many samples (of both channels) there are.
func (f Frame) Count() int { return len(f.Samples) / Channels }

// End is the index after the last sample.
func (f Frame) End() uint64 { return f.First + uint64(f.Count()) }

// From is the part of a frame that does not lie before an index.
func (f Frame) From(index uint64) Frame {
	if index > f.First {
		over := min(index, f.End()) - f.First
		f.First, f.Samples = f.First+over, f.Samples[over*Channels:]
	}
	return f
}

// EncodeFrame spells f as bytes. An odd last value in Samples is left out, for
// it belongs to no whole sample; what is beyond full scale is cut off by the
// formats of whole numbers.
func EncodeFrame(f Frame, l Layout) []byte {
	count := f.Count()
	b := make([]byte, 0, headerBytes+count*l.sampleBytes())
	b = append(b, frameMagic...)
	b = binary.LittleEndian.AppendUint16(b, frameVersion)
	b = binary.LittleEndian.AppendUint16(b, Channels)
	b = binary.LittleEndian.AppendUint32(b, f.Seq)
	b = binary.LittleEndian.AppendUint64(b, f.First)
	b = binary.LittleEndian.AppendUint32(b, uint32(count))
	for i := range count * Channels {
		if l.MicrophoneFirst {
			i ^= 1
		}
		b = l.Format.append(b, f.Samples[i])
	}
	return b
}

// DecodeFrame reads what EncodeFrame wrote. It refuses anything whose length,
// magic, version or channel count is off, empty frames, and samples beyond
// MaxIndex. Values that are not finite are let through: the audio is broken
// there, not the frame.
func DecodeFrame(b []byte, l Layout) (Frame, error) {
	if len(b) < headerBytes {
		return Frame{}, fmt.Errorf("frame: %d bytes, want at least the %d of the header", len(b), headerBytes)
	}
	if len(b) > MaxFrameBytes {
		return Frame{}, fmt.Errorf("frame: %d bytes, want at most %d", len(b), MaxFrameBytes)
	}
	if string(b[:4]) != frameMagic {
		return Frame{}, fmt.Errorf("frame: starts with %q, want %q", b[:4], frameMagic)
	}
	version, channels := binary.LittleEndian.Uint16(b[4:]), binary.LittleEndian.Uint16(b[6:])
	if version != frameVersion || channels != Channels {
		return Frame{}, fmt.Errorf("frame: version %d with %d channels, want version %d with %d", version, channels, frameVersion, Channels)
	}
	f := Frame{Seq: binary.LittleEndian.Uint32(b[8:]), First: binary.LittleEndian.Uint64(b[12:])}
	count := uint64(binary.LittleEndian.Uint32(b[20:]))
	body := b[headerBytes:]
	if count == 0 || count*uint64(l.sampleBytes()) != uint64(len(body)) {
		return Frame{}, fmt.Errorf("frame: header counts %d samples, body has %d bytes, want %d bytes a sample and at least one", count, len(body), l.sampleBytes())
	}
	if f.First > MaxIndex-count {
		return Frame{}, fmt.Errorf("frame: %d samples from sample %d on, want none beyond %d", count, f.First, uint64(MaxIndex))
	}
	f.Samples = make([]float32, count*Channels)
	for i := range f.Samples {
		at := i
		if l.MicrophoneFirst {
			at ^= 1
		}
		f.Samples[at] = l.Format.decode(body[i*l.Format.bytes():])
	}
	return f, nil
}
