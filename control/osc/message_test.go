package osc

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	codec "github.com/hypebeast/go-osc/osc"
)

func TestString(t *testing.T) {
	for _, c := range []struct {
		m    Message
		want string
	}{
		{Message{Address: "/out/3/delay", Args: []any{float32(5.21)}}, "/out/3/delay ,f 5.21"},
		{Message{Address: "/out/3/delay"}, "/out/3/delay ,"},
		{Message{Address: "/a", Args: []any{int32(-7), int64(1 << 40)}}, "/a ,ih -7 1099511627776"},
		{Message{Address: "/a", Args: []any{0.1, float32(0.1)}}, "/a ,df 0.1 0.1"},
		{Message{Address: "/a", Args: []any{`on "air"`, ""}}, `/a ,ss "on \"air\"" ""`},
		{Message{Address: "/a", Args: []any{true, false, nil}}, "/a ,TFN T F nil"},
		{Message{Address: "/a", Args: []any{[]byte{1, 0xfe}, []byte{}}}, "/a ,bb 0x01fe 0x"},
		// D17: the codec writes nothing at all for these
		{Message{Address: "/a", Args: []any{int(3)}}, "/a ,? 3"},
		{Message{}, " ,"},
	} {
		if got := c.m.String(); got != c.want {
			t.Errorf("got %s, want %s", got, c.want)
		}
	}
}

func TestEncodeRefuses(t *testing.T) {
	timetag := codec.NewTimetag(time.Unix(0, 0))
	for name, c := range map[string]struct {
		m    Message
		want string
	}{
		"D13 no address":       {Message{}, "does not start with a slash"},
		"D13 no slash":         {Message{Address: "out/1"}, `osc message "out/1": address does not start`},
		"D13 space":            {Message{Address: "/out 1"}, "only printable ASCII"},
		"D13 tab":              {Message{Address: "/out\t1"}, "only printable ASCII"},
		"D13 not ASCII":        {Message{Address: "/süd"}, "only printable ASCII"},
		"D13 NUL in address":   {Message{Address: "/out\x001"}, "only printable ASCII"},
		"D4 pattern":           {Message{Address: "/out/*"}, "keeps for patterns"},
		"D13 NUL first":        {Message{Address: "/a", Args: []any{"\x00abc", int32(7)}}, "argument 1: string holds a NUL"},
		"D13 NUL inside":       {Message{Address: "/a", Args: []any{int32(7), "ab\x00c"}}, "argument 2: string holds a NUL"},
		"D13 not UTF-8":        {Message{Address: "/a", Args: []any{"\xff"}}, "not UTF-8"},
		"D14 int":              {Message{Address: "/a", Args: []any{3}}, "argument 1: type int has no OSC type"},
		"D14 uint8":            {Message{Address: "/a", Args: []any{uint8(3)}}, "type uint8"},
		"D14 duration":         {Message{Address: "/a", Args: []any{time.Second}}, "type time.Duration"},
		"D7 time tag":          {Message{Address: "/a", Args: []any{*timetag}}, "osc.Timetag has no OSC type"},
		"D14 time tag pointer": {Message{Address: "/a", Args: []any{timetag}}, "*osc.Timetag has no OSC type"},
		"D11 NaN":              {Message{Address: "/a", Args: []any{float32(math.NaN())}}, "NaN is not a finite number"},
		"D11 infinite":         {Message{Address: "/a", Args: []any{math.Inf(-1)}}, "-Inf is not a finite number"},
		"D14 70 kB blob":       {Message{Address: "/a", Args: []any{make([]byte, 70000)}}, "70012 bytes, at most 4096"},
		"D2 one over":          {Message{Address: "/a", Args: []any{make([]byte, 4085)}}, "4100 bytes, at most 4096"},
	} {
		t.Run(name, func(t *testing.T) {
			packet, err := Encode(c.m)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %x, %v, want an error with %q", packet, err, c.want)
			}
		})
	}
}

func TestEncodeTakesTheLargest(t *testing.T) {
	m := Message{Address: "/a", Args: []any{strings.Repeat("s", 4087)}}
	packet, err := Encode(m)
	if err != nil || len(packet) != MaxMessage {
		t.Fatalf("%d bytes, %v, want %d", len(packet), err, MaxMessage)
	}
	back, err := Decode(packet)
	if err != nil || !same(back[0], m) {
		t.Errorf("it did not come back: %v", err)
	}
}

