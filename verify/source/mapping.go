// Package source takes ready-made transfer functions from programs that serve
// them as JSON over a websocket. Where in their messages the arrays stand, and
// in which units, a mapping says; nothing is guessed.
package source

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/url"
	"strings"

	"github.com/go-openapi/jsonpointer"

	"hushback/verify/transfer"
)

// Mapping says where a source is and how to read what it sends. Pointers are JSON
// Pointers (RFC 6901) into one message.
type Mapping struct {
	Microphone  string // of the site, at which the source measures
	URL         string // ws:// or wss://
	Subprotocol string // "" asks for none
	Say         string // a JSON message to send once connected; "" says nothing

	// AveragingSec is how long the source looks back. A function that comes
	// sooner after a change still holds what was before.
	AveragingSec float64

	Frequency, Level, Phase, Coherence Array
	Averages                           Averages
}

// Array is an array of numbers in a message: pointer, and what one of its units is
// in hertz, in decibels, in radians or in parts of 1. A level with Linear is an
// amplitude ratio instead.
type Array struct {
	Pointer string
	Unit    float64
	Linear  bool
}

// Averages is how many independent averages a function holds: a number in the
// message, or Count where Pointer is "".
type Averages struct {
	Pointer string
	Count   float64
}

// What one message may hold: a source in disorder must not fill the memory.
const (
	maxMessage = 4 << 20
	maxLines   = 100_000
)

// Problems lists what keeps a mapping from being used, each as its key in the
// mapping file, what is there and what is wanted.
func (m Mapping) Problems() []Problem {
	var found []Problem
	add := func(key, got, want string) { found = append(found, Problem{key, got, want}) }
	if u, err := url.Parse(m.URL); err != nil || u.Scheme != "ws" && u.Scheme != "wss" || u.Host == "" {
		add("url", fmt.Sprintf("%q", m.URL), "ws://HOST:PORT/PATH or wss://HOST:PORT/PATH")
	} else if u.User != nil {
		add("url", fmt.Sprintf("%q", u.Redacted()), "no name and password in it: they would stand in logs")
	}
	if m.Say != "" && !json.Valid([]byte(m.Say)) {
		add("say", fmt.Sprintf("%q", m.Say), "one JSON value")
	}
	if !(m.AveragingSec >= 0 && m.AveragingSec <= maxAveragingSec) {
		add("averaging", fmt.Sprintf("%g s", m.AveragingSec), fmt.Sprintf("0 to %d s", maxAveragingSec))
	}
	for _, a := range m.arrays() {
		if _, err := jsonpointer.New(a.array.Pointer); err != nil || a.array.Pointer == "" {
			add(a.key+".at", fmt.Sprintf("%q", a.array.Pointer), "a JSON pointer such as /spectrum/level")
		}
		if !(a.array.Unit > 0) || math.IsInf(a.array.Unit, 1) {
			add(a.key+".unit", fmt.Sprint(a.array.Unit), "a unit")
		}
	}
	if _, err := jsonpointer.New(m.Averages.Pointer); err != nil {
		add("averages", fmt.Sprintf("%q", m.Averages.Pointer), "a JSON pointer such as /averages, or a number")
	} else if m.Averages.Pointer == "" && !(m.Averages.Count >= 2) {
		add("averages", fmt.Sprint(m.Averages.Count), "at least 2, or {at: /averages}")
	}
	return found
}

// Problem is one thing wrong with a mapping.
type Problem struct{ Key, Got, Want string }

// maxAveragingSec bounds how long a capture waits for a source.
const maxAveragingSec = 120

type named struct {
	key   string
	array Array
}

func (m Mapping) arrays() []named {
	return []named{{"frequency", m.Frequency}, {"level", m.Level}, {"phase", m.Phase}, {"coherence", m.Coherence}}
}

// errOther is a message that holds no function: a greeting, a heartbeat.
var errOther = errors.New("no function in it")

// Read picks a function out of one message. The bool is false, without an error,
// where the message has nothing at the frequencies' pointer. Errors name the
// pointer, what stands there and what is wanted.
func (m Mapping) Read(message []byte) (transfer.Function, bool, error) {
	f, err := m.read(message)
	if errors.Is(err, errOther) {
		return transfer.Function{}, false, nil
	}
	return f, err == nil, err
}

func (m Mapping) read(message []byte) (transfer.Function, error) {
	if len(message) > maxMessage {
		return transfer.Function{}, fmt.Errorf("message of %d bytes, want at most %d", len(message), maxMessage)
	}
	var document any
	d := json.NewDecoder(bytes.NewReader(message))
	if err := d.Decode(&document); err != nil {
		return transfer.Function{}, fmt.Errorf("message is not JSON: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return transfer.Function{}, errors.New("message goes on after its JSON value")
	}
	var columns [4][]float64
	for i, a := range m.arrays() {
		values, err := a.array.in(document)
		switch {
		case errors.Is(err, errOther) && i == 0:
			return transfer.Function{}, err
		case errors.Is(err, errOther):
			return transfer.Function{}, fmt.Errorf("%s at %s: nothing stands there, want an array of numbers", a.key, a.array.Pointer)
		case err != nil:
			return transfer.Function{}, fmt.Errorf("%s at %s: %w", a.key, a.array.Pointer, err)
		case len(values) != len(columns[0]) && i > 0:
			return transfer.Function{}, fmt.Errorf("%s at %s: %d numbers for %d frequencies", a.key, a.array.Pointer, len(values), len(columns[0]))
		}
		columns[i] = values
	}
	averages, err := m.Averages.in(document)
	if err != nil {
		return transfer.Function{}, err
	}
	return transfer.FromCoherence(columns[0], columns[1], columns[2], columns[3], averages)
}

// at is what stands at a pointer; errOther if nothing does.
func at(document any, pointer string) (any, error) {
	p, err := jsonpointer.New(pointer)
	if err != nil {
		return nil, err
	}
	v, _, err := p.Get(document)
	if err != nil {
		return nil, errOther
	}
	return v, nil
}

// in reads an array out of a message, in our own unit.
func (a Array) in(document any) ([]float64, error) {
	v, err := at(document, a.Pointer)
	if err != nil {
		return nil, err
	}
	list, ok := v.([]any)
	if !ok {
		return nil, fmt.Errorf("got %s, want an array of numbers", kind(v))
	}
	if len(list) > maxLines {
		return nil, fmt.Errorf("got %d numbers, want at most %d", len(list), maxLines)
	}
	out := make([]float64, len(list))
	for i, item := range list {
		number, ok := item.(float64)
		if !ok {
			return nil, fmt.Errorf("element %d is %s, want a number", i, kind(item))
		}
		if out[i] = number * a.Unit; a.Linear {
			out[i] = 20 * math.Log10(math.Max(number, 1e-12)) // a level of nothing at all is -240 dB
		}
	}
	return out, nil
}

func (a Averages) in(document any) (float64, error) {
	if a.Pointer == "" {
		return a.Count, nil
	}
	v, err := at(document, a.Pointer)
	number, ok := v.(float64)
	if err != nil || !ok {
		return 0, fmt.Errorf("averages at %s: got %s, want a number", a.Pointer, kind(v))
	}
	return number, nil
}

// kind is what JSON calls a value.
func kind(v any) string {
	switch v := v.(type) {
	case nil:
		return "nothing"
	case string:
		return fmt.Sprintf("the string %.20q", v)
	case map[string]any:
		return "an object"
	case []any:
		return "an array"
	}
	return strings.TrimSpace(fmt.Sprint(v))
}
