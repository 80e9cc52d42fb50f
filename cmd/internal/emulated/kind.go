package emulated

import (
	"fmt"
	"math"
	"slices"

	"hushback/control/osc"
	"hushback/engine"
)

// kind is one kind of processor. Delay and gain are kept in whole ticks, the
// way a device keeps them.
type kind struct {
	name      string
	outputs   int
	transport osc.Transport
	delayPer  float64 // ticks in a second
	delayMost int64   // ticks
	gainPer   float64 // ticks in a dB
	gainLeast int64   // ticks
	gainMost  int64
	hear      func(*request, osc.Message) error
}

// channel is one output as the processor keeps it.
type channel struct {
	delay, gain     int64 // ticks
	reversed, muted bool
}

func kinds() []kind {
	return []kind{plainEight(), countingTwelve(), letteredSix(), oneAddressSixteen(), bundledSixtyFour(), mutelessFour(), blindFour()}
}

func (c channel) setting(k kind, output int) engine.Setting {
	set := engine.Setting{
		Output: output, DelaySec: float64(c.delay) / k.delayPer, Polarity: 1, GainDB: float64(c.gain) / k.gainPer, Muted: c.muted,
	}
	if c.reversed {
		set.Polarity = -1
	}
	return set
}

func (k kind) channel(set engine.Setting) channel {
	c := channel{reversed: set.Polarity < 0, muted: set.Muted}
	c.delay = ticks(set.DelaySec*k.delayPer, 0, k.delayMost)
	c.gain = ticks(set.GainDB*k.gainPer, k.gainLeast, k.gainMost)
	return c
}

// ticks holds a value at the nearest end of its range and puts what falls
// between two ticks to the nearer one.
func ticks(v float64, least, most int64) int64 {
	return int64(math.Max(float64(least), math.Min(float64(most), math.Round(v))))
}

// earlierShow is what the processor holds when it starts: the leftovers of a
// show that never was, so that "as found" is a state worth going back to.
func (k kind) earlierShow() []channel {
	leftovers := []engine.Setting{
		{DelaySec: 0.0074, GainDB: -6, Polarity: 1}, {DelaySec: 0.00115, GainDB: -5.5, Polarity: 1},
		{GainDB: -6.5, Polarity: 1}, {DelaySec: 0.00115, GainDB: -5.5, Polarity: 1},
		{DelaySec: 0.0032, GainDB: -6, Polarity: 1}, {DelaySec: 0.0032, GainDB: -6, Polarity: -1},
		{DelaySec: 0.0125, GainDB: -9, Polarity: 1}, {DelaySec: 0.0125, GainDB: -9, Polarity: 1},
	}
	all := make([]channel, k.outputs)
	for i := range all {
		all[i] = k.channel(leftovers[i%len(leftovers)])
	}
	return all
}

// request is one message being dealt with; the processor's lock is held.
type request struct {
	p       *Processor
	from    string
	wrote   int // the output written to; 0 for none
	answers []osc.Message
}

func (r *request) answer(address string, args ...any) {
	r.answers = append(r.answers, osc.Message{Address: address, Args: args})
}

// write changes an output, unless it is stuck.
func (r *request) write(output int, change func(*channel)) {
	r.wrote = output
	if r.p.stuck[output] {
		return
	}
	change(&r.p.channels[output-1])
}

// output finds an output that the processor has.
func (r *request) output(n int64) (int, *channel, error) {
	if n < 1 || n > int64(len(r.p.channels)) {
		return 0, nil, fmt.Errorf("there is no output %d", n)
	}
	return int(n), &r.p.channels[n-1], nil
}

func (r *request) delay(ms float64) func(*channel) {
	k := r.p.kind
	return func(c *channel) { c.delay = ticks(ms/1000*k.delayPer, 0, k.delayMost) }
}

func (r *request) gain(db float64) func(*channel) {
	k := r.p.kind
	return func(c *channel) { c.gain = ticks(db*k.gainPer, k.gainLeast, k.gainMost) }
}

// types refuses arguments that are not exactly of these OSC types.
func types(m osc.Message, want string) error {
	if got := m.Tags(); got != ","+want || slices.ContainsFunc(m.Args, notANumber) {
		return fmt.Errorf("%s has the arguments %s, want ,%s", m.Address, got, want)
	}
	return nil
}

func notANumber(arg any) bool {
	switch v := arg.(type) {
	case float32:
		return math.IsNaN(float64(v))
	case float64:
		return math.IsNaN(v)
	}
	return false
}
