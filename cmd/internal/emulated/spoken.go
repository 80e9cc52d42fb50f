package emulated

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"hushback/control/osc"
)

var errUnknown = errors.New("no such message")

// plainEight: an address for each parameter of each output; with an argument it
// is set, without one it is asked for.
func plainEight() kind {
	return kind{
		name: "plain-eight", outputs: 8, delayPer: 1e5, delayMost: 65000, gainPer: 10, gainLeast: -600, gainMost: 60,
		hear: func(r *request, m osc.Message) error {
			number, parameter, ok := strings.Cut(strings.TrimPrefix(m.Address, "/out/"), "/")
			n, err := strconv.Atoi(number)
			if !ok || err != nil || strconv.Itoa(n) != number || !strings.HasPrefix(m.Address, "/out/") {
				return errUnknown
			}
			output, c, err := r.output(int64(n))
			if err != nil {
				return err
			}
			tag := map[string]string{"delay": "f", "gain": "f", "polarity": "i", "mute": "i"}[parameter]
			if tag == "" {
				return errUnknown
			}
			if len(m.Args) == 0 {
				r.answer(m.Address, map[string]any{
					"delay": float32(c.delay) / 100, "gain": float32(float64(c.gain) / 10), "polarity": bit(c.reversed), "mute": bit(c.muted),
				}[parameter])
				return nil
			}
			if err := types(m, tag); err != nil {
				return err
			}
			switch v := m.Args[0].(type) {
			case float32:
				r.write(output, map[string]func(*channel){"delay": r.delay(float64(v)), "gain": r.gain(float64(v))}[parameter])
			case int32:
				r.write(output, twoWay(parameter, v >= 1))
			}
			return nil
		},
	}
}

// bit is a switch as a number.
func bit(on bool) int32 {
	if on {
		return 1
	}
	return 0
}

// twoWay sets a switch, whatever a kind calls it.
func twoWay(parameter string, on bool) func(*channel) {
	if parameter == "mute" {
		return func(c *channel) { c.muted = on }
	}
	return func(c *channel) { c.reversed = on }
}

// countingTwelve: /set/PARAMETER output value "now"; /get/PARAMETER output is
// answered by /is/PARAMETER counter output value.
func countingTwelve() kind {
	return kind{
		name: "counting-twelve", outputs: 12, delayPer: 96000, delayMost: 48000, gainPer: 4, gainLeast: -320, gainMost: 48,
		hear: func(r *request, m osc.Message) error {
			verb, parameter, _ := strings.Cut(strings.TrimPrefix(m.Address, "/"), "/")
			tag := map[string]string{"delay": "i", "gain": "i", "polarity": "s", "mute": ""}[parameter]
			if len(m.Args) == 0 {
				return errUnknown
			}
			n, isNumber := m.Args[0].(int32)
			output, c, err := r.output(int64(n))
			if err != nil || !isNumber {
				return errUnknown
			}
			if verb == "get" && len(m.Args) == 1 {
				r.p.asked++
				value := map[string]any{
					"delay": int32(c.delay), "gain": int32(c.gain), "polarity": map[bool]string{false: "normal", true: "reversed"}[c.reversed], "mute": c.muted,
				}[parameter]
				r.answer("/is/"+parameter, r.p.asked, n, value)
				return nil
			}
			if verb != "set" || len(m.Args) != 3 || m.Args[2] != "now" {
				return errUnknown
			}
			if parameter == "mute" {
				on, ok := m.Args[1].(bool)
				if !ok {
					return errUnknown
				}
				r.write(output, twoWay(parameter, on))
				return nil
			}
			if err := types(m, "i"+tag+"s"); err != nil {
				return err
			}
			switch v := m.Args[1].(type) {
			case int32:
				r.write(output, map[string]func(*channel){"delay": r.delay(float64(v) / 96), "gain": r.gain(float64(v) / 4)}[parameter])
			case string:
				r.write(output, twoWay(parameter, v == "reversed"))
			}
			return nil
		},
	}
}

// limited is the loudest that a lettered-six plays, whatever it is told.
const limited = 6 // dB

