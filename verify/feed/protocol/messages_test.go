package protocol

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

const (
	goodAudio     = `{"type":"hello","microphone":"rear","session":"session-of-the-test","sends":"audio","rate":48000,"channels":["reference","microphone"],"format":"s24le"}`
	goodFunctions = `{"type":"hello","microphone":"rear","session":"session-of-the-test","sends":"functions"}`
	goodSample    = `{"type":"mark","id":4294967295,"sample":9007199254740991}`
	goodFunction  = `{"type":"function","id":7,"freqHz":[40,50.5],"levelDB":[-6,0.5],"phaseRad":[0,-3.5],"coherence":[0.25,1],"averages":8}`
	goodWelcome   = `{"type":"welcome","next":0}`
	goodMark      = `{"type":"mark","id":0}`
	goodError     = `{"type":"error","message":"hello: rate 8000"}`
)

// The schema is checked by somebody else's validator of JSON Schema 2020-12.
func validator(t testing.TB) func(message []byte) error {
	t.Helper()
	text, err := os.ReadFile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("schema.json", document); err != nil {
		t.Fatal(err)
	}
	compiled, err := c.Compile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return func(message []byte) error {
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(message))
		if err != nil {
			return err
		}
		return compiled.Validate(value)
	}
}

func microphones() []string { return []string{"front", "rear"} }

// Everything that we ever send is what the schema describes.
func TestWhatWeSendIsInTheSchema(t *testing.T) {
	valid := validator(t)
	check := func(message []byte) {
		t.Helper()
		if err := valid(message); err != nil {
			t.Errorf("%s: %v", message, err)
		}
	}
	for _, next := range []uint64{0, 1, MaxIndex} {
		check(Welcome(next))
		check(Ack(next))
		check(EncodeSample(math.MaxUint32, next))
	}
	check(Mark(0))
	check(Mark(math.MaxUint32))
	check(Refusal(errors.New("why \" \x00 \xff é")))
	for _, l := range append(layouts(), Layout{}) {
		for _, rate := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
			hello := Hello{Microphone: "rear", Session: "abcdefgh", Rate: rate, Layout: l}
			text, err := hello.Encode()
			if err != nil {
				t.Fatal(err)
			}
			check(text)
			back, err := ReadHello(text, microphones())
			if hello.Layout.Format == "" {
				hello.Layout.Format = F32
			}
			if err != nil || back != hello {
				t.Errorf("%s: read as %+v, %v", text, back, err)
			}
		}
	}
	text, err := Hello{Microphone: "rear", Session: "abcdefgh", Functions: true, Rate: 5}.Encode()
	if check(text); err != nil || strings.Contains(string(text), "rate") {
		t.Errorf("%s, %v", text, err)
	}
}

func TestHello(t *testing.T) {
	h, err := ReadHello([]byte(goodAudio), microphones())
	if want := (Hello{Microphone: "rear", Session: "session-of-the-test", Rate: 48000, Layout: Layout{Format: S24}}); err != nil || h != want {
		t.Errorf("%+v, %v", h, err)
	}
	h, err = ReadHello([]byte(strings.Replace(goodAudio, `"reference","microphone"]`, `"microphone","reference"]`, 1)), microphones())
	if err != nil || !h.Layout.MicrophoneFirst {
		t.Errorf("microphone first: %+v, %v", h, err)
	}
	if h, err = ReadHello([]byte(goodFunctions), microphones()); err != nil || h != (Hello{Microphone: "rear", Session: "session-of-the-test", Functions: true}) {
		t.Errorf("functions: %+v, %v", h, err)
	}
}

