package osc

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
)

// The bytes of RFC 1055, page 2.
const (
	slipEnd    = 0xc0
	slipEsc    = 0xdb
	slipEscEnd = 0xdc // after slipEsc it stands for slipEnd
	slipEscEsc = 0xdd // after slipEsc it stands for slipEsc
)

// frameLength puts a packet's size before it, a big-endian int32 (OSC 1.0).
func frameLength(packet []byte) []byte {
	return append(binary.BigEndian.AppendUint32(make([]byte, 0, len(packet)+4), uint32(len(packet))), packet...)
}

// unframeLength reads one packet. A size that cannot be right ends the
// connection, since nothing tells where the next packet begins.
func unframeLength(in *bufio.Reader) ([]byte, error) {
	var word [4]byte
	if _, err := io.ReadFull(in, word[:]); err != nil {
		return nil, err
	}
	size := binary.BigEndian.Uint32(word[:])
	if size == 0 || size > maxPacket || size%4 != 0 {
		return nil, fmt.Errorf("the processor says that a packet has %d bytes, want a multiple of 4 up to %d", size, maxPacket)
	}
	packet := make([]byte, size)
	_, err := io.ReadFull(in, packet)
	return packet, err
}

// frameSLIP puts an END on both sides of a packet (OSC 1.1: "double END").
func frameSLIP(packet []byte) []byte {
	frame := append(make([]byte, 0, len(packet)+8), slipEnd)
	for _, b := range packet {
		switch b {
		case slipEnd:
			frame = append(frame, slipEsc, slipEscEnd)
		case slipEsc:
			frame = append(frame, slipEsc, slipEscEsc)
		default:
			frame = append(frame, b)
		}
	}
	return append(frame, slipEnd)
}

// unframeSLIP reads one packet; empty ones, between two ENDs, are passed over.
// What is too long or escapes wrongly comes as a packet that Decode refuses, so
// that it is counted and the next one is read whole.
func unframeSLIP(in *bufio.Reader) ([]byte, error) {
	var packet []byte
	bad := false
	for {
		b, err := in.ReadByte()
		if err != nil {
			return nil, err
		}
		if b == slipEnd {
			if bad {
				return nil, nil
			}
			if len(packet) > 0 {
				return packet, nil
			}
			continue
		}
		if b == slipEsc {
			if b, err = in.ReadByte(); err != nil {
				return nil, err
			}
			switch b {
			case slipEscEnd:
				b = slipEnd
			case slipEscEsc:
				b = slipEsc
			default:
				bad = true
				if b == slipEnd { // the frame ended in the middle of an escape
					return nil, nil
				}
			}
		}
		if bad || len(packet) == maxPacket {
			packet, bad = nil, true
			continue
		}
		packet = append(packet, b)
	}
}
