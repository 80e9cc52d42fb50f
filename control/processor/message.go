package processor

import (
	"fmt"
	"strconv"
	"strings"

	"hushback/control/osc"
	"hushback/engine"
)

// place is what stands for the output's number in an address.
const place = "{output}"

// Write is the message that sets one parameter of set.Output to its value in
// set. A value outside the profile's range, or an output that the processor
// does not have, is an error; nothing is ever moved into the range.
func (p Profile) Write(param Param, set engine.Setting) (osc.Message, error) {
	spelling, err := p.spelling(param, set.Output)
	if err != nil {
		return osc.Message{}, err
	}
	value, err := spelling.Code.encode(param, set)
	if err != nil {
		return osc.Message{}, fmt.Errorf("profile %s: output %d: %w", p.Name, set.Output, err)
	}
	return spelling.Write.fill(set.Output, value), nil
}

// Query is the message that asks for one parameter of an output.
func (p Profile) Query(param Param, output int) (osc.Message, error) {
	spelling, err := p.spelling(param, output)
	if err != nil {
		return osc.Message{}, err
	}
	return spelling.Query.fill(output, nil), nil
}

// Answers reports whether m is the reply to Query(param, output): it stands at
// the reply's address, names that output and has a value. Whether the value is
// any good is for Read to say.
func (p Profile) Answers(param Param, output int, m osc.Message) bool {
	spelling, err := p.spelling(param, output)
	if err != nil {
		return false
	}
	reply := spelling.Reply
	if m.Address != fillAddress(reply.Address, output) || !holds(m, reply.Value) {
		return false
	}
	if strings.Contains(reply.Address, place) {
		return true
	}
	return holds(m, reply.Output) && m.Args[reply.Output] == any(int32(output))
}

// Read puts the value that a reply holds into the field of into that param
// names. The value must have exactly the profile's type and lie in its range;
// it is kept as the processor said it, not moved to the grid, so that writing
// it back gives the same argument. With an error, into stays as it was.
func (p Profile) Read(param Param, m osc.Message, into *engine.Setting) error {
	spelling, err := p.spelling(param, 1)
	if err != nil {
		return err
	}
	if !holds(m, spelling.Reply.Value) {
		return fmt.Errorf("reply %.200s: %s: no argument %d", m, param, spelling.Reply.Value+1)
	}
	if err := spelling.Code.decode(param, m.Args[spelling.Reply.Value], into); err != nil {
		return fmt.Errorf("reply %.200s: %w", m, err)
	}
	return nil
}

// spelling finds the spelling of a parameter for an output that exists.
func (p Profile) spelling(param Param, output int) (Parameter, error) {
	if param < 0 || int(param) >= len(p.Parameters) {
		return Parameter{}, fmt.Errorf("profile %s: there is no %s", p.Name, param)
	}
	if output < 1 || output > p.Outputs {
		return Parameter{}, fmt.Errorf("profile %s: output %d: the processor has outputs 1 to %d", p.Name, output, p.Outputs)
	}
	return p.Parameters[param], nil
}

// fill is the template's message for one output and one value.
func (t Template) fill(output int, value any) osc.Message {
	m := osc.Message{Address: fillAddress(t.Address, output)}
	for _, arg := range t.Args {
		switch arg.Kind {
		case ArgValue:
			m.Args = append(m.Args, value)
		case ArgOutput:
			m.Args = append(m.Args, int32(output))
		default:
			m.Args = append(m.Args, arg.Literal)
		}
	}
	return m
}

func fillAddress(address string, output int) string {
	return strings.ReplaceAll(address, place, strconv.Itoa(output))
}

// holds reports whether m has an argument at index.
func holds(m osc.Message, index int) bool { return index >= 0 && index < len(m.Args) }
