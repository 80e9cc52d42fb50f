package figures

import (
	"encoding/hex"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Sentence makes a sentence for the page of words meant for a log: a capital
// in front, a full stop behind, real minus signs.
func Sentence(words string) string {
	if words == "" {
		return ""
	}
	words = Capital(words)
	if !strings.ContainsAny(words[len(words)-1:], ".!?") {
		words += "."
	}
	return Minus(words)
}

// Capital is words with a capital in front.
func Capital(words string) string {
	first, size := utf8.DecodeRuneInString(words)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + words[size:]
}

// Beginning is the start of long words, whole words only; all of short ones.
func Beginning(words string, runes int) string {
	all := []rune(words)
	if len(all) <= runes {
		return words
	}
	cut := string(all[:runes])
	if space := strings.LastIndexByte(cut, ' '); space > 0 {
		cut = cut[:space]
	}
	return cut + "…"
}

// List joins names as one says them: "a, b and c".
func List(names []string) string {
	if last := len(names) - 1; last > 0 {
		return strings.Join(names[:last], ", ") + " and " + names[last]
	}
	return strings.Join(names, "")
}

// Outputs names outputs: "output 3", "outputs 1 and 3".
func Outputs(numbers []int) string {
	said := make([]string, len(numbers))
	for i, o := range numbers {
		said[i] = strconv.Itoa(o)
	}
	switch len(said) {
	case 0:
		return "the outputs"
	case 1:
		return "output " + said[0]
	default:
		return "outputs " + List(said)
	}
}

// HexBytes is a datagram in hex, in groups of four bytes as OSC aligns them.
func HexBytes(b []byte) string {
	var s strings.Builder
	for i := 0; i < len(b); i += 4 {
		if i > 0 {
			s.WriteByte(' ')
		}
		s.WriteString(hex.EncodeToString(b[i:min(i+4, len(b))]))
	}
	return s.String()
}

// Times counts: "once", "twice", "3 times".
func Times(n int) string {
	switch n {
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return strconv.Itoa(n) + " times"
}
