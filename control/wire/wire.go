// Package wire carries settings to the outputs of processors and back: the
// order in which a change is sent, writes and questions many at once, and looks
// that no late datagram can deceive. It speaks of outputs by the site's
// numbers; only here they become the channels of processors.
package wire

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// Exchanger is the transport seam: osc.Conn in the daemon, a fake in tests.
type Exchanger interface {
	// Send hands one message over; that it arrives is not promised.
	Send(ctx context.Context, m osc.Message) error
	// SendAll hands messages over in their order, together where that is possible.
	SendAll(ctx context.Context, messages []osc.Message) error
	// Ask sends query once and waits, until ctx ends, for a message that answers
	// it. Many can ask at once.
	Ask(ctx context.Context, query osc.Message, answers func(osc.Message) bool) (osc.Message, error)
}

// Processor is one processor and the way to it.
type Processor struct {
	Name    string // as the outputs call it
	Profile processor.Profile
	Wire    Exchanger
}

// Wire is every processor of a site. New makes one. Reading is safe for
// concurrent use, but see Look.
type Wire struct {
	outputs []engine.Output
	seats   map[int]seat // by the output's number
	links   []*link
}

// seat is where an output is found.
type seat struct {
	*link
	output, channel int
}

// link is the way to one processor, and what is known of what is on the way.
type link struct {
	Processor
	counts
	writes   atomic.Int64
	sequence atomic.Int32
	asking   chan struct{} // as many places as questions may be under way

	mu   sync.Mutex
	last map[int]time.Time // by channel: when something of ours that could still be under way left
}

// mostAsking is how many questions are under way to one processor at once. More
// gain nothing, and a processor must find room for them.
const mostAsking = 32

// New finds the outputs, ascending by number, on the processors.
func New(processors []Processor, outputs []engine.Output) (*Wire, error) {
	w := &Wire{outputs: slices.Clone(outputs), seats: map[int]seat{}}
	for _, p := range processors {
		if err := w.join(p); err != nil {
			return nil, err
		}
	}
	if len(w.links) == 0 || len(outputs) == 0 {
		return nil, fmt.Errorf("the site has %d processors and %d outputs: it needs one of each at least", len(w.links), len(outputs))
	}
	for i, o := range outputs {
		if i > 0 && o.Number <= outputs[i-1].Number {
			return nil, fmt.Errorf("output %d after output %d: outputs must count up", o.Number, outputs[i-1].Number)
		}
		if err := w.seat(o); err != nil {
			return nil, err
		}
	}
	return w, nil
}

// join adds a processor. What another process of ours sent may still be under
// way to it, so it begins as if something had just left, and with numbers for
// questions that are hardly those of another process.
func (w *Wire) join(p Processor) error {
	if problems := p.Profile.Problems(); len(problems) > 0 {
		first := problems[0]
		return fmt.Errorf("profile %q: %s: got %s, want %s", p.Profile.Name, first.Path, first.Got, first.Want)
	}
	if p.Wire == nil {
		return fmt.Errorf("processor %q: a way to it is needed", p.Name)
	}
	if slices.ContainsFunc(w.links, func(l *link) bool { return l.Name == p.Name }) {
		return fmt.Errorf("processor %q a second time: every processor needs a name of its own", p.Name)
	}
	l := &link{Processor: p, asking: make(chan struct{}, atOnce(p.Profile)), last: map[int]time.Time{}}
	for channel := range p.Profile.Outputs {
		l.last[channel+1] = time.Now()
	}
	l.sequence.Store(int32(time.Now().UnixMilli() & 0x3fffffff))
	w.links = append(w.links, l)
	return nil
}

// atOnce is how many questions can be under way to a processor and all leave,
// at its pace, in half the time that each of them waits for its answer.
func atOnce(p processor.Profile) int {
	if p.Gap <= 0 {
		return mostAsking
	}
	return max(1, min(mostAsking, int(p.Timeout/2/p.Gap)))
}

// spread does n things on goroutines of its own, as many at once as questions may
// be under way.
func (l *link) spread(n int, do func(i int)) {
	var next atomic.Int64
	for range min(n, cap(l.asking)) {
		go func() {
			for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
				do(int(i))
			}
		}()
	}
}

