package configs

import (
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"go.yaml.in/yaml/v3"

	"hushback/configs/quantity"
)

// value is one place in a file that is being read. Reading a value of the
// wrong kind tells the reader about it and yields zero, so that the walk goes
// on to find everything else that is wrong.
type value struct {
	r      *reader
	node   *yaml.Node // nil: dead, something above it is wrong and has been told
	path   string
	absent bool // the key is not in the file; node is the section it belongs in
}

// reject tells that a value is not what was wanted.
func (v value) reject(want string) {
	if v.node != nil {
		v.r.complain(v.node, v.path, v.describe(), want)
	}
}

// describe says in words what stands in the file.
func (v value) describe() string {
	switch {
	case v.absent || v.node.Tag == "!!null" && !strings.EqualFold(v.node.Value, "null"):
		return "nothing"
	case v.node.Kind == yaml.MappingNode:
		return "a section of keys"
	case v.node.Kind == yaml.SequenceNode:
		return fmt.Sprintf("a list of %d", len(v.node.Content))
	case v.node.Tag == "!!str":
		return `"` + short(v.node.Value) + `"`
	}
	return short(v.node.Value)
}

// short keeps a line of a problem readable whatever stands in the file: one
// line, no escape codes, no flood.
func short(s string) string {
	const most = 60
	tail := ""
	if r := []rune(s); len(r) > most {
		s, tail = string(r[:most]), "…"
	}
	quoted := strconv.Quote(s)
	return strings.ReplaceAll(quoted[1:len(quoted)-1], `\"`, `"`) + tail
}

func (v value) is(kind yaml.Kind) bool {
	return v.given() && v.node.Kind == kind
}

// given reports whether there is a value at all.
func (v value) given() bool { return v.node != nil && !v.absent }

// scalar is the text of a plain value with one of the tags that YAML gives it.
func (v value) scalar(want string, tags ...string) (string, bool) {
	if v.is(yaml.ScalarNode) && slices.Contains(tags, v.node.Tag) {
		return v.node.Value, true
	}
	v.reject(want)
	return "", false
}

// section reads a mapping and returns a value for every known key, absent
// ones among them. A key counts by its spelling, whatever YAML makes of it:
// null is a key like any other, because it is the field's word for one.
func (v value) section(known ...string) map[string]value {
	if !v.is(yaml.MappingNode) {
		v.reject("a section with " + strings.Join(known, ", "))
		return nil // every key of it is dead
	}
	found := make(map[string]value, len(known))
	keys := v.keys()
	for i, key := range keys {
		if key != nil && slices.Contains(known, key.Value) {
			found[key.Value] = v.r.visit(v.node.Content[2*i+1], v.child(key.Value))
		}
	}
	for i, key := range keys {
		if key == nil || slices.Contains(known, key.Value) {
			continue
		}
		// A misspelt key is read as the one it was meant for, so that it makes
		// one problem and not two, and its value is checked as well.
		if name := v.unknown(key, known, found); name != "" {
			found[name] = v.r.visit(v.node.Content[2*i+1], v.child(name))
		}
	}
	for _, name := range known {
		if _, ok := found[name]; !ok {
			found[name] = value{r: v.r, node: v.node, path: v.child(name), absent: true}
		}
	}
	return found
}

func (v value) child(key string) string {
	if v.path == "" {
		return key
	}
	return v.path + "." + key
}

// entries reads a mapping whose keys are names of the user's own, in the order
// of the file.
func (v value) entries(want string) (names []string, values []value) {
	if !v.is(yaml.MappingNode) {
		v.reject(want)
		return nil, nil
	}
	if len(v.node.Content) == 0 {
		v.r.complain(v.node, v.path, "none", want)
	}
	for i, key := range v.keys() {
		switch {
		case key == nil: // told already
		case strings.TrimSpace(key.Value) == "" || !printable(key.Value) || strings.ContainsAny(key.Value, "[]"):
			v.r.complain(key, v.path, `the name "`+short(key.Value)+`"`, "a name of printable letters without brackets")
		default:
			names = append(names, key.Value)
			values = append(values, v.r.visit(v.node.Content[2*i+1], v.child(key.Value)))
		}
	}
	return names, values
}

// keys lists a mapping's keys, nil in the place of one that cannot be used.
func (v value) keys() []*yaml.Node {
	keys := make([]*yaml.Node, len(v.node.Content)/2)
	first := make(map[string]*yaml.Node, len(keys))
	for i := range keys {
		key := v.node.Content[2*i]
		before, twin := first[strings.ToLower(key.Value)]
		if key.Anchor != "" || key.Style&yaml.TaggedStyle != 0 {
			v.r.complain(key, v.path, "a key with an anchor or a tag", "a plain word and a colon")
		}
		switch {
		case key.Kind != yaml.ScalarNode:
			v.r.complain(key, v.path, "a key that is no word", "a plain word and a colon")
		case key.Tag == "!!merge":
			v.r.complain(key, v.path, "the merge key <<", "every key written out")
		case twin && before.Value == key.Value:
			v.r.complain(key, v.child(short(key.Value)), fmt.Sprintf("the key again (first on line %d)", before.Line), "it once")
		case twin:
			v.r.complain(key, v.child(short(key.Value)), fmt.Sprintf("a twin of %s on line %d", short(before.Value), before.Line), "one of the two")
		default:
			keys[i], first[strings.ToLower(key.Value)] = key, key
		}
	}
	return keys
}