// bySpecification encodes by the words of OSC 1.0, without the codec.
func bySpecification(m Message) []byte {
	text := func(s string) []byte {
		b := append([]byte(s), 0)
		for len(b)%4 != 0 {
			b = append(b, 0)
		}
		return b
	}
	tags, data := ",", []byte{}
	for _, arg := range m.Args {
		switch v := arg.(type) {
		case int32:
			tags, data = tags+"i", binary.BigEndian.AppendUint32(data, uint32(v))
		case float32:
			tags, data = tags+"f", binary.BigEndian.AppendUint32(data, math.Float32bits(v))
		case int64:
			tags, data = tags+"h", binary.BigEndian.AppendUint64(data, uint64(v))
		case float64:
			tags, data = tags+"d", binary.BigEndian.AppendUint64(data, math.Float64bits(v))
		case string:
			tags, data = tags+"s", append(data, text(v)...)
		case []byte:
			tags, data = tags+"b", binary.BigEndian.AppendUint32(data, uint32(len(v)))
			data = append(data, v...)
			for len(data)%4 != 0 {
				data = append(data, 0)
			}
		case TimeTag:
			tags, data = tags+"t", binary.BigEndian.AppendUint64(data, uint64(v))
		case nil:
			tags += "N"
		case bool:
			tags += map[bool]string{true: "T", false: "F"}[v]
		}
	}
	return append(append(text(m.Address), text(tags)...), data...)
}

// allowed says by other means than Encode whether a message may be sent.
func allowed(m Message) bool {
	if !regexp.MustCompile(`^/[!-~]*$`).MatchString(m.Address) ||
		strings.ContainsAny(m.Address, "#*,?[]{}") {
		return false
	}
	for _, arg := range m.Args {
		switch v := arg.(type) {
		case float32:
			if v-v != 0 {
				return false
			}
		case float64:
			if v-v != 0 {
				return false
			}
		case string:
			if strings.ContainsRune(v, 0) || !utf8.ValidString(v) {
				return false
			}
		}
	}
	return len(bySpecification(m)) <= 4096
}

// checkRoundTrip holds Encode against the second implementation and Decode
// against Encode.
func checkRoundTrip(t *testing.T, m Message) {
	t.Helper()
	packet, err := Encode(m)
	if (err == nil) != allowed(m) {
		t.Fatalf("Encode(%.200s): %v, but the rules say allowed = %v", m, err, allowed(m))
	}
	if err != nil {
		return
	}
	if want := bySpecification(m); string(packet) != string(want) {
		t.Fatalf("Encode(%.200s) = %x, want %x", m, packet, want)
	}
	back, err := Decode(packet)
	if err != nil || len(back) != 1 || !same(back[0], m) {
		t.Fatalf("Decode(Encode(%.200s)) = %v, %v", m, back, err)
	}
}

func TestRoundTripOfRandomMessages(t *testing.T) {
	const seed = 20260301
	r := rand.New(rand.NewPCG(seed, 0))
	for i := range 5000 {
		m := Message{Address: fmt.Sprintf("/out/%d/p%d", r.IntN(64), r.IntN(1000))}
		for range r.IntN(9) {
			m.Args = append(m.Args, randomArg(r))
		}
		checkRoundTrip(t, m)
		if t.Failed() {
			t.Fatalf("seed %d, message %d", seed, i)
		}
	}
}

func randomArg(r *rand.Rand) any {
	blob := make([]byte, r.IntN(40))
	for i := range blob {
		blob[i] = byte(r.Uint32())
	}
	return []any{
		int32(r.Uint32()), int64(r.Uint64()),
		float32(r.NormFloat64() * 1000), r.NormFloat64(),
		strings.Repeat("é-a"[:1+r.IntN(4)], r.IntN(20)), blob,
		true, false, nil, TimeTag(r.Uint64()),
	}[r.IntN(10)]
}

// FuzzRoundTrip builds a message of the arguments that shape names, one digit
// each, from the values given.
func FuzzRoundTrip(f *testing.F) {
	f.Add("/out/3/delay", "0", int32(0), int64(0), float32(5.21), 0.0, "", []byte(nil))
	f.Add("/out/3/name", "34", int32(-1), int64(1), float32(0), 1e300, "sub left", []byte("abcde"))
	f.Add("/", "0123456789", int32(math.MinInt32), int64(math.MaxInt64), float32(math.Copysign(0, -1)), -1.5, "\x00", []byte{})
	f.Add("/a[1]", "44444", int32(7), int64(7), float32(math.Inf(1)), math.NaN(), "four", []byte{0})
	f.Add(`/\`, "777788882", int32(0), int64(0), float32(math.SmallestNonzeroFloat32), 0.0, "\xff", []byte{1, 2, 3, 4})
	f.Fuzz(func(t *testing.T, address, shape string, i int32, h int64, x float32, d float64, s string, b []byte) {
		values := []any{x, i, h, d, s, b, true, false, nil, TimeTag(h)}
		m := Message{Address: address}
		for _, c := range []byte(shape) {
			m.Args = append(m.Args, values[int(c)%len(values)])
		}
		checkRoundTrip(t, m)
	})
}
