package osc

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
)

const (
	now    = "2362756e646c6500 0000000000000001" // start of a bundle, to be acted on at once
	future = "2362756e646c6500 ffffffff00000000"
	msgA   = "2f610000 2c690000 00000001" // /a ,i 1
	msgB   = "2f620000 2c690000 00000002" // /b ,i 2
	msgC   = "2f630000 2c690000 00000003" // /c ,i 3
)

// accepted is what Decode must take although the codec alone would lose it,
// mangle it or refuse it. D numbers count the defects of the codec that are
// known; D5 and D18 are about its server and client: see conn_test.go.
var accepted = []struct {
	name, packet string
	want         []string
}{
	{"D4 an address that is a start of another", "2f6f0000 2c000000", []string{"/o ,"}},
	{"D3 a backslash is a character like others", "2f5c0000 2c000000", []string{`/\ ,`}},
	{"D7 any time tag is now", future + "0000000c" + msgA, []string{"/a ,i 1"}},
	{"D7 time tags keep every bit", "2f610000 2c747462 00000000 0000000000000002 fedcba9876543211 00000000",
		[]string{"/a ,ttb 0x0000000000000002 0xfedcba9876543211 0x"}},
	{"D9 bundle inside a bundle, then a message", now + "00000020" + now + "0000000c" + msgA + "0000000c" + msgB,
		[]string{"/a ,i 1", "/b ,i 2"}},
	{"D15 order is kept", now + "0000000c" + msgA + "00000020" + now + "0000000c" + msgB + "0000000c" + msgC,
		[]string{"/a ,i 1", "/b ,i 2", "/c ,i 3"}},
	{"D10 no type tags", "2f610000", []string{"/a ,"}},
	{"D10 no type tags, in a bundle", now + "00000004 2f610000" + "0000000c" + msgB, []string{"/a ,", "/b ,i 2"}},
	{"D10 no arguments", "2f610000 2c000000", []string{"/a ,"}},
	{"D11 every type", "2f610000 2c696673 62686454 464e0000" +
		"ffffffff 3f800000 61626300 00000002 abcd0000 0000000100000000 3ff8000000000000",
		[]string{`/a ,ifsbhdTFN -1 1 "abc" 0xabcd 4294967296 1.5 T F nil`}},
	{"D11 not a number", "2f610000 2c660000 7fc00000", []string{"/a ,f NaN"}},
	{"D12 empty blob", "2f610000 2c620000 00000000", []string{"/a ,b 0x"}},
	{"D12 empty blobs among others", "2f610000 2c626962 62000000 00000000 00000005 00000000 00000001 ff000000",
		[]string{"/a ,bibb 0x 5 0x 0xff"}},
	{"empty bundle", now, nil},
	{"no UTF-8 trouble", "2f610000 2c730000 73c3bc64 00000000", []string{`/a ,s "süd"`}},
}

func TestDecodeAccepts(t *testing.T) {
	for _, c := range accepted {
		t.Run(c.name, func(t *testing.T) {
			messages, err := Decode(raw(t, c.packet))
			if err != nil || !reflect.DeepEqual(lines(messages), c.want) {
				t.Errorf("got %v, %v, want %v", messages, err, c.want)
			}
		})
	}
}

