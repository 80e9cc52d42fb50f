package processor

import (
	"bytes"
	"fmt"
	"strings"

	"hushback/control/osc"
	"hushback/engine"
)

// Write is the message that sets one parameter of set.Output to its value in
// set. A value outside the profile's range, or an output that the processor
// does not have, is an error; nothing is ever moved into the range.
//
// Without a mute of its own, muting sets the lowest gain and opening the gain
// that set has.
func (p Profile) Write(param Param, set engine.Setting) (osc.Message, error) {
	if param == Mute && !p.HasMute() {
		param = Gain
		if set.Muted {
			set.GainDB = p.Ranges().GainDB.Min
		}
	}
	spelling, err := p.spelling(param, set.Output)
	if err != nil {
		return osc.Message{}, err
	}
	value, err := spelling.Code.encode(param, set)
	if err != nil {
		return osc.Message{}, fmt.Errorf("profile %s: output %d: %w", p.Name, set.Output, err)
	}
	return p.fill(spelling.Write, set.Output, value, 0), nil
}

// Question is one question to the processor and all that can be said of what
// comes back.
type Question struct {
	Message osc.Message

	profile  Profile
	param    Param
	output   int
	sequence int32
	back     ReadBack
	write    string // address at which the parameter is written
}

// Ask is the question for one parameter of an output: for the value stored, or
// for the one in force. The sequence number goes along where the profile has a
// place for it (see Sequenced).
func (p Profile) Ask(param Param, output int, inForce bool, sequence int32) (Question, error) {
	spelling, err := p.spelling(param, output)
	if err != nil {
		return Question{}, err
	}
	back := spelling.ReadBack
	switch {
	case p.Blind:
		return Question{}, fmt.Errorf("profile %s: this processor cannot be asked", p.Name)
	case inForce && spelling.InForce == nil:
		return Question{}, fmt.Errorf("profile %s: the %s in force cannot be asked for", p.Name, param)
	case inForce:
		back = *spelling.InForce
	}
	return Question{
		Message: p.fill(back.Query, output, nil, sequence),
		profile: p, param: param, output: output, sequence: sequence, back: back,
		write: p.address(spelling.Write.Address, output),
	}, nil
}

// AskLabel is the question for the text that an output is labelled with; false
// where the processor has none.
func (p Profile) AskLabel(output int, sequence int32) (Question, bool) {
	if p.Label == nil || p.Blind || output < 1 || output > p.Outputs {
		return Question{}, false
	}
	return Question{
		Message: p.fill(p.Label.Query, output, nil, sequence),
		profile: p, output: output, sequence: sequence, back: *p.Label,
	}, true
}

// Sequenced reports whether the answers to a parameter's question repeat a
// number of the question, so that a late answer cannot pass for another.
func (p Profile) Sequenced(param Param, inForce bool) bool {
	back := p.Parameters[param].ReadBack
	if f := p.Parameters[param].InForce; inForce && f != nil {
		back = *f
	}
	return has(back.Query.Args, ArgSequence) && has(back.Reply.Args, ArgSequence)
}

// Answered reports whether m is the answer: it stands at the reply's address
// and begins with the reply's arguments, a value of any kind among them.
// Whether the value is any good is for Read to say.
func (q Question) Answered(m osc.Message) bool {
	reply := q.back.Reply
	if m.Address != q.profile.address(reply.Address, q.output) || len(m.Args) < len(reply.Args) {
		return false
	}
	for i, arg := range reply.Args {
		if !q.matches(arg, m.Args[i]) {
			return false
		}
	}
	return true
}

func (q Question) matches(arg Arg, got any) bool {
	switch arg.Kind {
	case ArgLiteral:
		return equal(arg.Literal, got)
	case ArgOutput:
		return got == q.profile.called(arg.Numbering, q.output)
	case ArgSequence:
		return got == any(q.sequence)
	}
	return true
}

// equal compares two arguments in value and type.
func equal(a, b any) bool {
	x, isBlob := a.([]byte)
	y, isToo := b.([]byte)
	if isBlob || isToo {
		return isBlob && isToo && bytes.Equal(x, y)
	}
	return a == b
}

// Read puts the value that an answer holds into the field of into that was
// asked for. The value must have exactly the profile's type and lie in its
// range; it is kept as the processor said it, not moved to the grid, so that
// writing it back gives the same argument (but for the last digit of a float
// where the law is bent). With an error, into stays as it was.
//
// Without a mute of its own an output whose gain is the lowest is muted.
func (q Question) Read(m osc.Message, into *engine.Setting) error {
	value, err := q.value(m)
	if err != nil {
		return err
	}
	if err := q.profile.Parameters[q.param].Code.decode(q.param, value, into); err != nil {
		return fmt.Errorf("reply %.200s: %w", m, err)
	}
	if q.param == Gain && !q.profile.HasMute() {
		into.Muted = q.profile.Mutes(into.GainDB)
	}
	return nil
}

// Text is the label that an answer to AskLabel holds.
func (q Question) Text(m osc.Message) (string, error) {
	value, err := q.value(m)
	if err != nil {
		return "", err
	}
	text, ok := value.(string)
	if !ok {
		return "", fmt.Errorf("reply %.200s: the label is of type %s, want string", m, nameOf(value))
	}
	return text, nil
}

func (q Question) value(m osc.Message) (any, error) {
	for i, arg := range q.back.Reply.Args {
		if arg.Kind == ArgValue && i < len(m.Args) {
			return m.Args[i], nil
		}
	}
	return nil, fmt.Errorf("reply %.200s: the value is not in it", m)
}

// Refused reports whether the processor says by m that it did not take this
// question, or a write of the parameter asked for, and in what words.
func (q Question) Refused(m osc.Message) (why string, yes bool) {
	refusal := q.profile.Refusal
	if refusal == nil || m.Address != refusal.Address || len(m.Args) < len(refusal.Args) {
		return "", false
	}
	var words []string
	for i, arg := range refusal.Args {
		command, isText := m.Args[i].(string)
		switch {
		case arg.Kind == ArgCommand && (!isText || command != q.Message.Address && command != q.write):
			return "", false
		case arg.Kind == ArgLiteral && !equal(arg.Literal, m.Args[i]):
			return "", false
		case arg.Kind == ArgAny:
			words = append(words, strings.Trim(fmt.Sprint(m.Args[i]), "\""))
		}
	}
	return strings.Join(words, " "), true
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
func (p Profile) fill(t Template, output int, value any, sequence int32) osc.Message {
	m := osc.Message{Address: p.address(t.Address, output)}
	for _, arg := range t.Args {
		switch arg.Kind {
		case ArgValue:
			m.Args = append(m.Args, value)
		case ArgOutput:
			m.Args = append(m.Args, p.called(arg.Numbering, output))
		case ArgSequence:
			m.Args = append(m.Args, sequence)
		default:
			m.Args = append(m.Args, arg.Literal)
		}
	}
	return m
}

func has(args []Arg, kind ArgKind) bool {
	for _, arg := range args {
		if arg.Kind == kind {
			return true
		}
	}
	return false
}
