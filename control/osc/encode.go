package osc

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	codec "github.com/hypebeast/go-osc/osc"
)

// Encode is the message as the bytes of one OSC packet.
//
// It refuses an address that is not printable ASCII from a slash on or that
// holds a pattern character; an argument of a type that Message does not
// list; a float that is not finite; a string with a NUL in it or that is not
// UTF-8; and a message over MaxMessage bytes. The codec would send the first
// four of these as something else.
func Encode(m Message) ([]byte, error) {
	if err := checkAddress(m.Address); err != nil {
		return nil, fmt.Errorf("osc message %.64q: %w", m.Address, err)
	}
	for i, arg := range m.Args {
		if err := checkArg(arg); err != nil {
			return nil, fmt.Errorf("osc message %.64q: argument %d: %w", m.Address, i+1, err)
		}
	}
	packet, err := codec.NewMessage(m.Address, asInt64(m.Args)...).MarshalBinary()
	if err != nil {
		return nil, fmt.Errorf("osc message %.64q: %w", m.Address, err)
	}
	retag(packet, m)
	if len(packet) > MaxMessage {
		return nil, fmt.Errorf("osc message %.64q: %d bytes, at most %d are allowed", m.Address, len(packet), MaxMessage)
	}
	return packet, nil
}

// asInt64 is the arguments with every time tag as the int64 of the same bytes:
// the codec would round a time tag.
func asInt64(args []any) []any {
	args = slices.Clone(args)
	for i, arg := range args {
		if t, ok := arg.(TimeTag); ok {
			args[i] = int64(t)
		}
	}
	return args
}

// retag gives the time tags in an encoded message their own type tag. The tags
// begin behind the address, its NUL and its padding.
func retag(packet []byte, m Message) {
	tags := len(m.Address)/4*4 + 4
	for i, arg := range m.Args {
		if _, ok := arg.(TimeTag); ok && tags+1+i < len(packet) {
			packet[tags+1+i] = 't'
		}
	}
}

// maxBundle keeps a bundle in one datagram on any network, and far from the
// size at which some receivers lose messages.
const maxBundle = 1400

// pack puts the first of some messages into one packet and says how many: one
// by itself, or up to most in a bundle that is to be carried out immediately.
func pack(messages []Message, most int) (packet []byte, n int, err error) {
	var bundle []byte
	for n < min(len(messages), max(1, most)) {
		one, err := Encode(messages[n])
		if err != nil {
			return nil, 0, err
		}
		if n == 0 {
			packet = one
			bundle = binary.BigEndian.AppendUint64([]byte(bundleStart), uint64(Immediately))
		}
		if n > 0 && len(bundle)+4+len(one) > maxBundle {
			break
		}
		bundle = append(binary.BigEndian.AppendUint32(bundle, uint32(len(one))), one...)
		n++
	}
	if n > 1 {
		packet = bundle
	}
	return packet, n, nil
}

// checkArg refuses an argument that would not arrive as what it is.
func checkArg(arg any) error {
	if tag(arg) == '?' {
		return fmt.Errorf("type %T has no OSC type here, convert it first", arg)
	}
	switch v := arg.(type) {
	case float32:
		return checkFloat(float64(v))
	case float64:
		return checkFloat(v)
	case string:
		return checkString(v)
	}
	return nil
}

func checkFloat(v float64) error {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Errorf("%v is not a finite number", v)
	}
	return nil
}

func checkString(s string) error {
	if strings.IndexByte(s, 0) >= 0 {
		return errors.New("string holds a NUL, which would end it early")
	}
	if !utf8.ValidString(s) {
		return errors.New("string is not UTF-8")
	}
	return nil
}