var refused = []struct{ name, packet, want string }{
	{"nothing", "", "osc packet: 0 bytes"},
	{"not a multiple of 4", "2f6100002c0000", "osc packet: 7 bytes"},
	{"D3 /[", "2f5b0000 2c000000", `address holds '[', which OSC keeps for patterns`},
	{"D3 /{a", "2f7b6100 2c000000", "keeps for patterns"},
	{"D3 /a}", "2f617d00 2c000000", "keeps for patterns"},
	{"D3 /[]", "2f5b5d00 2c000000", "keeps for patterns"},
	{"D3 /a[z-a]", "2f615b7a 2d615d00 2c000000", "keeps for patterns"},
	{"D3 /*+", "2f2a2b00 2c000000", "keeps for patterns"},
	{`D3 /\xff`, "2fff0000 2c000000", "only printable ASCII"},
	{"D4 pattern", "2f6f7574 2f2a0000 2c000000", "keeps for patterns"},
	{"D4 empty address", "00000000 2c000000", "does not start with a slash"},
	{"D5 unknown tag", "2f610000 2c780000", `osc message "/a": argument 1: type tag 'x' is not supported`},
	{"D6 neither message nor bundle", "41414141", "string has no end"},
	{"D6 no slash", "41414100", "does not start with a slash"},
	{"D8 time tag cut off", "2f610000 2c740000", `osc message "/a": argument 1: ends too early`},
	{"D8 cut off between others", "2f610000 2c697469 00000000 00000000 00000000 00000001", "argument 3: ends too early"},
	{"D8 in a bundle", now + "00000008 2f610000 2c740000", "argument 1: ends too early"},
	{"int32 cut off", "2f610000 2c690000", `osc message "/a": argument 1: ends too early`},
	{"double cut off", "2f610000 2c640000 00000000", "ends too early"},
	{"D9 element of size 0", now + "00000000" + "0000000c" + msgA, "element 1: 0 bytes"},
	{"D9 element of negative size", now + "fffffff4" + msgA, "element 1: says it has -12 bytes where 12 are left"},
	{"D9 element far too large", now + "7fffffff" + msgA, "says it has 2147483647 bytes where 12"},
	{"D9 element too small", now + "00000008" + msgA, "ends too early"},
	{"D9 element of odd size", now + "0000000b" + msgA, "element 1: 11 bytes, want a multiple of 4"},
	{"D9 bytes after an element's message", now + "00000010" + msgA + "00000000" + "0000000c" + msgB, "4 bytes after the last argument"},
	{"bundle without time tag", "2362756e646c6500 00000000", "time tag: ends too early"},
	{"one bad element spoils the bundle", now + "0000000c" + msgA + "00000008 2f610000 2c780000", "not supported"},
	{"D10 arguments without tags", "2f610000 00000001", "no type tag string"},
	{"empty tag string", "2f610000 00000000", "no type tag string"},
	{"D11 m", "2f610000 2c6d0000 00000000", `"/a": argument 1: type tag 'm' is not supported`},
	{"D11 c", "2f610000 2c630000 00000041", "type tag 'c'"},
	{"D11 r", "2f610000 2c720000 ffffffff", "type tag 'r'"},
	{"D11 I", "2f740000 2c54464e 49000000", `"/t": argument 4: type tag 'I' is not supported`},
	{"D11 S", "2f610000 2c530000 61000000", "type tag 'S'"},
	{"D11 [", "2f610000 2c5b695d 00000000 00000001", "type tag '['"},
	{"D11 ]", "2f610000 2c5d0000", "type tag ']'"},
	{"D12 blob of negative size", "2f610000 2c620000 ffffffff", "says it has -1 bytes"},
	{"D12 blob far too large", "2f610000 2c620000 7fffffff 00000000", "says it has 2147483647 bytes where 4"},
	{"D13 address padding", "2f610001 2c000000", "address: padding is not NUL"},
	{"D13 tag padding", "2f610000 2c000100", "type tags: padding is not NUL"},
	{"D13 string padding", "2f610000 2c730000 61620001 63000001", "argument 1: padding is not NUL"},
	{"D13 blob padding", "2f610000 2c620000 00000001 ff000001", "argument 1: padding is not NUL"},
	{"D13 string without end", "2f610000 2c730000 61626364", "string has no end"},
	{"D13 address without end", "2f616161", "string has no end"},
	{"D13 tags without end", "2f610000 2c545454", "string has no end"},
	{"D13 not UTF-8", "2f610000 2c730000 ff000000", "string is not UTF-8"},
	{"D13 bytes left over", "2f610000 2c690000 00000007 deadbeef deadbeef", "8 bytes after the last argument"},
}

