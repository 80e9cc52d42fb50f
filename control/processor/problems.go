package processor

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"hushback/control/osc"
	"hushback/engine"
)

// Problems lists what keeps the profile from being used, all of it at once;
// none of the other methods is to be trusted before it comes back empty. A
// path is the way to the value through the types above, in lower case with
// words joined by "_": "parameters.delay.write.args[1]", "outputs",
// "parameters.gain.code.grid.step", "parameters.mute.code.on". A missing
// value's path is that of the value, though the file has nothing there.
func (p Profile) Problems() []engine.Problem {
	l := list{profile: p}
	if p.Name == "" {
		l.add("name", "nothing", "a name that site files can give")
	}
	if p.Outputs < 1 || p.Outputs > maxOutputs {
		l.add("outputs", fmt.Sprint(p.Outputs), fmt.Sprintf("1 to %d", maxOutputs))
	}
	l.link()
	l.timing()
	before := len(l.problems)
	for i, n := range p.Numbering {
		l.numbering(fmt.Sprintf("numbering[%d]", i), n, p.Numbering[:i])
	}
	if len(l.problems) > before {
		return l.problems // what follows speaks of outputs by these numberings
	}
	for _, param := range p.Params() {
		l.parameter("parameters."+param.String(), param, p.Parameters[param])
	}
	if p.Label != nil {
		l.readBack("parameters.label", *p.Label)
	}
	if p.Refusal != nil {
		l.refusal("refusal", *p.Refusal)
	}
	for i, r := range p.Renew {
		l.renewal(fmt.Sprintf("renew[%d]", i), r)
	}
	p.shared(&l)
	return l.problems
}

// maxOutputs keeps what is done for each output bounded.
const maxOutputs = 1024

// list gathers problems of a profile.
type list struct {
	profile  Profile
	problems []engine.Problem
}

func (l *list) add(path, got, want string) {
	l.problems = append(l.problems, engine.Problem{Path: path, Got: got, Want: want})
}

func (l *list) link() {
	p := l.profile
	known := []osc.Transport{"", osc.UDP, osc.TCPLength, osc.TCPSLIP}
	if !slices.Contains(known, p.Transport) {
		l.add("transport", fmt.Sprintf("%q", p.Transport), fmt.Sprintf("%s, %s or %s", osc.UDP, osc.TCPLength, osc.TCPSLIP))
	}
	udp := p.Transport == "" || p.Transport == osc.UDP
	if p.ReplyPort < 0 || p.ReplyPort > math.MaxUint16 {
		l.add("reply_port", fmt.Sprint(p.ReplyPort), "a port, 1 to 65535")
	} else if p.ReplyPort != 0 && !udp {
		l.add("reply_port", fmt.Sprint(p.ReplyPort), "none: over TCP the answer comes back over the same connection")
	}
	if p.Burst < 0 {
		l.add("burst", fmt.Sprint(p.Burst), "0 or more")
	}
	if p.Bundle < 0 {
		l.add("bundle", fmt.Sprint(p.Bundle), "0 or more")
	}
}

func (l *list) timing() {
	p := l.profile
	if p.Gap < 0 {
		l.add("gap", p.Gap.String(), "0 or more")
	}
	if p.Timeout <= p.Gap || p.Timeout <= 0 {
		l.add("timeout", p.Timeout.String(), "more than 0 and more than the gap, which is part of it")
	} else if p.Late < p.Timeout {
		l.add("late", p.Late.String(), fmt.Sprintf("at least the timeout, %s: until then a reply is waited for", p.Timeout))
	}
	if p.Tries < 1 {
		l.add("tries", fmt.Sprint(p.Tries), "at least 1")
	}
	if !(p.Ramp.StepDB > 0) || math.IsInf(p.Ramp.StepDB, 0) {
		l.add("ramp.step", fmt.Sprintf("%v dB", p.Ramp.StepDB), "more than 0 dB")
	}
	if p.Ramp.Every < 0 {
		l.add("ramp.every", p.Ramp.Every.String(), "0 or more")
	}
}

