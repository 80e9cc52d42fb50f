package configs

import (
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"go.yaml.in/yaml/v3"

	"hushback/configs/document"
	"hushback/engine"
)

// TestPlaces maps paths of a check, which knows no file, to lines and columns.
func TestPlaces(t *testing.T) {
	data, err := shipped.ReadFile("sites/ottersedge.yaml")
	if err != nil {
		t.Fatal(err)
	}
	// Each wanted place is found by its text, not by the loader: the column of
	// the mark, in the line of the text.
	place := func(text, mark string) string {
		before, _, ok := strings.Cut(string(data), text)
		line := strings.Count(before, "\n")
		column := strings.Index(strings.Split(string(data), "\n")[line], mark)
		if !ok || column < 0 {
			t.Fatalf("%q with %q is not in the file", text, mark)
		}
		return fmt.Sprintf("s.yaml:%d:%d: ", line+1, column+1)
	}
	const source = "{name: centre front sub, row"
	tests := []struct{ path, want string }{
		{"sources[2].at", place(source, "[2.05 m")},
		{"sources[2].at[1]", place(source, "0 m,  ")},
		{"sources[2].level", place(source, "{")},              // not written: its source
		{"sources[9].at", place("- {name: rear sub,", "- {")}, // no such source: the list
		{"target.null", place("null: 48 Hz", "48 Hz")},
		{"target.depth.of[3].dreams", place("null: 48 Hz", "null")},
		{"zones[1].corners[0]", place("[[-45 m", "[-45 m")},
		{"wiring.address", place("job: Otters", "job")},
		{"", place("job: Otters", "job")},
	}
	for _, test := range tests {
		check := func(engine.Site) []engine.Problem {
			return []engine.Problem{{Path: test.path, Got: "this", Want: "that"}}
		}
		_, err := loadSites("s.yaml", data, check)
		if err == nil || !strings.HasPrefix(err.Error(), test.want) || !strings.HasSuffix(err.Error(), ": got this, want that") {
			t.Errorf("%s: got %v, want %s...", test.path, err, test.want)
		}
	}
}

// spot is a key in a YAML tree: where it stands and how it is called.
type spot struct {
	section *yaml.Node
	key     int // index of the key in section.Content
	path    string
}

// spots lists every key below a node.
func spots(n *yaml.Node, path string) []spot {
	var all []spot
	switch n.Kind {
	case yaml.DocumentNode:
		return spots(n.Content[0], path)
	case yaml.SequenceNode:
		for i, item := range n.Content {
			all = append(all, spots(item, fmt.Sprintf("%s[%d]", path, i))...)
		}
	case yaml.MappingNode:
		for i := 0; i < len(n.Content); i += 2 {
			child := strings.TrimPrefix(path+"."+n.Content[i].Value, ".")
			all = append(append(all, spot{n, i, child}), spots(n.Content[i+1], child)...)
		}
	}
	return all
}

// everyKey calls test with every key of the shipped files, and with what loads
// the file after the test has damaged it there; then the damage is put right.
// A key that stands in every item of a list is tried in the first.
func everyKey(t *testing.T, test func(t *testing.T, s spot, read func() error)) {
	t.Helper()
	site := func(data []byte) error { _, err := Site("x.yaml", data); return err }
	profile := func(data []byte) error { _, err := Profile("x.yaml", data); return err }
	mapping := func(data []byte) error { _, err := Mapping("x.yaml", data); return err }
	files, err := fs.Glob(shipped, "*/*.yaml") // what is shipped; configs/package holds no input of ours
	if err != nil || len(files) < 6 {
		t.Fatalf("%d files, error %v", len(files), err)
	}
	item := regexp.MustCompile(`\[\d+\]`)
	tried := map[string]bool{}
	for _, file := range files {
		read := map[string]func([]byte) error{"sites": site, "profiles": profile, "mappings": mapping}[path.Dir(file)]
		data, err := shipped.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := read(data); err != nil {
			t.Fatal(err) // nothing below would mean anything
		}
		var root yaml.Node
		if err := yaml.Unmarshal(data, &root); err != nil {
			t.Fatal(err)
		}
		damaged := func() error {
			data, err := yaml.Marshal(&root)
			if err != nil {
				t.Fatal(err)
			}
			return read(data)
		}
		for _, s := range spots(&root, "") {
			kind := strings.Split(file, "/")[0] + item.ReplaceAllString(s.path, "[]")
			if tried[kind] {
				continue
			}
			tried[kind] = true
			keys, key := slices.Clone(s.section.Content), *s.section.Content[s.key]
			t.Run(file+":"+s.path, func(t *testing.T) { test(t, s, damaged) })
			s.section.Content, *keys[s.key] = keys, key
		}
		if err := damaged(); err != nil {
			t.Fatalf("%s was not put right again: %v", file, err)
		}
	}
}

