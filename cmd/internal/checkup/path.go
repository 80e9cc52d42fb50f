package checkup

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"syscall"
	"time"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// Path is the way to one processor, in numbers.
type Path struct {
	Name     string   `json:"name"` // as the outputs call it; "" is the site's first
	Profile  string   `json:"profile"`
	Address  string   `json:"address"`
	Asked    int      `json:"asked"` // questions that left
	Answered int      `json:"answered"`
	Lost     int      `json:"lost"`      // not answered, though the same question was at another time
	MedianMS *float64 `json:"median_ms"` // round trip; null where nothing was answered
	WorstMS  *float64 `json:"worst_ms"`
}

// How a path is walked.
const (
	rounds     = 4        // so often each value is asked for, and more often the first time if it must
	enough     = 3        // outputs that say nothing at all make a processor that does
	tolerable  = 1. / 100 // of the datagrams lost: what is left to repeats without a word of trouble
	resolveFor = 5 * time.Second
	openFor    = 3 * time.Second
)

// walker walks one path.
type walker struct {
	book
	Path
	profile  processor.Profile
	conn     *osc.Conn
	took     []time.Duration
	sequence int32
}

// walk tests the way to one processor and every value that the site uses on it.
func walk(ctx context.Context, w engine.Wiring, p processor.Profile, outputs []engine.Output, put func(more, put int)) (Path, []Finding) {
	k := &walker{Path: Path{Name: w.Name, Profile: p.Name, Address: w.Address}, profile: p, sequence: int32(time.Now().UnixMilli() & 0x3fffffff)}
	k.about = strings.TrimSpace("processor "+w.Name) + " (" + p.Name + " at " + w.Address + ")"
	if !k.open(ctx) {
		return k.Path, k.found
	}
	defer k.conn.Close()
	if p.Blind {
		k.blind(ctx, outputs)
		return k.Path, k.found
	}
	values := k.values(outputs)
	if k.ask(ctx, values, put) {
		k.tell(values)
	}
	return k.Path, k.found
}

// open resolves the address and opens the way; false where there is none.
func (k *walker) open(ctx context.Context) bool {
	host, _, _ := net.SplitHostPort(k.Address) // no host:port is for Dial to say
	ctx, cancel := context.WithTimeout(ctx, resolveFor)
	defer cancel()
	if _, err := net.DefaultResolver.LookupHost(ctx, host); err != nil && host != "" {
		k.trouble(err.Error(), "write the processor's address in numbers into the site, or put its name right")
		return false
	}
	conn, err := osc.Dial(k.Address, k.profile.Options())
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		k.trouble(fmt.Sprintf("it answers to port %d of this machine, which another program has", k.profile.ReplyPort),
			"where that is a daemon of this job, look at its page; else stop that program")
		return false
	case err != nil:
		k.trouble(err.Error(), "put the address in the site right, or this machine's network")
		return false
	}
	k.conn = conn
	return true
}

// blind tells what can be told of a processor that cannot be asked.
func (k *walker) blind(ctx context.Context, outputs []engine.Output) {
	k.note(numbered(outputs)+" cannot be read back, and over the network nobody can tell whether it is there",
		"look at its own display; a confirm wants a consent of its own for these, and only measuring proves them")
	if k.profile.Transport == osc.UDP || k.profile.Transport == "" {
		return
	}
	to, err := (&net.Dialer{Timeout: openFor}).DialContext(ctx, "tcp", k.Address)
	if err != nil {
		k.trouble(err.Error(), unplugged)
		return
	}
	to.Close()
	k.well("takes connections")
}

const unplugged = "switch it on, look to cable, switch and VLAN, and hold the site's address against the processor's own display"

// value is one thing to ask for, and what came of it.
type value struct {
	output   engine.Output
	words    string // what it is: "gain", "delay in force", "label"
	param    processor.Param
	inForce  bool
	label    bool
	asked    int
	answered int
	setting  engine.Setting
	text     string // of a label
	err      error  // why there was no answer, the last time that there was none
	wrong    error  // why an answer that came is of no use
}

