package figures

import "testing"

func TestSentences(t *testing.T) {
	for words, want := range map[string]string{
		"": "", "the rear stands at -41.5 dB": "The rear stands at −41.5 dB.", "Done.": "Done.", "über alles!": "Über alles!", "why?": "Why?",
	} {
		if got := Sentence(words); got != want {
			t.Errorf("%q: got %q, want %q", words, got, want)
		}
	}
	for words, want := range map[string]string{"": "", "one two": "one two", "one two three": "one two…", "onetwothreefour": "onetwothre…", "öne twö x": "öne twö x", "öne twö xyz": "öne twö…"} {
		if got := Beginning(words, 10); got != want {
			t.Errorf("%q: begins %q, want %q", words, got, want)
		}
	}
}

// The bytes of the OSC 1.0 specification's example /oscillator/4/frequency
// 440.0 (opensoundcontrol.org, "OSC 1.0 spec examples").
func TestDatagramsInHex(t *testing.T) {
	b := append([]byte("/oscillator/4/frequency\x00,f\x00\x00"), 0x43, 0xdc, 0, 0)
	if got, want := HexBytes(b), "2f6f7363 696c6c61 746f722f 342f6672 65717565 6e637900 2c660000 43dc0000"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	for n, want := range map[int]string{0: "", 1: "2f", 5: "2f6f7363 69"} {
		if got := HexBytes(b[:n]); got != want {
			t.Errorf("%d bytes: got %q, want %q", n, got, want)
		}
	}
}

func TestListsInWords(t *testing.T) {
	for _, c := range []struct {
		numbers []int
		want    string
	}{
		{nil, "the outputs"}, {[]int{3}, "output 3"}, {[]int{1, 3}, "outputs 1 and 3"}, {[]int{1, 2, 4}, "outputs 1, 2 and 4"},
	} {
		if got := Outputs(c.numbers); got != c.want {
			t.Errorf("%v: %q, want %q", c.numbers, got, c.want)
		}
	}
	for want, names := range map[string][]string{"": nil, "a": {"a"}, "a and b": {"a", "b"}, "a, b and c": {"a", "b", "c"}} {
		if got := List(names); got != want {
			t.Errorf("%q: %q, want %q", names, got, want)
		}
	}
}

func TestCapital(t *testing.T) {
	for words, want := range map[string]string{"": "", "rolled back": "Rolled back", "über": "Über", "7 dB": "7 dB", "Held": "Held"} {
		if got := Capital(words); got != want {
			t.Errorf("%q: %q, want %q", words, got, want)
		}
	}
}

func TestTimes(t *testing.T) {
	for n, want := range map[int]string{1: "once", 2: "twice", 3: "3 times"} {
		if got := Times(n); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
}