// Each defect has its own error, and the schema finds it too.
func TestHelloDefects(t *testing.T) {
	valid := validator(t)
	swap := func(old, new string) string { return strings.Replace(goodAudio, old, new, 1) }
	for _, c := range []struct{ name, hello, want string }{
		{"not JSON", "hello", "not a JSON object: invalid character"},
		{"empty", "", "not a JSON object: unexpected end"},
		{"a list", "[]", "not a JSON object"},
		{"null", "null", `no "type"`},
		{"unknown field", swap(`"type"`, `"volume":11,"type"`), `hello: unknown field "volume"`},
		{"in capitals", swap(`"rate"`, `"RATE"`), `hello: no "rate", unknown field "RATE"`},
		{"trailing", goodAudio + "{}", "after top-level value"},
		{"type", swap(`"hello"`, `"hallo"`), `the first message has type "hallo", want "hello"`},
		{"no type", swap(`"type":"hello",`, ``), `no "type"`},
		{"microphone empty", swap(`"rear"`, `""`), `microphone "" is not in the site, want one of "front", "rear"`},
		{"microphone null", swap(`"rear"`, `null`), `no "microphone"`},
		{"rate too low", swap("48000", "44099"), "rate 44099 samples per second, want 44100 to 192000"},
		{"rate too high", swap("48000", "192001"), "rate 192001 samples per second, want"},
		{"rate without end", swap("48000", strings.Repeat("1", 5000)), "cannot unmarshal number 1111"},
		{"rate spelled out", swap("48000", `"fast"`), "cannot unmarshal string"},
		{"no rate", swap(`"rate":48000,`, ``), `no "rate"`},
		{"twice the reference", swap(`"reference","microphone"]`, `"reference","reference"]`), `channels "reference, reference", want "reference" and "microphone", once each`},
		{"one channel", swap(`"reference",`, ``), `channels "microphone", want`},
		{"three channels", swap(`"reference",`, `"reference","reference",`), `channels "reference, reference, microphone", want`},
		{"format", swap("s24le", "u8"), `format "u8", want one of "s16le", "s24le", "s32le", "f32le"`},
		{"format empty", swap("s24le", ""), `format "", want`},
		{"no format", swap(`,"format":"s24le"`, ``), `no "format"`},
		{"session too short", swap(`session-of-the-test`, `session`), `session "session", want 8 to 64`},
		{"session with a space", swap(`session-of-the-test`, `session of the test`), `session "session of the test", want 8 to 64`},
		{"session too long", swap(`session-of-the-test`, strings.Repeat("x", 65)), `session "` + strings.Repeat("x", 60) + `", want`},
		{"sends neither", swap(`"audio"`, `"video"`), `sends "video", want "audio" or "functions"`},
		{"functions at a rate", swap(`"audio"`, `"functions"`), `unknown field "channels", unknown field "format", unknown field "rate"`},
	} {
		_, err := ReadHello([]byte(c.hello), microphones())
		if err == nil || !strings.HasPrefix(err.Error(), "hello: ") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want an error with %s", c.name, err, c.want)
		} else if len(err.Error()) > 300 {
			t.Errorf("%s: an error of %d bytes", c.name, len(err.Error()))
		}
		if valid([]byte(c.hello)) == nil {
			t.Errorf("%s: the schema takes it", c.name)
		}
	}
	several := strings.NewReplacer("48000", "8000", "s24le", "mp3", "session-of-the-test", "?").Replace(goodAudio)
	h, err := ReadHello([]byte(several), microphones())
	if want := `hello: session "?", want 8 to 64 letters, digits, - and _, drawn by chance when the agent begins to count samples; rate 8000 samples per second, want 44100 to 192000; format "mp3", want one of "s16le", "s24le", "s32le", "f32le"`; err == nil || err.Error() != want || h.Microphone != "rear" {
		t.Errorf("several defects of %q:\n%v, want\n%s", h.Microphone, err, want)
	}
	// What only the site knows, no schema can tell.
	roof := swap(`"rear"`, `"roof"`)
	if h, err := ReadHello([]byte(roof), microphones()); err == nil || h.Microphone != "" || valid([]byte(roof)) != nil {
		t.Errorf("another microphone: %+v, %v", h, err)
	}
	if _, err := (Hello{}).Encode(); err == nil || !strings.Contains(err.Error(), "microphone is empty") {
		t.Errorf("an empty hello of our own: %v", err)
	}
}