// values lists what there is to ask for: of every output the first parameter, of
// every output the next, so that a processor which is not there is known soon.
func (k *walker) values(outputs []engine.Output) []*value {
	var all []*value
	each := func(v value) {
		for _, o := range outputs {
			one := v
			one.output = o
			all = append(all, &one)
		}
	}
	for _, param := range k.profile.Params() {
		each(value{words: param.String(), param: param})
		if k.profile.Parameters[param].InForce != nil {
			each(value{words: param.String() + " in force", param: param, inForce: true})
		}
	}
	if k.profile.Label != nil {
		each(value{words: "label", label: true})
	}
	return all
}

// ask asks for every value in rounds, one question at a time, so that each round
// trip is the network's and the processor's alone. False where nobody answers.
func (k *walker) ask(ctx context.Context, values []*value, put func(more, put int)) bool {
	if len(k.profile.Renew) > 0 { // the first question may overtake what makes it answer
		k.once(ctx, &value{output: values[0].output, param: values[0].param})
		k.Asked, k.Answered, k.took = 0, 0, nil
	}
	put(rounds*len(values), 0)
	for round := range rounds {
		for i, v := range values {
			put(0, 1)
			tries := 1
			if round == 0 {
				tries = k.profile.Tries
			}
			for try := 0; try < tries && (try == 0 || v.answered == 0) && (round == 0 || v.answered > 0); try++ {
				k.once(ctx, v)
			}
			if ctx.Err() != nil {
				k.trouble("the test was ended before it was through", "take it again")
				return false
			}
			if k.Answered == 0 && (i+1 == enough || i+1 == len(values)) {
				k.trouble("does not answer: "+errors.Join(v.err, v.wrong).Error(), unplugged)
				return false
			}
		}
	}
	return true
}

// once puts one question.
func (k *walker) once(ctx context.Context, v *value) {
	time.Sleep(k.profile.Gap) // else the wait for one's turn would count as the network's
	k.sequence++
	q, err := k.profile.Ask(v.param, channel(v.output), v.inForce, k.sequence)
	if v.label {
		q, _ = k.profile.AskLabel(channel(v.output), k.sequence)
		err = nil
	}
	if err != nil {
		v.wrong = err
		return
	}
	ctx, cancel := context.WithTimeout(ctx, k.profile.Timeout)
	defer cancel()
	v.asked++
	k.Asked++
	left := time.Now()
	m, err := k.conn.Ask(ctx, q.Message, func(m osc.Message) bool {
		_, refused := q.Refused(m)
		return refused || q.Answered(m)
	})
	if err != nil {
		v.err = err
		return
	}
	k.took = append(k.took, time.Since(left))
	v.answered++
	k.Answered++
	v.read(q, m)
}

// read takes an answer in.
func (v *value) read(q processor.Question, m osc.Message) {
	if why, refused := q.Refused(m); refused && !q.Answered(m) {
		v.wrong = errors.New("the processor refuses to say: " + why)
	} else if v.label {
		v.text, v.wrong = q.Text(m)
	} else {
		v.wrong = q.Read(m, &v.setting)
	}
}

// channel is what an output's processor counts it as.
func channel(o engine.Output) int {
	if o.Channel != 0 {
		return o.Channel
	}
	return o.Number
}

// numbered names outputs.
func numbered(outputs []engine.Output) string {
	numbers := make([]string, len(outputs))
	for i, o := range outputs {
		numbers[i] = fmt.Sprint(o.Number)
	}
	if len(numbers) == 1 {
		return "output " + numbers[0]
	}
	return "outputs " + strings.Join(numbers, ", ")
}

// middle is the median of times, in ms.
func middle(took []time.Duration) float64 {
	sorted := slices.Sorted(slices.Values(took))
	return float64(sorted[len(sorted)/2]+sorted[(len(sorted)-1)/2]) / 2 / float64(time.Millisecond)
}
