// Package osc turns OSC 1.0 bytes into messages and back, and carries them in
// datagrams. It knows nothing of loudspeakers.
//
// The bytes are those of M. Wright, The Open Sound Control 1.0 Specification,
// 26 March 2002. A codec library does the coding of single messages; what it
// would accept or lose in silence is kept away from it on both sides.
package osc

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// MaxMessage is the most bytes that a message may have, in either direction.
// The codec loses or refuses arguments that reach past its 4096-byte buffer.
const MaxMessage = 4096

// TimeTag is an NTP time: seconds since 1900 in the upper half, parts of 2^32
// in the lower. It is kept as it stands in the bytes.
type TimeTag uint64

// Immediately is the time tag of what is to be carried out at once.
const Immediately TimeTag = 1

// Message is one OSC message. Arguments are int32, int64, float32, float64,
// string, bool, nil, []byte or TimeTag; anything else is an error when
// encoding, so an argument's type tag is never guessed.
type Message struct {
	Address string
	Args    []any
}

// Tags is the type tag string of the message, such as ",if". A type that OSC
// has no tag for here, and that Encode refuses, shows as '?'.
func (m Message) Tags() string {
	tags := []byte{','}
	for _, arg := range m.Args {
		tags = append(tags, tag(arg))
	}
	return string(tags)
}

// String reads ADDRESS TAGS ARGUMENTS, such as "/out/3/delay ,f 5.21". Floats
// are as short as their type allows, strings are quoted, blobs are hex.
func (m Message) String() string {
	words := []string{m.Address, m.Tags()}
	for _, arg := range m.Args {
		words = append(words, word(arg))
	}
	return strings.Join(words, " ")
}

// tag is the type tag of one argument.
func tag(arg any) byte {
	switch v := arg.(type) {
	case int32:
		return 'i'
	case int64:
		return 'h'
	case float32:
		return 'f'
	case float64:
		return 'd'
	case string:
		return 's'
	case []byte:
		return 'b'
	case TimeTag:
		return 't'
	case nil:
		return 'N'
	case bool:
		if v {
			return 'T'
		}
		return 'F'
	}
	return '?'
}

// word is one argument for a person to read.
func word(arg any) string {
	switch v := arg.(type) {
	case float32:
		return strconv.FormatFloat(float64(v), 'g', -1, 32)
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	case string:
		return strconv.Quote(v)
	case []byte:
		return fmt.Sprintf("0x%x", v)
	case TimeTag:
		return fmt.Sprintf("0x%016x", uint64(v))
	case nil:
		return "nil"
	case bool:
		return string(tag(v))
	}
	return fmt.Sprint(arg)
}

// checkAddress refuses what is not the address of one OSC method. The
// characters that would make it a pattern are those of OSC 1.0, "OSC Address
// Spaces and OSC Addresses": here nobody sends to a pattern, and a pattern
// that came in must never be compared with anything.
func checkAddress(address string) error {
	if !strings.HasPrefix(address, "/") {
		return errors.New("address does not start with a slash")
	}
	for _, c := range []byte(address) {
		if c <= ' ' || c > '~' {
			return fmt.Errorf("address holds the character %q, only printable ASCII without spaces is allowed", c)
		}
		if strings.IndexByte("#*,?[]{}", c) >= 0 {
			return fmt.Errorf("address holds %q, which OSC keeps for patterns", c)
		}
	}
	return nil
}