func TestDecodeRefuses(t *testing.T) {
	for _, c := range refused {
		t.Run(c.name, func(t *testing.T) {
			messages, err := Decode(raw(t, c.packet))
			if err == nil || !strings.Contains(err.Error(), c.want) || messages != nil {
				t.Errorf("got %v, %v, want only an error with %q", messages, err, c.want)
			}
		})
	}
}

// bundle puts elements into one bundle.
func bundle(elements ...[]byte) []byte {
	b := []byte("#bundle\x00\x00\x00\x00\x00\x00\x00\x00\x01")
	for _, e := range elements {
		b = binary.BigEndian.AppendUint32(b, uint32(len(e)))
		b = append(b, e...)
	}
	return b
}

// D1: of 256 messages in 4112 bytes the codec alone returns 255, without error.
func TestD1LargeBundlesLoseNothing(t *testing.T) {
	for _, n := range []int{255, 256, 257, 1000, 1024} {
		var elements [][]byte
		for i := range n {
			elements = append(elements, bySpecification(Message{Address: "/x", Args: []any{int32(i)}}))
		}
		messages, err := Decode(bundle(elements...))
		if err != nil || len(messages) != n {
			t.Fatalf("%d of %d messages, %v", len(messages), n, err)
		}
		for i, m := range messages {
			if m.Args[0] != int32(i) {
				t.Fatalf("message %d of %d is %s", i, n, m)
			}
		}
	}
}

// D2: the codec refuses blobs, and only blobs, that reach the end of its buffer.
func TestD2BlobsUpToTheLimit(t *testing.T) {
	for size := 4070; size <= 4084; size++ {
		m := Message{Address: "/a", Args: []any{bytes.Repeat([]byte{1}, size)}}
		if back, err := Decode(bySpecification(m)); err != nil || !same(back[0], m) {
			t.Errorf("blob of %d bytes: %v", size, err)
		}
	}
	afterText := Message{Address: "/a", Args: []any{strings.Repeat("s", 3000), make([]byte, 1000)}}
	if back, err := Decode(bySpecification(afterText)); err != nil || !same(back[0], afterText) {
		t.Errorf("blob after a long string: %v", err)
	}
	for length := 4080; length <= 4083; length++ {
		m := Message{Address: "/a", Args: []any{strings.Repeat("s", length), []byte("four")}}
		_, err := Decode(bySpecification(m))
		if err == nil || !strings.Contains(err.Error(), "4100 bytes, at most 4096") {
			t.Errorf("string of %d and a blob: %v", length, err)
		}
	}
}

func TestDecodeLimits(t *testing.T) {
	nested := bySpecification(Message{Address: "/a"})
	for range 4 {
		nested = bundle(nested)
	}
	if messages, err := Decode(nested); err != nil || len(messages) != 1 {
		t.Errorf("4 bundles inside each other: %v, %v", messages, err)
	}
	if _, err := Decode(bundle(nested)); err == nil || !strings.Contains(err.Error(), "more than 4 inside each other") {
		t.Errorf("5 bundles inside each other: %v", err)
	}
	small := slices.Repeat([][]byte{[]byte("/a\x00\x00")}, 1025)
	if _, err := Decode(bundle(small...)); err == nil || !strings.Contains(err.Error(), "more than 1024 elements") {
		t.Errorf("1025 elements: %v", err)
	}
	half := bundle(small[:512]...)
	if _, err := Decode(bundle(half, half)); err == nil || !strings.Contains(err.Error(), "more than 1024 elements") {
		t.Errorf("1026 elements at two depths: %v", err)
	}
	if _, err := Decode(make([]byte, 65508)); err == nil || !strings.Contains(err.Error(), "65508 bytes") {
		t.Errorf("more than a datagram: %v", err)
	}
	long := "/" + strings.Repeat("a", 4091) // 4096 bytes with its padding, 4100 with tags
	if messages, err := Decode(append([]byte(long), 0, 0, 0, 0)); err != nil || messages[0].Address != long {
		t.Errorf("the longest address without type tags: %v", err)
	}
}