// seat gives an output its place.
func (w *Wire) seat(o engine.Output) error {
	s := seat{link: w.links[0], output: o.Number, channel: o.OnChannel()}
	if o.Processor != "" {
		i := slices.IndexFunc(w.links, func(l *link) bool { return l.Name == o.Processor })
		if i < 0 {
			return fmt.Errorf("output %d: the site has no processor %q", o.Number, o.Processor)
		}
		s.link = w.links[i]
	}
	if s.channel < 1 || s.channel > s.Profile.Outputs {
		return fmt.Errorf("output %d: channel %d: profile %s has outputs 1 to %d", o.Number, s.channel, s.Profile.Name, s.Profile.Outputs)
	}
	for _, other := range w.outputs {
		if t, ok := w.seats[other.Number]; ok && t.link == s.link && t.channel == s.channel {
			return fmt.Errorf("outputs %d and %d are the same one of processor %q", t.output, o.Number, s.Name)
		}
	}
	w.seats[o.Number] = s
	return nil
}

// Writes counts the writes handed over so far, repeats included.
func (w *Wire) Writes() int {
	n := 0
	for _, l := range w.links {
		n += int(l.writes.Load())
	}
	return n
}

// Profile is that of an output's processor, the zero one for an output that is
// not there.
func (w *Wire) Profile(output int) processor.Profile {
	if s, ok := w.seats[output]; ok {
		return s.Profile
	}
	return processor.Profile{}
}

// Blind lists the outputs that cannot be read back, ascending.
func (w *Wire) Blind() []int { return w.those(true) }

// Readable lists the others.
func (w *Wire) Readable() []int { return w.those(false) }

func (w *Wire) those(blind bool) []int {
	var those []int
	for _, o := range w.outputs {
		if w.seats[o.Number].Profile.Blind == blind {
			those = append(those, o.Number)
		}
	}
	return those
}

// Stored is a setting as its processor can hold it: where that has no mute of
// its own, muted is the lowest gain, and the lowest gain is muted.
func (w *Wire) Stored(set engine.Setting) engine.Setting {
	if p := w.Profile(set.Output); !p.HasMute() {
		if set.Muted {
			set.GainDB = p.Ranges().GainDB.Min
		}
		set.Muted = p.Mutes(set.GainDB)
	}
	return set
}

// Differ lists the parameters in which two settings of an output differ.
func (w *Wire) Differ(a, b engine.Setting) []processor.Param {
	p := w.Profile(a.Output)
	return slices.DeleteFunc(slices.Clone(p.Params()), func(param processor.Param) bool { return p.Same(param, a, b) })
}

// Difference says in which value two settings of an output differ first, "" if
// in none.
func (w *Wire) Difference(was, is engine.Setting) string {
	params := w.Differ(was, is)
	if len(params) == 0 {
		return ""
	}
	p := w.Profile(was.Output)
	return fmt.Sprintf("output %d: %s was %s and is %s", was.Output, params[0], p.Words(params[0], was), p.Words(params[0], is))
}

// message spells one parameter for the processor.
func (w *Wire) message(param processor.Param, set engine.Setting) (osc.Message, error) {
	s, ok := w.seats[set.Output]
	if !ok {
		return osc.Message{}, fmt.Errorf("output %d is not one that the site uses", set.Output)
	}
	set.Output = s.channel
	m, err := s.Profile.Write(param, set)
	if err != nil && s.channel != s.output {
		err = fmt.Errorf("output %d of the site, on processor %s: %w", s.output, s.Name, err)
	}
	return m, err
}

// put copies one parameter.
func put(param processor.Param, from engine.Setting, into *engine.Setting) {
	switch param {
	case processor.Delay:
		into.DelaySec = from.DelaySec
	case processor.Polarity:
		into.Polarity = from.Polarity
	case processor.Gain:
		into.GainDB = from.GainDB
	case processor.Mute:
		into.Muted = from.Muted
	}
}

// Params lists the parameters that an output has.
func (w *Wire) Params(output int) []processor.Param {
	p := w.Profile(output)
	return p.Params()
}

// Words is a value of a step or a state: "gain -3.0 dB", and "open" or "muted",
// which say themselves what they are of.
func (w *Wire) Words(param processor.Param, set engine.Setting) string {
	p := w.Profile(set.Output)
	text := p.Words(param, set)
	if param != processor.Mute {
		text = param.String() + " " + text
	}
	if param == processor.Gain && p.Mutes(set.GainDB) {
		text += ", which mutes it"
	}
	return strings.TrimSpace(text)
}