// letteredSix: /strip/LETTER/WORD/set value, /get number, answered without a verb
// by number and value. A delay is a distance.
func letteredSix() kind {
	const speed = 343.5 // m/s, as it takes it to be
	return kind{
		name: "lettered-six", outputs: 6, transport: osc.TCPSLIP,
		delayPer: speed / 0.005, delayMost: 40000, gainPer: 20, gainLeast: -1400, gainMost: 200,
		hear: func(r *request, m osc.Message) error {
			part := strings.Split(m.Address, "/") // "", strip, LETTER, word, verb
			if len(part) != 5 || part[1] != "strip" || len(part[2]) != 1 {
				return errUnknown
			}
			output, c, err := r.output(int64(part[2][0]) - 'A' + 1)
			if err != nil {
				return err
			}
			word, verb := part[3], part[4]
			sign := map[bool]float64{false: 1, true: -1}[c.reversed]
			gain := float64(c.gain) * 0.05
			value := map[string]any{"distance": float64(c.delay) * 0.005, "sign": sign, "gain": gain, "mute": c.muted, "name": r.p.label(output)}[word]
			if value == nil {
				return errUnknown
			}
			switch verb {
			case "get", "now":
				if err := types(m, "i"); err != nil {
					return err
				}
				address := strings.Join(part[:4], "/")
				if verb == "now" {
					address, value = address+"/is", math.Min(limited, gain)
				}
				r.answer(address, m.Args[0], value)
				return nil
			case "set":
				return r.setLettered(output, word, speed, m)
			}
			return errUnknown
		},
	}
}

func (r *request) setLettered(output int, word string, speed float64, m osc.Message) error {
	if len(m.Args) != 1 || notANumber(m.Args[0]) {
		return errUnknown
	}
	switch v := m.Args[0].(type) {
	case bool:
		if word == "mute" {
			r.write(output, twoWay("mute", v))
			return nil
		}
	case float64:
		change := map[string]func(*channel){
			"distance": r.delay(v / speed * 1000), "gain": r.gain(v), "sign": twoWay("polarity", v < 0),
		}[word]
		if change != nil {
			r.write(output, change)
			return nil
		}
	}
	return fmt.Errorf("%s: not a value that it takes", m.Address)
}

// oneAddressSixteen: /put WORD node value and one thing more; /take WORD node,
// answered by /taken WORD node value. What it does not take it says at /fault.
func oneAddressSixteen() kind {
	return kind{
		name: "one-address-sixteen", outputs: 16, transport: osc.TCPLength,
		delayPer: 1e5, delayMost: 50000, gainPer: 10, gainLeast: -600, gainMost: 100,
		hear: func(r *request, m osc.Message) error {
			err := r.hearOneAddress(m)
			if err != nil {
				r.answer("/fault", m.Address, err.Error())
			}
			return err
		},
	}
}

func (r *request) hearOneAddress(m osc.Message) error {
	if len(m.Args) < 2 {
		return errUnknown
	}
	word, _ := m.Args[0].(string)
	node, _ := m.Args[1].(int32)
	// four nodes to a card, cards 32 apart, the first node 33
	card, place := (node-33)/32, (node-33)%32
	if node < 33 || place > 3 {
		return fmt.Errorf("no node %d", node)
	}
	output, c, err := r.output(int64(card*4 + place + 1))
	if err != nil {
		return err
	}
	switch {
	case m.Address == "/take" && len(m.Args) == 2:
		value := map[string]any{
			"delay": c.delay * 10, "level": faderAt(float64(c.gain) / 10), "polarity": map[bool]string{false: "+", true: "-"}[c.reversed], "mute": int64(bit(c.muted)),
		}[word]
		if value == nil {
			return errUnknown
		}
		r.answer("/taken", word, node, value)
		return nil
	case m.Address == "/put" && len(m.Args) == 4:
		return r.putOneAddress(output, word, m)
	}
	return errUnknown
}

func (r *request) putOneAddress(output int, word string, m osc.Message) error {
	want := map[string]string{"delay": "sihN", "level": "siih", "polarity": "sisb", "mute": "sihT"}[word]
	if err := types(m, want); err != nil {
		return err
	}
	switch v := m.Args[2].(type) {
	case int64:
		change := r.delay(float64(v) / 1000)
		if word == "mute" {
			change = twoWay("mute", v == 1)
		}
		r.write(output, change)
	case int32:
		r.write(output, r.gain(levelAt(float64(v))))
	case string:
		r.write(output, twoWay("polarity", v == "-"))
	}
	return nil
}

// The fader of a one-address-sixteen, as drawn: 2000 counts are -60 dB, 10000
// are -20 dB, 20000 are 0 dB, 25000 are +10 dB.
func levelAt(count float64) float64 {
	switch {
	case count <= 10000:
		return -60 + (count-2000)/200
	case count <= 20000:
		return -20 + (count-10000)/500
	}
	return (count - 20000) / 500
}

func faderAt(db float64) int32 {
	switch {
	case db <= -20:
		return int32(math.Round(2000 + (db+60)*200))
	case db <= 0:
		return int32(math.Round(10000 + (db+20)*500))
	}
	return int32(math.Round(20000 + db*500))
}