// only is the one problem of an error; anything else fails the test.
func only(t *testing.T, err error) document.Problem {
	t.Helper()
	problems, ok := err.(Problems)
	if !ok || len(problems) != 1 {
		t.Fatalf("got %v, want exactly one problem", err)
	}
	return problems[0]
}

// mayBeMissed says which keys may be left out, as far as the spelling goes; what
// else they leave behind, such as a cabinet that is described nowhere, has
// problems of its own. Limits are tried in a file that has a tolerance.
func mayBeMissed(path string) bool {
	optional := regexp.MustCompile(`^(ground|walls|aim|limits|tolerance|series|groups|cabinets|further_processors)$|^limits\.|^tolerance\.|^aim\.(measure|evenness|hold_null|robust)$|` +
		`^target\.(opening|side_lobes)$|^zones\[\d+\]\.weight$|^cabinets\[\d+\]\.directivity$|^outputs\[\d+\]\.(group|bend|processor|channel)$|` +
		`sources\[\d+\]\.(level|facing|cabinet)$|^layouts\.[^.]+\[\d+\]\.(facing|mirrored|cabinet|level|depth|treatment|outputs|outputs\.from|outputs\.one_for|depth\.count|depth\.forward)$|` +
		`^(transport|reply_port|burst|bundle|late|blind|ramp|renew|refusal|numbering|numbering\[\d+\]\.digits)$|` +
		`^parameters\.(mute|label|gain\.in_force|gain\.value\.(law|offset))$`)
	return optional.MatchString(path)
}

// isName reports whether a key is a name that the user gave.
func isName(path string) bool {
	return strings.Count(path, ".") == 1 && strings.HasPrefix(path, "layouts.") && !strings.Contains(path, "[")
}

func TestEveryKeyIsMissed(t *testing.T) {
	tried := map[bool]int{}
	everyKey(t, func(t *testing.T, s spot, read func() error) {
		s.section.Content = slices.Delete(s.section.Content, s.key, s.key+2)
		tried[mayBeMissed(s.path)]++
		switch {
		case isName(s.path): // the file has one layout less
			return
		case s.path == "layouts":
			problems := read().(Problems)
			if len(problems) != 3 || problems[2].Path != "layout" || problems[2].Want != "layouts by name, of which this is one" {
				t.Errorf("got %v", problems)
			}
			return
		case s.path == "blind": // then every parameter can be asked
			problems := read().(Problems)
			if len(problems) != 8 || problems[0].Path != "parameters.delay.query" {
				t.Errorf("got %v", problems)
			}
			return
		case s.path == "numbering[0].first" || s.path == "numbering[0].table":
			if p := only(t, read()); p.Path != "numbering[0].first" || !strings.HasPrefix(p.Want, "either first") {
				t.Errorf("got %q", p)
			}
			return
		case mayBeMissed(s.path):
			problems, _ := read().(Problems)
			for _, p := range problems {
				if p.Got == "nothing" {
					t.Errorf("%s may be left out, but got %q", s.path, p)
				}
			}
			return
		}
		p := only(t, read())
		if argument := regexp.MustCompile(`^(.*args\[\d+\])\.[a-z0-9]+$`).FindStringSubmatch(s.path); argument != nil { // its type was its only key
			s.path, p.Got = argument[1], strings.ReplaceAll(p.Got, "a section of keys", "nothing")
		}
		if p.Path != s.path || p.Got != "nothing" || p.Line < 1 {
			t.Errorf("got %q, want it to say that %s is nothing", p, s.path)
		}
	})
	if tried[true] < 50 || tried[false] < 200 {
		t.Errorf("tried %d keys that may be missed and %d that may not", tried[true], tried[false])
	}
}