func (l *list) numbering(path string, n Numbering, before []Numbering) {
	outputs := l.profile.Outputs
	switch {
	case !regexp.MustCompile(`^[a-z][a-z_]*$`).MatchString(n.Name) || slices.Contains(ownWords, n.Name):
		l.add(path+".name", fmt.Sprintf("%q", n.Name), "a word of its own in small letters, such as bus")
	case slices.ContainsFunc(before, func(b Numbering) bool { return b.Name == n.Name }):
		l.add(path+".name", fmt.Sprintf("%q a second time", n.Name), "every name once")
	case n.Table != nil && len(n.Table) != outputs:
		l.add(path+".table", fmt.Sprintf("%d entries", len(n.Table)), fmt.Sprintf("one for each of the %d outputs", outputs))
	case n.FirstLetter != 0 && n.FirstLetter != 'a' && n.FirstLetter != 'A':
		l.add(path+".first", fmt.Sprintf("%q", n.FirstLetter), "a number, A or a")
	case n.FirstLetter != 0 && outputs > letters:
		l.add(path+".first", fmt.Sprintf("letters for %d outputs", outputs), fmt.Sprintf("at most %d outputs", letters))
	case n.Digits < 0 || n.Digits > 9:
		l.add(path+".digits", fmt.Sprint(n.Digits), "0 to 9")
	case n.First < 0 || n.First > math.MaxInt32-maxOutputs:
		l.add(path+".first", fmt.Sprint(n.First), "0 or more")
	}
	for i, entry := range n.Table {
		if _, err := osc.Encode(osc.Message{Address: "/" + entry}); err != nil || entry == "" || strings.Contains(entry, "/") {
			l.add(fmt.Sprintf("%s.table[%d]", path, i), fmt.Sprintf("%q", entry), "a word that can stand in an address")
		} else if slices.Contains(n.Table[:i], entry) {
			l.add(fmt.Sprintf("%s.table[%d]", path, i), fmt.Sprintf("%q a second time", entry), "every entry once")
		}
	}
}

// ownWords are what arguments are called in a profile file; a numbering cannot
// have one of these names.
var ownWords = []string{"value", "output", "sequence", "any", "command"}

func (l *list) parameter(path string, param Param, s Parameter) {
	l.template(path+".write", s.Write, 1)
	l.only(path+".write.args", s.Write.Args, "a write", ArgLiteral, ArgValue, ArgOutput)
	switch {
	case !l.profile.Blind:
		l.readBack(path, s.ReadBack)
	case s.Query.Address != "" || s.Reply.Address != "":
		l.add(path+".query", "a query", "none, as the processor is blind")
	}
	if s.InForce != nil {
		l.readBack(path+".in_force", *s.InForce)
	}
	if param == Delay || param == Gain {
		l.number(path+".code", s.Code, param)
	} else {
		l.twoWay(path+".code", s.Code)
	}
}

func (l *list) readBack(path string, back ReadBack) {
	l.template(path+".query", back.Query, 0)
	l.only(path+".query.args", back.Query.Args, "a query", ArgLiteral, ArgOutput, ArgSequence, ArgValue)
	l.template(path+".reply", Template(back.Reply), 1)
	l.only(path+".reply.args", back.Reply.Args, "a reply", ArgLiteral, ArgOutput, ArgSequence, ArgValue, ArgAny)
	if asked, answered := has(back.Query.Args, ArgSequence), has(back.Reply.Args, ArgSequence); answered && !asked {
		l.add(path+".query.args", "no sequence number", "one, as the reply repeats it")
	}
}

// only holds arguments to the kinds that make sense in a message.
func (l *list) only(path string, args []Arg, message string, kinds ...ArgKind) {
	words := map[ArgKind]string{ArgAny: "any", ArgCommand: "command", ArgSequence: "sequence", ArgValue: "value", ArgOutput: "output"}
	for i, arg := range args {
		if !slices.Contains(kinds, arg.Kind) && arg.Kind >= ArgLiteral && arg.Kind <= ArgCommand {
			l.add(fmt.Sprintf("%s[%d]", path, i), words[arg.Kind], "an argument that "+message+" can have")
		}
	}
}

// refusal needs the command, and says of no output.
func (l *list) refusal(path string, r Reply) {
	l.address(path+".address", r.Address)
	l.arguments(path, r.Args)
	l.only(path+".args", r.Args, "a refusal", ArgLiteral, ArgAny, ArgCommand)
	if !has(r.Args, ArgCommand) {
		l.add(path+".args", "no command", "the argument that names what was refused")
	}
}

func (l *list) renewal(path string, r Renewal) {
	l.address(path+".address", r.Message.Address)
	l.arguments(path, r.Message.Args)
	l.only(path+".args", r.Message.Args, "a renewal", ArgLiteral)
	if l.profile.names(r.Message.Address) {
		l.add(path+".address", r.Message.Address, "an address without an output")
	}
	if r.Every <= 0 {
		l.add(path+".every", r.Every.String(), "more than 0")
	}
}

