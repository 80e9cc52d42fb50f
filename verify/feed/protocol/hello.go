// Package protocol is what an agent and the daemon say to each other over a
// feed's websocket: text messages, which schema.json describes, and binary frames
// of audio.
//
// An agent connects with a bearer token and says hello: for which microphone, and
// whether it sends audio or functions that it measured itself. The daemon welcomes
// it and says which sample it wants first. Audio comes in frames, each sample
// under its own index; the daemon acknowledges what it has. It asks "which sample
// are you taking now?" with a mark, so that a capture is a span of samples after
// the answer and no two clocks are ever compared. An agent that sends functions
// answers a mark with one that was measured after it.
package protocol

import (
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Subprotocol is the websocket subprotocol that both sides insist on.
const Subprotocol = "hushback.feed.v2"

// Sample rates that are taken, in samples a second.
const (
	LowestRate  = 44100
	HighestRate = 192000
)

// Times of one connection, the same on both sides. The hub pings; whoever
// hears nothing for Silence takes the other side for dead, which leaves an
// agent time to come back before what it keeps has overflowed.
const (
	PingEvery     = 2 * time.Second
	Silence       = 6 * time.Second
	HelloPatience = 5 * time.Second
	WritePatience = 5 * time.Second
	KeepSec       = 10 // how much audio an agent keeps for sending again
)

// Hello is what an agent says about itself.
type Hello struct {
	Microphone string // a microphone's name in the site file
	// Session names the agent's count of samples, so that a connection that
	// breaks can be resumed: 8 to 64 letters, digits, - and _, drawn by chance.
	Session string
	// Functions says that it sends no audio but functions that it measured
	// itself; then what follows is left out.
	Functions bool
	Rate      int // samples per second
	Layout    Layout
}

// hello is a Hello as it is spelled, without what belongs to audio if it sends
// functions.
type hello struct {
	Type       string   `json:"type"`
	Microphone string   `json:"microphone"`
	Session    string   `json:"session"`
	Sends      string   `json:"sends"`
	Rate       int      `json:"rate,omitempty"`
	Channels   []string `json:"channels,omitempty"`
	Format     Format   `json:"format,omitempty"`
}

// What an agent sends.
const (
	sendsAudio     = "audio"
	sendsFunctions = "functions"
)

func (l Layout) channelNames() []string {
	if l.MicrophoneFirst {
		return []string{"microphone", "reference"}
	}
	return []string{"reference", "microphone"}
}

// Encode spells a hello, or says all that is wrong with it.
func (h Hello) Encode() ([]byte, error) {
	w := hello{Type: TypeHello, Microphone: h.Microphone, Session: h.Session, Sends: sendsFunctions}
	if !h.Functions {
		w.Sends, w.Rate, w.Channels, w.Format = sendsAudio, h.Rate, h.Layout.channelNames(), h.Layout.Format
		if w.Format == "" {
			w.Format = F32
		}
	}
	return encode(w), w.check()
}

// ReadHello reads an agent's hello. The error says all that is wrong with it, and
// comes with the microphone if it is one of those.
func ReadHello(data []byte, microphones []string) (Hello, error) {
	var w hello
	kind, err := typeOf(data)
	if err == nil && kind != TypeHello {
		err = fmt.Errorf("the first message has type %s, want %q", short(kind), TypeHello)
	}
	if err == nil {
		err = strict(data, &w, helloKeys(data)...)
	}
	if err != nil {
		return Hello{}, fmt.Errorf("hello: %w", err)
	}
	h := Hello{Microphone: w.Microphone, Session: w.Session, Functions: w.Sends == sendsFunctions, Rate: w.Rate}
	h.Layout = Layout{Format: w.Format, MicrophoneFirst: slices.Equal(w.Channels, Layout{MicrophoneFirst: true}.channelNames())}
	if !slices.Contains(microphones, h.Microphone) {
		return Hello{}, fmt.Errorf("hello: microphone %s is not in the site, want one of %s", short(h.Microphone), quoted(microphones))
	}
	return h, w.check()
}

// helloKeys are the fields that a hello must have.
func helloKeys(data []byte) []string {
	var w struct {
		Sends string `json:"sends"`
	}
	keys := []string{"type", "microphone", "session", "sends"}
	if json.Unmarshal(data, &w); w.Sends == sendsFunctions {
		return keys
	}
	return append(keys, "rate", "channels", "format")
}

// check says all that is wrong with a hello as far as an agent can know it.
func (w hello) check() error {
	var wrong []string
	add := func(format string, with ...any) { wrong = append(wrong, fmt.Sprintf(format, with...)) }
	if w.Microphone == "" {
		add("microphone is empty, want its name in the site")
	}
	if ok, _ := regexp.MatchString(`^[A-Za-z0-9_-]{8,64}$`, w.Session); !ok { // the pattern is right
		add("session %s, want 8 to 64 letters, digits, - and _, drawn by chance when the agent begins to count samples", short(w.Session))
	}
	switch {
	case w.Sends == sendsAudio:
		w.checkAudio(add)
	case w.Sends != sendsFunctions:
		add("sends %s, want %q or %q", short(w.Sends), sendsAudio, sendsFunctions)
	}
	if wrong == nil {
		return nil
	}
	return errors.New("hello: " + strings.Join(wrong, "; "))
}

func (w hello) checkAudio(add func(string, ...any)) {
	if w.Rate < LowestRate || w.Rate > HighestRate {
		add("rate %d samples per second, want %d to %d", w.Rate, LowestRate, HighestRate)
	}
	if !slices.Contains(Formats(), w.Format) {
		add("format %s, want one of %s", short(string(w.Format)), quoted(Formats()))
	}
	if ordered := slices.Sorted(slices.Values(w.Channels)); !slices.Equal(ordered, []string{"microphone", "reference"}) {
		add(`channels %s, want "reference" and "microphone", once each`, short(strings.Join(w.Channels, ", ")))
	}
}

// quoted lists names for people, each as it is written.
func quoted[S ~string](names []S) string {
	var all []string
	for _, n := range names {
		all = append(all, strconv.Quote(string(n)))
	}
	return strings.Join(all, ", ")
}

// short quotes what somebody else wrote, which may be long.
func short(s string) string { return fmt.Sprintf("%.60q", s) }