func TestEveryMisspeltKeyIsRecognised(t *testing.T) {
	slips := []func(string) string{
		func(k string) string { return k[:len(k)-1] },           // the last letter dropped
		func(k string) string { return k[:1] + k },              // the first letter doubled
		func(k string) string { return k[1:2] + k[:1] + k[2:] }, // two letters swapped
		strings.ToUpper, // capitals
		func(k string) string { return k[:len(k)-1] + "q" }, // a wrong letter
	}
	turn := 0
	everyKey(t, func(t *testing.T, s spot, read func() error) {
		key := s.section.Content[s.key]
		right := key.Value
		if isName(s.path) {
			return
		}
		key.Value, key.Tag = slips[turn%len(slips)](right), ""
		turn++ // every key gets one slip, every slip its share of the keys
		for i := 0; i < len(s.section.Content); i += 2 {
			if twin := s.section.Content[i]; twin != key && twin.Value == key.Value {
				return // layouts without its last letter is another key, and there
			}
		}
		p := only(t, read())
		if want := strings.TrimSuffix(s.path, right) + key.Value; p.Path != want || p.Got != "an unknown key" || p.Want != right {
			t.Errorf("got %q, want it to say that %s should be %s", p, want, right)
		}
	})
}

// TestSpellingsAgree writes sites with random places in random units and reads
// them back; what is wanted is computed from whole millimetres.
func TestSpellingsAgree(t *testing.T) {
	const seed = 68
	random := rand.New(rand.NewPCG(seed, seed))
	spell := func(mm int) string {
		switch random.IntN(3) {
		case 0:
			return strconv.Itoa(mm) + " mm"
		case 1:
			return shifted(mm, 1) + "cm"
		}
		return `"` + shifted(mm, 3) + ` m"`
	}
	metres := func(mm int) float64 { return float64(mm) / 1000 }
	for range 60 {
		var text strings.Builder
		var want []engine.Source
		text.WriteString("sources:\n")
		for n := range 1 + random.IntN(5) {
			x, y, z := random.IntN(20000)-10000, random.IntN(20000)-10000, random.IntN(2000)
			row := []engine.Row{engine.RowFront, engine.RowRear}[random.IntN(2)]
			src := engine.Source{Name: "s" + strconv.Itoa(n), Row: row, At: engine.Point{X: metres(x), Y: metres(y), Z: metres(z)}, Output: random.IntN(64)}
			fmt.Fprintf(&text, "- output: %d\n  at: [%s, %s,\n    %s]\n", src.Output, spell(x), spell(y), spell(z))
			if random.IntN(2) == 0 {
				src.LevelDB = float64(random.IntN(200)-100) / 10
				fmt.Fprintf(&text, "  level: %g dB # measured\n", src.LevelDB)
			}
			fmt.Fprintf(&text, "  row: %s\n  name: %s\n", src.Row, src.Name)
			want = append(want, src)
		}
		data := strings.Replace(exampleWithoutSources(t), "sources:\n", text.String(), 1)
		got, err := loadSites("s.yaml", []byte(data), noProblems)
		if err != nil {
			t.Fatalf("seed %d:\n%s\n%v", seed, text.String(), err)
		}
		if !reflect.DeepEqual(got.common.Sources, want) {
			t.Fatalf("seed %d:\n%s\ngot %+v\nwant %+v", seed, text.String(), got.common.Sources, want)
		}
	}
}