// shared finds parameters that the processor could not tell apart.
func (p Profile) shared(l *list) {
	params := p.Params()
	for i, a := range params {
		for _, b := range params[i+1:] {
			x, y := p.Parameters[a], p.Parameters[b]
			path, got, want := "parameters."+b.String(), "the same as for "+a.String(), "one of its own"
			if x.Write.Address != "" && sameTemplate(x.Write, y.Write) {
				l.add(path+".write", got, want)
			}
			// One reply may hold several values, and then one query may ask for
			// all of them; but each value must have a place of its own.
			sameReply := x.Reply.Address != "" && x.Reply.Address == y.Reply.Address
			apart := sameReply && !sameTemplate(Template(x.Reply), Template(y.Reply)) && compatible(x.Reply, y.Reply)
			if x.Query.Address != "" && sameTemplate(x.Query, y.Query) && !apart {
				l.add(path+".query", got, want)
			}
			if sameReply && sameTemplate(Template(x.Reply), Template(y.Reply)) {
				l.add(path+".reply", got, want)
			}
		}
	}
}

// compatible reports whether one message can be both replies: where both have
// something to say of an argument they agree, and their values stand apart.
func compatible(a, b Reply) bool {
	for i := range min(len(a.Args), len(b.Args)) {
		x, y := a.Args[i], b.Args[i]
		if x.Kind == ArgValue && y.Kind == ArgValue {
			return false
		}
		if x.Kind == ArgLiteral && y.Kind == ArgLiteral && !equal(x.Literal, y.Literal) {
			return false
		}
	}
	return true
}

func sameTemplate(a, b Template) bool {
	return a.Address == b.Address && slices.EqualFunc(a.Args, b.Args, func(x, y Arg) bool {
		if x.Kind != ArgLiteral || y.Kind != ArgLiteral {
			return x.Kind == y.Kind && x.Numbering == y.Numbering
		}
		return equal(x.Literal, y.Literal)
	})
}

// template checks a message that has so many values and says which output it
// is of.
func (l *list) template(path string, t Template, values int) {
	l.address(path+".address", t.Address)
	l.arguments(path, t.Args)
	count := 0
	for _, arg := range t.Args {
		if arg.Kind == ArgValue {
			count++
		}
	}
	if count != values {
		l.add(path+".args", fmt.Sprintf("%d value arguments", count), fmt.Sprintf("exactly %d", values))
	}
	if t.Address != "" && unfilled(t.Address) == "" && !has(t.Args, ArgOutput) {
		l.add(path, "no output number", place+" in the address or the output as an argument")
	}
}

func (l *list) arguments(path string, args []Arg) {
	for i, arg := range args {
		path := fmt.Sprintf("%s.args[%d]", path, i)
		switch {
		case arg.Kind < ArgLiteral || arg.Kind > ArgCommand:
			l.add(path, fmt.Sprintf("kind %d", arg.Kind), "a literal, the value or the output")
		case arg.Kind == ArgLiteral:
			l.literal(path, arg.Literal)
		case arg.Kind == ArgOutput && arg.Numbering != "":
			if !slices.ContainsFunc(l.profile.Numbering, func(n Numbering) bool { return n.Name == arg.Numbering }) {
				l.add(path, fmt.Sprintf("%q", arg.Numbering), `value, output, a numbering that the profile has, or a fixed argument such as {string: "on"}`)
			}
		}
	}
}

// literal allows every type that a message can hold but time tags, of which a
// fixed one makes no sense.
func (l *list) literal(path string, literal any) {
	_, isBlob := literal.([]byte)
	if literal != nil && !isBlob && typeOf(literal) == "" {
		l.add(path, nameOf(literal), "int32, int64, float32, float64, string, bool, blob or nil")
		return
	}
	if _, err := osc.Encode(osc.Message{Address: "/", Args: []any{literal}}); err != nil {
		l.add(path, err.Error(), "an argument that can be sent")
	}
}

// address checks the address as it will be sent for the first and the last
// output.
func (l *list) address(path, address string) {
	if address == "" {
		l.add(path, "nothing", "an address such as /out/"+place+"/delay")
		return
	}
	if unknown := unfilled(l.profile.address(address, 1)); unknown != "" {
		l.add(path, unknown, place+" or a numbering that the profile has")
		return
	}
	for _, output := range []int{1, l.profile.Outputs} {
		if _, err := osc.Encode(osc.Message{Address: l.profile.address(address, output)}); err != nil {
			l.add(path, err.Error(), "an address such as /out/"+place+"/delay")
			return
		}
	}
}

// unfilled is a place in an address that nothing fills in, "" if there is none.
func unfilled(address string) string { return regexp.MustCompile(`\{[^}]*\}`).FindString(address) }
