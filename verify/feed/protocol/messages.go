package protocol

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"hushback/verify/transfer"
)

// The types of the text messages, which are JSON objects. A type alone says which
// fields a message has, and it has all of them and no others.
const (
	TypeHello    = "hello"
	TypeWelcome  = "welcome"
	TypeAck      = "ack"
	TypeError    = "error"
	TypeMark     = "mark"
	TypeFunction = "function"
)

// MaxTextBytes is the longest text message: a function of 20,000 lines fits.
const MaxTextBytes = 2 << 20

// Note is what a hub says; which of its fields count, its type tells.
type Note struct {
	Type    string `json:"type"`
	Next    uint64 `json:"next"`    // of a welcome or an ack: the hub has, or does without, every sample before it
	ID      uint32 `json:"id"`      // of a mark
	Message string `json:"message"` // of an error: why the hub sends the agent away
}

// Welcome spells the answer to a hello.
func Welcome(next uint64) []byte { return encode(progress{TypeWelcome, next}) }

// Ack spells an acknowledgement.
func Ack(next uint64) []byte { return encode(progress{TypeAck, next}) }

type progress struct {
	Type string `json:"type"`
	Next uint64 `json:"next"`
}

// Mark spells the question which sample is being taken now, or for a function
// measured from now on.
func Mark(id uint32) []byte {
	return encode(struct {
		Type string `json:"type"`
		ID   uint32 `json:"id"`
	}{TypeMark, id})
}

// Refusal spells why an agent is sent away.
func Refusal(why error) []byte {
	return encode(struct {
		Type    string `json:"type"`
		Message string `json:"message"`
	}{TypeError, why.Error()})
}

// ReadNote reads what a hub says.
func ReadNote(data []byte) (n Note, err error) {
	kind, err := typeOf(data)
	if err != nil {
		return n, err
	}
	field, known := map[string]string{TypeWelcome: "next", TypeAck: "next", TypeMark: "id", TypeError: "message"}[kind]
	if !known {
		return n, fmt.Errorf("message has type %s, which no hub says", short(kind))
	}
	if err := strict(data, &n, "type", field); err != nil {
		return n, fmt.Errorf("%s: %w", kind, err)
	}
	return n, within(kind, n.Next)
}

// within says that an index is beyond all that may be.
func within(kind string, sample uint64) error {
	if sample > MaxIndex {
		return fmt.Errorf("%s: sample %d, want none beyond %d", kind, sample, uint64(MaxIndex))
	}
	return nil
}

// Answer is what an agent says to a mark: the sample that was being taken when
// the mark arrived, or a function measured wholly after it.
type Answer struct {
	ID       uint32 // of the mark
	Sample   uint64
	Function transfer.Function
}

type answerSample struct {
	Type   string `json:"type"`
	ID     uint32 `json:"id"`
	Sample uint64 `json:"sample"`
}

type answerFunction struct {
	Type      string  `json:"type"`
	ID        uint32  `json:"id"`
	FreqHz    numbers `json:"freqHz"`
	LevelDB   numbers `json:"levelDB"`
	PhaseRad  numbers `json:"phaseRad"`
	Coherence numbers `json:"coherence"`
	Averages  float64 `json:"averages"`
}

// EncodeSample spells an answer with a sample.
func EncodeSample(id uint32, sample uint64) []byte {
	return encode(answerSample{Type: TypeMark, ID: id, Sample: sample})
}

// ReadAnswer reads an agent's answer to a mark, which holds a function or a
// sample, as its hello promised.
func ReadAnswer(data []byte, functions bool) (Answer, error) {
	got, err := typeOf(data)
	if err != nil {
		return Answer{}, err
	}
	want := TypeMark
	if functions {
		want = TypeFunction
	}
	if got != want {
		return Answer{}, fmt.Errorf("message has type %s, want %q", short(got), want)
	}
	if functions {
		return readFunction(data)
	}
	var m answerSample
	if err := strict(data, &m, "type", "id", "sample"); err != nil {
		return Answer{}, fmt.Errorf("%s: %w", TypeMark, err)
	}
	return Answer{ID: m.ID, Sample: m.Sample}, within(TypeMark, m.Sample)
}

func readFunction(data []byte) (Answer, error) {
	var f answerFunction
	if err := strict(data, &f, "type", "id", "freqHz", "levelDB", "phaseRad", "coherence", "averages"); err != nil {
		return Answer{}, fmt.Errorf("%s: %w", TypeFunction, err)
	}
	function, err := transfer.FromCoherence(f.FreqHz, f.LevelDB, f.PhaseRad, f.Coherence, f.Averages)
	if err != nil {
		return Answer{}, err
	}
	return Answer{ID: f.ID, Function: function}, nil
}

// numbers are as many as an array has: none is left out as null.
type numbers []float64

// UnmarshalJSON reads an array of numbers.
func (n *numbers) UnmarshalJSON(data []byte) error {
	var each []*float64
	if err := json.Unmarshal(data, &each); err != nil {
		return err
	}
	for i, v := range each {
		if v == nil {
			return fmt.Errorf("element %d is null, want a number", i)
		}
		*n = append(*n, *v)
	}
	return nil
}

// typeOf is the type of a text message.
func typeOf(data []byte) (string, error) {
	var m map[string]json.RawMessage
	if err := json.Unmarshal(data, &m); err != nil {
		return "", fmt.Errorf("not a JSON object: %w", err)
	}
	var kind string
	if err := json.Unmarshal(m["type"], &kind); err != nil {
		return "", errors.New(`no "type"`)
	}
	return kind, nil
}

// strict decodes one JSON object that has exactly the fields named, spelled just
// so, none of them null. The library alone would take others' capitals.
func strict(data []byte, into any, fields ...string) error {
	var found map[string]json.RawMessage
	if err := json.Unmarshal(data, &found); err != nil {
		return err
	}
	var wrong []string
	for _, f := range fields {
		if raw, ok := found[f]; !ok || string(raw) == "null" {
			wrong = append(wrong, fmt.Sprintf("no %q", f))
		}
		delete(found, f)
	}
	for _, f := range slices.Sorted(maps.Keys(found)) {
		wrong = append(wrong, "unknown field "+short(f))
	}
	if wrong != nil {
		return errors.New(strings.Join(wrong[:min(len(wrong), 10)], ", "))
	}
	if err := json.Unmarshal(data, into); err != nil {
		return fmt.Errorf("%.200s", err.Error()) // it may quote a number of any length
	}
	return nil
}

// encode spells one of our own messages. They hold only strings and finite
// numbers, so encoding cannot fail.
func encode(message any) []byte {
	b, _ := json.Marshal(message)
	return b
}