// shifted spells n·10^-places as a plain decimal.
func shifted(n, places int) string {
	return strconv.FormatFloat(float64(n)/math.Pow10(places), 'f', places, 64)
}

func noProblems(engine.Site) []engine.Problem { return nil }

// exampleWithoutSources is the example with its list of sources cut out.
func exampleWithoutSources(t *testing.T) string {
	t.Helper()
	data, err := shipped.ReadFile("sites/ottersedge.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var kept []string
	for _, line := range strings.SplitAfter(string(data), "\n") {
		if !strings.Contains(line, "row: ") {
			kept = append(kept, line)
		}
	}
	return strings.Join(kept, "")
}

// TestLargeInputsEnd feeds what grows fastest in parsers, enough of it
// that a walk quadratic in any of it would not end within the test's time.
func TestLargeInputsEnd(t *testing.T) {
	inputs := map[string]string{
		"brackets":       strings.Repeat("[", 2000) + strings.Repeat("]", 2000),
		"more brackets":  strings.Repeat("[", 20000),
		"dashes":         strings.Repeat("- ", 2000),
		"list":           "[" + strings.Repeat("a,", 50000) + "]",
		"anchors":        strings.Repeat("- &a x\n", 25000),
		"comments":       strings.Repeat("- a # c\n", 25000),
		"documents":      strings.Repeat("---\n", 50000),
		"a long key":     "? " + strings.Repeat("k", 120000) + "\n: 1",
		"a long number":  "job: 0." + strings.Repeat("3", 120000),
		"a long length":  "air: {temperature: 0." + strings.Repeat("3", 120000) + " °C}",
		"unknown keys":   strings.Repeat("k", 20) + ": {" + strings.Repeat("j: 1, ", 25000) + "}",
		"duplicate keys": strings.Repeat("job: 1\n", 20000),
	}
	for name, input := range inputs {
		_, err := Site("large.yaml", []byte(input))
		if err == nil {
			t.Errorf("%s: accepted", name)
		} else if n := len(err.Error()); n > (20+1)*400 {
			t.Errorf("%s: a message of %d bytes", name, n)
		}
	}
}

// sow begins with files, good ones and bad ones.
func sow(f *testing.F, patterns ...string) {
	f.Helper()
	for _, pattern := range patterns {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			f.Fatalf("no seeds in %s: %v", pattern, err)
		}
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
}

// FuzzSite feeds anything to the site loader. Whatever it is, the loader
// returns a site that solves or problems that have a place, the same each time.
func FuzzSite(f *testing.F) {
	sow(f, "sites/*.yaml", "../testdata/bad/site-*.yaml")
	f.Add([]byte("layout: a.b\nlayouts: {a.b: [{shape: free, sources: [{output: 0}]}], \"\\n\": [], null: [1], ~: {}}"))
	f.Add([]byte("\xff\xfea\x00"))
	f.Add([]byte("%YAML 1.2\n---\n? &a [*a]\n: !!binary x\n...\n# end"))
	f.Add([]byte(strings.Repeat("[", 50)))
	f.Fuzz(func(t *testing.T, data []byte) {
		_, err := Site("f.yaml", data)
		if err == nil {
			file, err := loadSites("f.yaml", data, engine.Site.Problems)
			if err != nil || len(file.sites) == 0 {
				t.Fatalf("%d sites, %v", len(file.sites), err)
			}
			for _, one := range file.sites {
				if problems := one.Site.Problems(); len(problems) > 0 {
					t.Errorf("%q accepted with problems %v", one.Name, problems)
				}
			}
			return
		}
		for _, p := range err.(Problems) {
			if p.Line < 1 || p.Column < 1 || p.Path == "" || p.Got == "" || p.Want == "" || strings.ContainsFunc(p.String(), unicode.IsControl) {
				t.Errorf("a problem that helps nobody: %#v", p)
			}
		}
		if _, again := Site("f.yaml", data); again == nil || again.Error() != err.Error() {
			t.Errorf("first %v\nthen %v", err, again)
		}
	})
}