// bundledSixtyFour: /line/000/WORD value; /line/000/all is answered with
// everything, but only while somebody listens, which /listen port seconds says.
func bundledSixtyFour() kind {
	return kind{
		name: "bundled-sixty-four", outputs: 64, delayPer: 5e4, delayMost: 20000, gainPer: 10, gainLeast: -600, gainMost: 60,
		hear: func(r *request, m osc.Message) error {
			host, _, _ := strings.Cut(r.from, ":")
			if m.Address == "/listen" {
				if err := types(m, "ii"); err != nil {
					return err
				}
				r.p.heardAt[host] = time.Now().Add(time.Duration(m.Args[1].(int32)) * time.Second)
				return nil
			}
			part := strings.Split(m.Address, "/") // "", line, number, word
			if len(part) != 4 || part[1] != "line" || len(part[2]) != 3 {
				return errUnknown
			}
			n, err := strconv.Atoi(part[2])
			if err != nil {
				return errUnknown
			}
			output, c, err := r.output(int64(n) + 1)
			if err != nil {
				return err
			}
			if part[3] == "all" {
				if time.Now().Before(r.p.heardAt[host]) {
					amplitude := float32(math.Pow(10, float64(c.gain)/10/20))
					r.answer(m.Address, float32(float64(c.delay)*2e-5), c.reversed, amplitude, bit(c.muted))
				}
				return nil
			}
			return r.setLine(output, part[3], m)
		},
	}
}

func (r *request) setLine(output int, word string, m osc.Message) error {
	if len(m.Args) != 1 || notANumber(m.Args[0]) {
		return errUnknown
	}
	switch v := m.Args[0].(type) {
	case float32:
		if word == "delay" {
			r.write(output, r.delay(float64(v)*1000))
			return nil
		}
		if word == "amplitude" {
			r.write(output, r.gain(20*math.Log10(float64(v))))
			return nil
		}
	case bool:
		if word == "reverse" {
			r.write(output, twoWay("polarity", v))
			return nil
		}
	case int32:
		if word == "mute" {
			r.write(output, twoWay("mute", v == 1))
			return nil
		}
	}
	return fmt.Errorf("%s: not a value that it takes", m.Address)
}

// mutelessFour: /way/1/t, p or g; with an argument set, without one asked for.
func mutelessFour() kind {
	return kind{
		name: "muteless-four", outputs: 4, delayPer: 1e4, delayMost: 3000, gainPer: 2, gainLeast: -180, gainMost: 0,
		hear: func(r *request, m osc.Message) error {
			part := strings.Split(m.Address, "/") // "", way, number, letter
			if len(part) != 4 || part[1] != "way" || !slices.Contains([]string{"t", "p", "g"}, part[3]) {
				return errUnknown
			}
			n, err := strconv.Atoi(part[2])
			if err != nil {
				return errUnknown
			}
			output, c, err := r.output(int64(n))
			if err != nil {
				return err
			}
			if len(m.Args) == 0 {
				r.answer(m.Address, map[string]any{"t": int32(c.delay), "p": map[bool]int32{false: 1, true: -1}[c.reversed], "g": int32(180 + c.gain)}[part[3]])
				return nil
			}
			if err := types(m, "i"); err != nil {
				return err
			}
			v := m.Args[0].(int32)
			r.write(output, map[string]func(*channel){
				"t": r.delay(float64(v) / 10), "p": twoWay("polarity", v < 0), "g": r.gain(float64(v-180) / 2),
			}[part[3]])
			return nil
		},
	}
}

// blindFour: /blind/1 WORD value, and never a word back.
func blindFour() kind {
	return kind{
		name: "blind-four", outputs: 4, delayPer: 112500, delayMost: 50000, gainPer: 10, gainLeast: -800, gainMost: 0,
		hear: func(r *request, m osc.Message) error {
			n, err := strconv.Atoi(strings.TrimPrefix(m.Address, "/blind/"))
			if err != nil || len(m.Args) != 2 || notANumber(m.Args[1]) {
				return errUnknown
			}
			output, _, err := r.output(int64(n))
			if err != nil {
				return err
			}
			switch v := m.Args[1].(type) {
			case float32:
				change := map[any]func(*channel){"feet": r.delay(float64(v) / 1125 * 1000), "gain": r.gain(float64(v))}[m.Args[0]]
				if change == nil {
					return errUnknown
				}
				r.write(output, change)
			case bool:
				word := map[any]string{"turned": "polarity", "mute": "mute"}[m.Args[0]]
				if word == "" {
					return errUnknown
				}
				r.write(output, twoWay(word, v))
			default:
				return errUnknown
			}
			return nil
		},
	}
}
