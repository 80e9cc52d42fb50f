package rehearsal

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"hushback/control/osc"
	"hushback/engine"
)

// The emulated processor: eight outputs. Delay counts in hundredths of a
// millisecond and gain in tenths of a decibel, as whole numbers, the way a
// device does. Made up; the profile plain-eight describes it from outside.
const (
	outputs       = 8
	delayPerMs    = 100
	delayMaxTicks = 650 * delayPerMs
	gainPerDB     = 10
	gainMinDB     = -60
	gainMaxDB     = 6
)

// channel is one output as the processor keeps it.
type channel struct {
	delayTicks int32 // 0.01 ms
	reversed   int32 // 0 or 1
	gainTicks  int32 // 0.1 dB
	muted      int32 // 0 or 1
}

func (c channel) setting(output int) engine.Setting {
	return engine.Setting{
		Output:   output,
		DelaySec: float64(c.delayTicks) / (1000 * delayPerMs),
		Polarity: int(1 - 2*c.reversed),
		GainDB:   float64(c.gainTicks) / gainPerDB,
		Muted:    c.muted == 1,
	}
}

// earlierShow is what the processor holds when it starts: the leftovers of a
// show that never was, so that "as found" is a state worth going back to.
func earlierShow() [outputs]channel {
	return [outputs]channel{
		{delayTicks: 740, gainTicks: -60},
		{delayTicks: 115, gainTicks: -55},
		{delayTicks: 0, gainTicks: -65},
		{delayTicks: 115, gainTicks: -55},
		{delayTicks: 320, gainTicks: -60},
		{delayTicks: 320, gainTicks: -60, reversed: 1},
		{delayTicks: 1250, gainTicks: -90},
		{delayTicks: 1250, gainTicks: -90},
	}
}

// target is the parameter of an output that a message is about.
func target(address string) (output int, parameter string, err error) {
	parts := strings.Split(address, "/")
	if len(parts) != 4 || parts[0] != "" || parts[1] != "out" {
		return 0, "", fmt.Errorf("address %s: no such parameter", address)
	}
	output, err = strconv.Atoi(parts[2])
	if err != nil || strconv.Itoa(output) != parts[2] || output < 1 || output > outputs {
		return 0, "", fmt.Errorf("address %s: no such output", address)
	}
	return output, parts[3], nil
}

// get is a parameter's value as it stands in an answer.
func (c channel) get(parameter string) (any, error) {
	switch parameter {
	case "delay":
		return float32(float64(c.delayTicks) / delayPerMs), nil
	case "gain":
		return float32(float64(c.gainTicks) / gainPerDB), nil
	case "polarity":
		return c.reversed, nil
	case "mute":
		return c.muted, nil
	default:
		return nil, fmt.Errorf("parameter %s: no such parameter", parameter)
	}
}

// set takes a value the way many devices do: what is out of range is held at
// the nearest end, what falls between two steps goes to the nearer one, and
// nobody is told.
func (c *channel) set(parameter string, value any) error {
	switch parameter {
	case "delay":
		return setTicks(&c.delayTicks, value, delayPerMs, 0, delayMaxTicks)
	case "gain":
		return setTicks(&c.gainTicks, value, gainPerDB, gainMinDB*gainPerDB, gainMaxDB*gainPerDB)
	case "polarity":
		return setSwitch(&c.reversed, value)
	case "mute":
		return setSwitch(&c.muted, value)
	default:
		return fmt.Errorf("parameter %s: no such parameter", parameter)
	}
}

func setTicks(ticks *int32, value any, perUnit, least, most float64) error {
	number, ok := value.(float32)
	if !ok || math.IsNaN(float64(number)) {
		return fmt.Errorf("value %v: not a number in a float32", value)
	}
	*ticks = int32(math.Max(least, math.Min(most, math.Round(float64(number)*perUnit))))
	return nil
}

func setSwitch(state *int32, value any) error {
	number, ok := value.(int32)
	if !ok {
		return fmt.Errorf("value %v: not an int32", value)
	}
	*state = max(0, min(1, number))
	return nil
}

// handle does what one message asks of the outputs. Answer is nil for a write.
func handle(channels *[outputs]channel, m osc.Message) (output int, answer *osc.Message, err error) {
	output, parameter, err := target(m.Address)
	if err != nil {
		return 0, nil, err
	}
	c := &channels[output-1]
	switch len(m.Args) {
	case 0:
		value, err := c.get(parameter)
		return output, &osc.Message{Address: m.Address, Args: []any{value}}, err
	case 1:
		return output, nil, c.set(parameter, m.Args[0])
	default:
		return output, nil, fmt.Errorf("message %s: %d arguments, takes none or one", m.Address, len(m.Args))
	}
}
