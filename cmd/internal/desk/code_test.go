package desk

import (
	"strings"
	"testing"
)

// No two words can be taken for each other by their first letters, and each byte
// has one.
func TestCodeWords(t *testing.T) {
	all := strings.Fields(codeWords)
	if len(all) != 256 {
		t.Fatalf("%d words, want one for each byte", len(all))
	}
	begins := map[string]string{}
	for _, w := range all {
		if len(w) < 3 || len(w) > 8 || strings.ToLower(w) != w {
			t.Errorf("%q is no short plain word", w)
		}
		if other := begins[w[:3]]; other != "" {
			t.Errorf("%q begins as %q does", w, other)
		}
		begins[w[:3]] = w
	}
	first, last := all[0], all[255]
	for digest, want := range map[string]string{
		"00ff00" + strings.Repeat("a", 58): first + " " + last + " " + first, "FFFFFF": last + " " + last + " " + last, "": "", "00f": "00f", "no digest": "no digest",
	} {
		if got := Words(digest); got != want {
			t.Errorf("%q: got %q, want %q", digest, got, want)
		}
	}
}