// D16: the codec's dispatcher keeps a goroutine for every bundle of the future.
func TestD16FutureBundlesLeaveNothingBehind(t *testing.T) {
	packet := raw(t, future+"0000000c"+msgA)
	before := runtime.NumGoroutine()
	for range 2000 {
		if messages, err := Decode(packet); err != nil || len(messages) != 1 {
			t.Fatal(messages, err)
		}
	}
	if after := runtime.NumGoroutine(); after > before+5 {
		t.Errorf("%d goroutines, %d before", after, before)
	}
}

// The bound that Decode's comment gives, on the packets that cost most: many
// small messages, and the most arguments.
func TestDecodeMemory(t *testing.T) {
	tags := append([]byte("/a\x00\x00,"), bytes.Repeat([]byte("T"), 4086)...)
	tags = append(tags, 0)
	for name, packet := range map[string][]byte{
		"small messages": bundle(slices.Repeat([][]byte{[]byte("/a\x00\x00")}, 1024)...),
		"many arguments": bundle(slices.Repeat([][]byte{tags}, 15)...),
		"one string":     append(make([]byte, 65503), 0),
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Decode(packet)
		runtime.ReadMemStats(&after)
		used := after.TotalAlloc - before.TotalAlloc
		t.Logf("%s: %d bytes of packet, %d bytes allocated, %v", name, len(packet), used, err)
		if used > 8<<20 {
			t.Errorf("%s: allocated %d bytes", name, used)
		}
	}
}

// FuzzDecode: no bytes panic, and what a lone message says is all that its
// bytes say: it encodes to them again. Two things that Decode lets pass and
// Encode never sends are left out: a missing tag string, floats not finite.
func FuzzDecode(f *testing.F) {
	for _, c := range accepted {
		f.Add(raw(f, c.packet))
	}
	for _, c := range refused {
		f.Add(raw(f, c.packet))
	}
	f.Fuzz(func(t *testing.T, packet []byte) {
		was := bytes.Clone(packet)
		messages, err := Decode(packet)
		if !bytes.Equal(packet, was) {
			t.Fatal("Decode changed the packet")
		}
		if err != nil && messages != nil {
			t.Fatalf("messages beside an error: %v, %v", messages, err)
		}
		for _, m := range messages {
			checkDecoded(t, m)
		}
		if err != nil || packet[0] == '#' {
			return
		}
		m := messages[0]
		if bare := len(m.Address)/4*4 + 4; len(packet) == bare || !finite(m) {
			return
		}
		again, err := Encode(m)
		if err != nil || !bytes.Equal(again, packet) {
			t.Fatalf("%x decodes to %s, which encodes to %x, %v", packet, m, again, err)
		}
	})
}

// checkDecoded holds a decoded message to what Message promises.
func checkDecoded(t *testing.T, m Message) {
	if strings.ContainsAny(m.Address, " #*,?[]{}\x00") || !strings.HasPrefix(m.Address, "/") {
		t.Fatalf("address %q", m.Address)
	}
	if strings.Contains(m.Tags(), "?") {
		t.Fatalf("argument of a type that no Message has: %s", m)
	}
}

func finite(m Message) bool {
	for _, arg := range m.Args {
		v, ok := arg.(float64)
		if x, is32 := arg.(float32); is32 {
			v, ok = float64(x), true
		}
		if ok && (math.IsNaN(v) || math.IsInf(v, 0)) {
			return false
		}
	}
	return true
}

func ExampleDecode() {
	messages, err := Decode([]byte("/out/1/gain\x00,f\x00\x00\xc0\xf9\x99\x9a"))
	fmt.Println(messages[0], err)
	// Output: /out/1/gain ,f -7.8 <nil>
}
