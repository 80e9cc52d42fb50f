package document

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"hushback/configs/quantity"
	"hushback/engine"
)

// TestLeaves reads one small value at a time: what it becomes, or what is said
// about it.
func TestLeaves(t *testing.T) {
	text := func(v Value) any { return v.Text() }
	count := func(v Value) any { return v.Count() }
	row := func(v Value) any { return Choice(v, engine.RowFront, engine.RowRear) }
	metres := func(v Value) any { return v.Number(quantity.Length()) }
	pair := func(v Value) any { return len(v.List(2, "a pair")) }
	counts := func(v Value) any { return Each(v, "counts", Value.Count) }
	const (
		wantText  = `a line of text (in "quotes" if it looks like a number)`
		wantCount = "a whole number such as 8"
		wantRow   = "front or rear"
		wantM     = "a length such as 1.9 m or 6 ft 3 in"
	)
	tests := []struct {
		yaml      string
		read      func(Value) any
		want      any
		got, says string // of the problem; says is "" when there is none
	}{
		{"  a b  ", text, "a b", "", ""},
		{`"8"`, text, "8", "", ""},
		{"on", text, "on", "", ""},
		{"Größe ½", text, "Größe ½", "", ""},
		{">-\n  folded\n  words", text, "folded words", "", ""},
		{"|\n  two\n  lines", text, "", `"two\nlines"`, wantText},
		{"8", text, "", "8", wantText},
		{"true", text, "", "true", wantText},
		{"2001-02-03", text, "", "2001-02-03", wantText},
		{"~", text, "", "nothing", wantText},
		{"{}", text, "", "a section of keys", wantText},
		{"[]", text, "", "a list of 0", wantText},
		{"8", count, 8, "", ""},
		{"-8", count, -8, "", ""},
		{"+8", count, 0, "+8", wantCount},
		{"-0", count, 0, "-0", wantCount},
		{"0x8", count, 0, "0x8", wantCount},
		{"0o10", count, 0, "0o10", wantCount},
		{"1_000", count, 0, "1_000", wantCount},
		{"8e0", count, 0, "8e0", wantCount},
		{"99999999999999999999", count, 0, "99999999999999999999", wantCount},
		{"8 m", count, 0, `"8 m"`, wantCount},
		{"front", row, engine.RowFront, "", ""},
		{"'rear'", row, engine.RowRear, "", ""},
		{"Front", row, engine.Row(""), `"Front"`, wantRow},
		{"frontt", row, engine.Row(""), `"frontt"`, wantRow},
		{"1", row, engine.Row(""), "1", wantRow},
		{"75 in", metres, 1.905, "", ""},
		{"'75 in'", metres, 1.905, "", ""},
		{"75", metres, 0., "75", wantM},
		{"[75 in]", metres, 0., "a list of 1", wantM},
		{"[a, b]", pair, 2, "", ""},
		{"[a]", pair, 2, "a list of 1", "a pair"},
		{"[a, b, c]", pair, 2, "a list of 3", "a pair"},
		{"{a: b}", pair, 2, "a section of keys", "a pair"},
		{"[3, 2, 1]", counts, []int{3, 2, 1}, "", ""},
		{"- 3\n- x", counts, []int{3, 0}, `"x"`, wantCount},
	}
	for _, test := range tests {
		var root yaml.Node
		if err := yaml.Unmarshal([]byte(test.yaml), &root); err != nil {
			t.Fatalf("%q: %v", test.yaml, err)
		}
		r := &reader{file: "f", places: map[string]*yaml.Node{}}
		if got := test.read(r.visit(root.Content[0], "x")); !reflect.DeepEqual(got, test.want) {
			t.Errorf("%q: got %#v, want %#v", test.yaml, got, test.want)
		}
		if test.says == "" {
			if len(r.problems) > 0 {
				t.Errorf("%q: %v", test.yaml, r.problems)
			}
		} else if p := only(t, r.problems); p.Got != test.got || p.Want != test.says {
			t.Errorf("%q: got %s\nwant got %s, want %s", test.yaml, p, test.got, test.says)
		}
	}
}

