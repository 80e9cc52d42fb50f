package feed

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"time"
)

// Hello is what an agent says about itself.
type Hello struct {
	Microphone string // a microphone's name in the site file
	Rate       int    // samples per second
}

// The text messages, both ways, are JSON objects told apart by type.
type (
	hello struct {
		Type       string   `json:"type"` // "hello"
		Microphone string   `json:"microphone"`
		Rate       int      `json:"rate"`
		Channels   []string `json:"channels"` // "reference", "microphone"
		Format     string   `json:"format"`   // "f32le"
	}
	// note is what the hub says: "welcome", "error" with a message, or "mark"
	// with an id.
	note struct {
		Type    string `json:"type"`
		Message string `json:"message,omitempty"`
		ID      uint32 `json:"id,omitempty"`
	}
	// marked is the agent's answer to a mark: the index of the sample that was
	// being taken when the mark arrived.
	marked struct {
		Type   string `json:"type"` // "mark"
		ID     uint32 `json:"id"`
		Sample uint64 `json:"sample"`
	}
)

const (
	typeHello   = "hello"
	typeWelcome = "welcome"
	typeError   = "error"
	typeMark    = "mark"
	format      = "f32le"
)

func channelNames() []string { return []string{"reference", "microphone"} }

// Times of one connection, the same on both sides. The hub pings; whoever
// hears nothing for readPatience takes the other side for dead.
const (
	pingEvery     = 5 * time.Second
	readPatience  = 15 * time.Second
	writePatience = 5 * time.Second
	helloPatience = 5 * time.Second
	closePatience = time.Second // for the other side to answer a close
)

// strict decodes one JSON value and nothing else: a field it does not know or
// anything after the value is an error.
func strict(data []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return fmt.Errorf("more after the first JSON value")
	}
	return nil
}

// encode spells one of our own messages. They hold only strings and numbers,
// so encoding cannot fail.
func encode(message any) []byte {
	b, _ := json.Marshal(message)
	return b
}

// readHello checks an agent's hello against the microphones and the rate that
// the hub was made for.
func readHello(data []byte, microphones []string, rate int) (Hello, error) {
	var h hello
	if err := strict(data, &h); err != nil {
		return Hello{}, fmt.Errorf("hello: %w", err)
	}
	switch {
	case h.Type != typeHello:
		return Hello{}, fmt.Errorf("hello: first message has type %q, want %q", h.Type, typeHello)
	case !slices.Contains(microphones, h.Microphone):
		return Hello{}, fmt.Errorf("hello: microphone %q is not in the site, want one of %q", h.Microphone, microphones)
	case h.Rate != rate:
		return Hello{}, fmt.Errorf("hello: microphone %q runs at %d samples per second, want %d", h.Microphone, h.Rate, rate)
	case !slices.Equal(h.Channels, channelNames()):
		return Hello{}, fmt.Errorf("hello: channels %q, want %q", h.Channels, channelNames())
	case h.Format != format:
		return Hello{}, fmt.Errorf("hello: format %q, want %q", h.Format, format)
	}
	return Hello{Microphone: h.Microphone, Rate: h.Rate}, nil
}