// unknown tells about a key that nothing reads, and returns the key that was
// probably meant, or "".
func (v value) unknown(key *yaml.Node, known []string, found map[string]value) string {
	free := slices.DeleteFunc(slices.Clone(known), func(name string) bool { _, taken := found[name]; return taken })
	name := nearestName(key.Value, free)
	want := name
	if name == "" {
		want = "one of " + strings.Join(known, ", ")
	}
	v.r.complain(key, v.child(short(key.Value)), "an unknown key", want)
	return name
}

// list reads a sequence; with length >= 0 of exactly that many items.
func (v value) list(length int, want string) []value {
	if !v.is(yaml.SequenceNode) || length >= 0 && len(v.node.Content) != length {
		v.reject(want)
		return make([]value, max(length, 0))
	}
	items := make([]value, len(v.node.Content))
	for i, n := range v.node.Content {
		items[i] = v.r.visit(n, fmt.Sprintf("%s[%d]", v.path, i))
	}
	return items
}

// each reads a list of any length with the same function for every item.
func each[T any](v value, want string, read func(value) T) []T {
	items := v.list(-1, want)
	all := make([]T, len(items))
	for i, item := range items {
		all[i] = read(item)
	}
	return all
}

// some is each for a list that may be left out.
func some[T any](v value, want string, read func(value) T) []T {
	if v.absent {
		return nil
	}
	return each(v, want, read)
}

// exact is a quantity in SI, as an exact fraction; zero when it is wrong.
func (v value) exact(q quantity.Kind) *big.Rat {
	if text, ok := v.scalar(q.Want, "!!str", "!!int", "!!float"); ok {
		if number, ok := q.Parse(text); ok {
			return number
		}
		v.reject(q.Want)
	}
	return new(big.Rat)
}

// number is a quantity in SI.
func (v value) number(q quantity.Kind) float64 {
	f, _ := v.exact(q).Float64()
	return f
}

// numberOr is a quantity in SI that may be left out.
func (v value) numberOr(fallback float64, q quantity.Kind) float64 {
	if v.absent {
		return fallback
	}
	return v.number(q)
}

// decimal is a number without a unit, exactly; false when it is wrong.
func (v value) decimal(want string) (*big.Rat, bool) {
	text, ok := v.scalar(want, "!!float", "!!int")
	if !ok {
		return nil, false
	}
	number, ok := quantity.Decimal(text)
	if !ok {
		v.reject(want)
	}
	return number, ok
}

// plain is a number without a unit.
func (v value) plain() float64 {
	number, ok := v.decimal("a plain number such as 0.75")
	if !ok {
		return 0
	}
	f, _ := number.Float64()
	return f
}

// count is a whole number without a unit, in plain digits: 010 would be eight
// to YAML and ten to a person.
func (v value) count() int {
	const want = "a whole number such as 8"
	text, ok := v.scalar(want, "!!int")
	if !ok {
		return 0
	}
	n, err := strconv.Atoi(text)
	if err != nil || strconv.Itoa(n) != text {
		v.reject(want)
		return 0
	}
	return n
}

// truth is a switch. YAML has other words for it (True, TRUE); one is enough.
func (v value) truth() bool {
	const want = "true or false"
	text, ok := v.scalar(want, "!!bool")
	if ok && text != "true" && text != "false" {
		v.reject(want)
	}
	return text == "true"
}

// text is one line of words.
func (v value) text() string {
	const want = `a line of text (in "quotes" if it looks like a number)`
	text, ok := v.scalar(want, "!!str")
	text = strings.TrimSpace(text)
	if ok && (text == "" || !printable(text)) {
		v.reject(want)
		return ""
	}
	return text
}

// textOrNone is a line of words that may be left out.
func (v value) textOrNone() string {
	if v.absent {
		return ""
	}
	return v.text()
}

// printable keeps escape codes away from terminals and zeros out of messages.
func printable(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) })
}

// choice is one of a few words.
func choice[T ~string](v value, words ...T) T {
	names := make([]string, len(words))
	for i, w := range words {
		names[i] = string(w)
	}
	want := strings.Join(names, " or ")
	text, ok := v.scalar(want, "!!str")
	if ok && !slices.Contains(names, text) {
		v.reject(want)
		return ""
	}
	return T(text)
}

// nearestName is the known name that a key is probably a slip of, or "".
func nearestName(key string, known []string) string {
	best, least := "", 0
	for _, name := range known {
		allowed := 1 + len(name)/4
		if len(key) > len(name)+allowed {
			continue
		}
		d := slips(strings.ToLower(key), name)
		if d <= allowed && (best == "" || d < least) {
			best, least = name, d
		}
	}
	return best
}

// slips counts the letters added, dropped, changed or swapped with their
// neighbour that turn a into b (optimal string alignment distance).
func slips(a, b string) int {
	rows := make([][]int, len(a)+1)
	for i := range rows {
		rows[i] = make([]int, len(b)+1)
		for j := range rows[i] {
			if i == 0 || j == 0 {
				rows[i][j] = i + j
				continue
			}
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			rows[i][j] = min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				rows[i][j] = min(rows[i][j], rows[i-2][j-2]+1)
			}
		}
	}
	return rows[len(a)][len(b)]
}