// TestShort holds what a problem quotes to one short line of Printable text.
func TestShort(t *testing.T) {
	const sixty = "123456789012345678901234567890123456789012345678901234567890"
	for text, want := range map[string]string{
		"":              "",
		`say "x"`:       `say "x"`,
		"a\tb\n":        `a\tb\n`,
		"\x1b[31m":      `\x1b[31m`,
		"\u202eevil":    `\u202eevil`,
		"18 °C":         "18 °C",
		sixty:           sixty,
		sixty + "1":     sixty + "…",
		"½" + sixty[1:]: "½" + sixty[1:],
	} {
		if got := short(text); got != want {
			t.Errorf("%q: got %q, want %q", text, got, want)
		}
	}
}

// TestNearestName: slips are recognised, other words are not taken for slips.
func TestNearestName(t *testing.T) {
	known := []string{"name", "row", "at", "level", "output", "null_depth"}
	for key, want := range map[string]string{
		"nmae": "name", "names": "name", "NAME": "name", "rwo": "row", "t": "at", "att": "at", "levle": "level",
		"lebel": "level", "ouput": "output", "outputs": "output", "nulldepth": "null_depth", "null-depth": "null_depth",
		"colour": "", "x": "", "position": "", "": "", "gain": "", "in": "", "depth": "", "ñame": "name",
	} {
		if got := nearestName(key, known); got != want {
			t.Errorf("%q: got %q, want %q", key, got, want)
		}
	}
}

// TestSlips holds the table of distances to its recursive definition.
func TestSlips(t *testing.T) {
	var define func(a, b string) int
	define = func(a, b string) int {
		if a == "" || b == "" {
			return len(a) + len(b)
		}
		m, n := len(a)-1, len(b)-1
		change := 1
		if a[m] == b[n] {
			change = 0
		}
		d := min(define(a[:m], b)+1, define(a, b[:n])+1, define(a[:m], b[:n])+change)
		if m > 0 && n > 0 && a[m] == b[n-1] && a[m-1] == b[n] {
			d = min(d, define(a[:m-1], b[:n-1])+1)
		}
		return d
	}
	const seed = 3
	random := rand.New(rand.NewPCG(seed, seed))
	word := func() string {
		w := make([]byte, random.IntN(6))
		for i := range w {
			w[i] = "abc"[random.IntN(3)]
		}
		return string(w)
	}
	for range 300 {
		a, b := word(), word()
		if got, want := slips(a, b), define(a, b); got != want || slips(b, a) != want {
			t.Fatalf("seed %d: %q and %q: got %d and %d, want %d", seed, a, b, got, slips(b, a), want)
		}
	}
}

// only is the one problem of a file; anything else fails the test.
func only(t *testing.T, problems Problems) Problem {
	t.Helper()
	if len(problems) != 1 {
		t.Fatalf("got %v, want exactly one problem", problems)
	}
	return problems[0]
}

// TestErrorShowsTwenty: the twenty-first problem is counted, not shown.
func TestErrorShowsTwenty(t *testing.T) {
	for _, test := range []struct{ problems, lines int }{{1, 1}, {20, 20}, {21, 21}, {500, 21}} {
		problems := make(Problems, test.problems)
		for i := range problems {
			problems[i] = Problem{"f.yaml", i + 1, 2, engine.Problem{Path: "a", Got: "b", Want: "c"}}
		}
		lines := strings.Split(problems.Error(), "\n")
		if len(lines) != test.lines || lines[0] != "f.yaml:1:2: a: got b, want c" {
			t.Errorf("%d problems make %d lines, the first %q", test.problems, len(lines), lines[0])
		}
		if test.problems > 20 && lines[20] != fmt.Sprintf("and %d more", test.problems-20) {
			t.Errorf("%d problems end with %q", test.problems, lines[20])
		}
	}
}