func TestNotes(t *testing.T) {
	for text, want := range map[string]Note{
		goodWelcome:                              {Type: TypeWelcome},
		`{"next":9007199254740991,"type":"ack"}`: {Type: TypeAck, Next: MaxIndex},
		`{"type":"mark","id":4294967295}`:        {Type: TypeMark, ID: math.MaxUint32},
		goodError:                                {Type: TypeError, Message: "hello: rate 8000"},
	} {
		if got, err := ReadNote([]byte(text)); err != nil || got != want {
			t.Errorf("%s: %+v, %v", text, got, err)
		}
	}
	for text, want := range map[string]string{
		`{"type":"bye"}`:                         `type "bye"`,
		`{"type":"ack"}`:                         `ack: no "next"`,
		`{"type":"ack","next":9007199254740992}`: "ack: sample 9007199254740992, want none beyond 9007199254740991",
		`{"type":"ack","next":-1}`:               "cannot unmarshal",
		`{"type":"mark","id":4294967296}`:        "cannot unmarshal",
		`{"type":"mark","next":1}`:               `no "id", unknown field "next"`,
	} {
		if _, err := ReadNote([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want an error with %s", text, err, want)
		}
	}
}

func TestAnswers(t *testing.T) {
	a, err := ReadAnswer([]byte(goodSample), false)
	if err != nil || a.ID != math.MaxUint32 || a.Sample != MaxIndex {
		t.Errorf("%+v, %v", a, err)
	}
	a, err = ReadAnswer([]byte(goodFunction), true)
	if err != nil || a.ID != 7 || a.Function.Averages != 8 || a.Function.FreqHz[1] != 50.5 ||
		cmplx.Abs(a.Function.H[0]-complex(math.Pow(10, -0.3), 0)) > 1e-12 || a.Function.Coherence[0] != 0.25 {
		t.Errorf("%+v, %v", a, err)
	}
	valid := validator(t)
	swap := func(old, new string) string { return strings.Replace(goodFunction, old, new, 1) }
	for _, c := range []struct {
		text      string
		functions bool
		schema    bool // takes it: it cannot tell
		want      string
	}{
		{`ok`, false, false, "not a JSON object"},
		{`{"type":"mark","id":1}`, false, true, `mark: no "sample"`}, // it is the hub's
		{`{"type":"mark","id":1,"sample":null}`, false, false, `no "sample"`},
		{`{"type":"mark","id":1,"sample":-5}`, false, false, "cannot unmarshal"},
		{`{"type":"mark","id":1,"sample":1.5}`, false, false, "cannot unmarshal"},
		{`{"type":"mark","id":1,"sample":9007199254740992}`, false, false, "want none beyond"},
		{goodFunction, false, true, `type "function", want "mark"`},
		{goodSample, true, true, `type "mark", want "function"`},
		{swap(`[40,50.5]`, `[40]`), true, true, "1 frequencies, 2 levels"},
		{swap(`[40,50.5]`, `[50.5,40]`), true, true, "ascending"},
		{swap(`[40,50.5]`, `[0,40]`), true, false, "0 Hz, want a number above 0"},
		{swap(`[40,50.5]`, `40`), true, false, "cannot unmarshal number"},
		{swap(`[-6,0.5]`, `[-6,1e9]`), true, false, "level 1e+09 dB"},
		{swap(`[-6,0.5]`, `[-6,1e999]`), true, false, "cannot unmarshal"},
		{swap(`[0.25,1]`, `[null,1]`), true, false, "element 0 is null, want a number"},
		{swap(`[0.25,1]`, `[0.25,1.01]`), true, false, "coherence 1.01 at 50.5 Hz"},
		{swap(`"averages":8`, `"averages":1`), true, false, "1 averages, want at least 2"},
		{swap(`"averages":8`, `"averages":null`), true, false, `no "averages"`},
		{swap(`"id":7`, `"id":7,"x":1`), true, false, `unknown field "x"`},
	} {
		if _, err := ReadAnswer([]byte(c.text), c.functions); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want an error with %s", c.text, err, c.want)
		}
		if got := valid([]byte(c.text)) == nil; got != c.schema && !strings.Contains(c.text, "1e999") { // which is a number to it
			t.Errorf("%s: the schema takes it: %t", c.text, got)
		}
	}
}

// Nothing panics; what is read is in the schema, and what is refused is told in
// a few words however long it was.
func FuzzText(f *testing.F) {
	for _, text := range []string{
		goodAudio, goodFunctions, goodSample, goodFunction, goodWelcome, goodMark, goodError, `{"TYPE":"hello"}`, `{"type":"mark","id":1e3,"sample":0}`, "[[[[",
	} {
		f.Add([]byte(text))
	}
	valid := validator(f)
	f.Fuzz(func(t *testing.T, text []byte) {
		_, hello := ReadHello(text, microphones())
		_, note := ReadNote(text)
		_, sample := ReadAnswer(text, false)
		_, function := ReadAnswer(text, true)
		for what, err := range map[string]error{"hello": hello, "note": note, "sample": sample, "function": function} {
			if err == nil {
				if invalid := valid(text); invalid != nil {
					t.Errorf("%q is taken as a %s, but the schema says: %v", text, what, invalid)
				}
			} else if len(fmt.Sprint(err)) > 2000 {
				t.Errorf("an error of %d bytes", len(fmt.Sprint(err)))
			}
		}
	})
}
