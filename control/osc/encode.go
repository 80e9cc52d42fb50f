package osc

import (
	"errors"
	"fmt"
	"math"
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
	packet, err := codec.NewMessage(m.Address, m.Args...).MarshalBinary()
	if err != nil {
		return nil, fmt.Errorf("osc message %.64q: %w", m.Address, err)
	}
	if len(packet) > MaxMessage {
		return nil, fmt.Errorf("osc message %.64q: %d bytes, at most %d are allowed", m.Address, len(packet), MaxMessage)
	}
	return packet, nil
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
