package osc

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	codec "github.com/hypebeast/go-osc/osc"
)

// What a packet may hold at most. The largest datagram that UDP over IPv4
// carries is 65535 - 8 - 20 bytes (RFC 768, RFC 791); the other two are ours,
// far above what a processor has to say.
const (
	maxPacket   = 65507
	maxDepth    = 4    // bundles within bundles
	maxElements = 1024 // in one packet, all depths together
)

const bundleStart = "#bundle\x00"

// Decode turns one OSC packet into its messages. The messages of a bundle,
// and of bundles inside it, come flat and in the order in which they stand;
// time tags are passed over, so everything counts as "now". One fault
// anywhere refuses the whole packet.
//
// Every message must be exact: a plain address, known type tags, NUL padding,
// UTF-8 strings, nothing left over. Two departures are let pass because
// devices send them: a message without arguments may lack its type tag
// string, and floats may be NaN or infinite (their meaning is for the caller
// to refuse).
//
// Whatever the bytes, it allocates less than 8 MB on the way.
func Decode(packet []byte) ([]Message, error) {
	if len(packet) == 0 || len(packet)%4 != 0 || len(packet) > maxPacket {
		return nil, fmt.Errorf("osc packet: %d bytes, want a multiple of 4 from 4 to %d", len(packet), maxPacket)
	}
	var w walk
	if err := w.element(packet, 0); err != nil {
		return nil, err
	}
	return w.messages, nil
}

// walk collects the messages of one packet.
type walk struct {
	messages []Message
	elements int
}

// element takes one message, or one bundle that lies inside depth others.
func (w *walk) element(b []byte, depth int) error {
	if !bytes.HasPrefix(b, []byte(bundleStart)) {
		m, err := decodeMessage(b)
		w.messages = append(w.messages, m)
		return err
	}
	if depth == maxDepth {
		return fmt.Errorf("osc bundle: more than %d inside each other", maxDepth)
	}
	rest := cursor{b[len(bundleStart):]}
	if _, err := rest.take(8); err != nil {
		return fmt.Errorf("osc bundle: time tag: %w", err)
	}
	for len(rest.b) > 0 {
		if w.elements++; w.elements > maxElements {
			return fmt.Errorf("osc bundle: more than %d elements", maxElements)
		}
		b, err := rest.sized()
		if err != nil {
			return fmt.Errorf("osc bundle: element %d: %w", w.elements, err)
		}
		if len(b) == 0 || len(b)%4 != 0 {
			return fmt.Errorf("osc bundle: element %d: %d bytes, want a multiple of 4", w.elements, len(b))
		}
		if err := w.element(b, depth+1); err != nil {
			return err
		}
	}
	return nil
}

// decodeMessage lets the codec see a message only once guard has found nothing
// to object to.
func decodeMessage(b []byte) (Message, error) {
	if len(b) > MaxMessage {
		return Message{}, fmt.Errorf("osc message %.16q: %d bytes, at most %d are allowed", b, len(b), MaxMessage)
	}
	rest := cursor{b}
	address, err := rest.text()
	if err != nil {
		return Message{}, fmt.Errorf("osc message %.16q: address: %w", b, err)
	}
	if err := checkAddress(address); err != nil {
		return Message{}, fmt.Errorf("osc message %.64q: %w", address, err)
	}
	exact, odd, err := guard(b, rest)
	if err != nil {
		return Message{}, fmt.Errorf("osc message %.64q: %w", address, err)
	}
	parsed, err := codec.ParsePacket(string(exact))
	if err != nil {
		return Message{}, fmt.Errorf("osc message %.64q: %w", address, err)
	}
	m, ok := parsed.(*codec.Message)
	if !ok {
		return Message{}, fmt.Errorf("osc message %.64q: the codec made a %T of it", address, parsed)
	}
	for _, i := range odd {
		switch v := m.Arguments[i].(type) {
		case int32:
			m.Arguments[i] = []byte{}
		case int64:
			m.Arguments[i] = TimeTag(v)
		}
	}
	return Message{Address: m.Address, Args: m.Arguments}, nil
}

// guard checks what follows the address of message b and returns bytes that
// the codec reads right. They differ from b in three places: a missing type tag
// string is added; an empty blob, which the codec refuses, is tagged as the
// int32 that its length word looks like; a time tag, which the codec rounds, as
// the int64 of the same bytes. odd lists the arguments tagged otherwise.
func guard(b []byte, rest cursor) (exact []byte, odd []int, err error) {
	exact = slices.Clone(b)
	if len(rest.b) == 0 {
		return append(exact, ",\x00\x00\x00"...), nil, nil
	}
	if rest.b[0] != ',' {
		return nil, nil, errors.New("no type tag string after the address")
	}
	tagsAt := len(b) - len(rest.b)
	tags, err := rest.text()
	if err != nil {
		return nil, nil, fmt.Errorf("type tags: %w", err)
	}
	for i, c := range []byte(tags[1:]) {
		before := len(rest.b)
		if err := rest.argument(c); err != nil {
			return nil, nil, fmt.Errorf("argument %d: %w", i+1, err)
		}
		if c == 'b' && before-len(rest.b) == 4 {
			exact[tagsAt+1+i] = 'i'
			odd = append(odd, i)
		}
		if c == 't' {
			exact[tagsAt+1+i] = 'h'
			odd = append(odd, i)
		}
	}
	if len(rest.b) > 0 {
		return nil, nil, fmt.Errorf("%d bytes after the last argument", len(rest.b))
	}
	return exact, odd, nil
}

// cursor is what is left to read of some bytes.
type cursor struct{ b []byte }

var errShort = errors.New("ends too early")

// take reads n bytes.
func (c *cursor) take(n int) ([]byte, error) {
	if n > len(c.b) {
		return nil, errShort
	}
	taken := c.b[:n]
	c.b = c.b[n:]
	return taken, nil
}

// sized reads a big-endian int32 and as many bytes as it says.
func (c *cursor) sized() ([]byte, error) {
	word, err := c.take(4)
	if err != nil {
		return nil, err
	}
	size := int32(binary.BigEndian.Uint32(word))
	if size < 0 || int(size) > len(c.b) {
		return nil, fmt.Errorf("says it has %d bytes where %d are left", size, len(c.b))
	}
	return c.take(int(size))
}

// pad reads the NULs that fill up size bytes to a multiple of 4.
func (c *cursor) pad(size int) error {
	nuls, err := c.take((4 - size%4) % 4)
	if err != nil {
		return err
	}
	for _, b := range nuls {
		if b != 0 {
			return errors.New("padding is not NUL")
		}
	}
	return nil
}

// text reads an OSC-string: its characters, a NUL, padding.
func (c *cursor) text() (string, error) {
	end := bytes.IndexByte(c.b, 0)
	if end < 0 {
		return "", errors.New("string has no end")
	}
	s := string(c.b[:end])
	c.b = c.b[end+1:]
	return s, c.pad(end + 1)
}

// argument reads one argument of the type that tag says.
func (c *cursor) argument(tag byte) error {
	switch tag {
	case 'i', 'f':
		_, err := c.take(4)
		return err
	case 'h', 'd', 't':
		_, err := c.take(8)
		return err
	case 'T', 'F', 'N':
		return nil
	case 's':
		s, err := c.text()
		if err != nil {
			return err
		}
		return checkString(s)
	case 'b':
		blob, err := c.sized()
		if err != nil {
			return err
		}
		return c.pad(len(blob))
	}
	return fmt.Errorf("type tag %q is not supported", tag)
}
