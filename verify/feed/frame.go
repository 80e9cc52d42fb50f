// Package feed takes audio in from measuring microphones over websockets.
//
// An agent beside each microphone connects with a bearer token, says hello
// (text, JSON) and then sends binary frames of two-channel audio: what was
// played (reference) and what was heard (microphone), sample by sample from
// one clock. Samples are counted, never timed: the hub asks "which sample are
// you taking now?" with a mark, and a capture is a span of samples after the
// answer, so no two clocks are ever compared. A frame that is missing, out of
// step or not finite is a gap, and no capture spans a gap.
//
// The hub's side is Hub, the microphone's side is Agent.
package feed

import (
	"encoding/binary"
	"fmt"
	"math"
)

// Subprotocol is the websocket subprotocol that both sides insist on.
const Subprotocol = "hushback.feed.v1"

const (
	channels    = 2 // reference, microphone
	headerBytes = 24
	sampleBytes = 4 * channels

	maxFrameBytes = 256 << 10
	// maxFrameSamples is the most samples (of both channels) in one frame.
	maxFrameSamples = (maxFrameBytes - headerBytes) / sampleBytes

	frameVersion = 1
	frameMagic   = "HBAF" // hushback audio frame
)

// Frame is one binary message: consecutive samples of both channels.
//
// On the wire, little-endian: magic "HBAF", version uint16 = 1, channels
// uint16 = 2, Seq uint32, First uint64, sample count per channel uint32, then
// the samples as float32, reference and microphone by turns. At most 256 KiB.
type Frame struct {
	Seq     uint32    // grows by one with each frame of a connection, wraps
	First   uint64    // index of the first sample since the agent began to count
	Samples []float32 // interleaved reference, microphone; full scale is ±1
}

// EncodeFrame spells f as bytes. An odd last value in Samples is left out,
// for it belongs to no whole sample.
func EncodeFrame(f Frame) []byte {
	count := len(f.Samples) / channels
	b := make([]byte, 0, headerBytes+count*sampleBytes)
	b = append(b, frameMagic...)
	b = binary.LittleEndian.AppendUint16(b, frameVersion)
	b = binary.LittleEndian.AppendUint16(b, channels)
	b = binary.LittleEndian.AppendUint32(b, f.Seq)
	b = binary.LittleEndian.AppendUint64(b, f.First)
	b = binary.LittleEndian.AppendUint32(b, uint32(count))
	for _, v := range f.Samples[:count*channels] {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
	}
	return b
}

// DecodeFrame reads what EncodeFrame wrote. It refuses anything whose length,
// magic, version or channel count is off, empty frames, and sample indices
// that would pass 2^64. Values that are not finite are let through: the audio
// is broken there, not the frame.
func DecodeFrame(b []byte) (Frame, error) {
	if len(b) < headerBytes {
		return Frame{}, fmt.Errorf("frame: %d bytes, want at least the %d of the header", len(b), headerBytes)
	}
	if len(b) > maxFrameBytes {
		return Frame{}, fmt.Errorf("frame: %d bytes, want at most %d", len(b), maxFrameBytes)
	}
	if string(b[:4]) != frameMagic {
		return Frame{}, fmt.Errorf("frame: starts with %q, want %q", b[:4], frameMagic)
	}
	version, chans := binary.LittleEndian.Uint16(b[4:]), binary.LittleEndian.Uint16(b[6:])
	if version != frameVersion || chans != channels {
		return Frame{}, fmt.Errorf("frame: version %d with %d channels, want version %d with %d", version, chans, frameVersion, channels)
	}
	f := Frame{Seq: binary.LittleEndian.Uint32(b[8:]), First: binary.LittleEndian.Uint64(b[12:])}
	count := uint64(binary.LittleEndian.Uint32(b[20:]))
	body := b[headerBytes:]
	if count == 0 || count*sampleBytes != uint64(len(body)) {
		return Frame{}, fmt.Errorf("frame: header counts %d samples, body has %d bytes, want %d bytes a sample and at least one", count, len(body), sampleBytes)
	}
	if f.First > math.MaxUint64-count {
		return Frame{}, fmt.Errorf("frame: first sample %d leaves no room for %d samples", f.First, count)
	}
	f.Samples = make([]float32, count*channels)
	for i := range f.Samples {
		f.Samples[i] = math.Float32frombits(binary.LittleEndian.Uint32(body[4*i:]))
	}
	return f, nil
}
