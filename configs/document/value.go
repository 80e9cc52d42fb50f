package document

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

// Value is one place in a file that is being read. Reading a value of the
// wrong kind tells the reader about it and yields zero, so that the walk goes
// on to find everything else that is wrong.
type Value struct {
	r      *reader
	Node   *yaml.Node // nil: dead, something above it is wrong and has been told
	path   string
	Absent bool // the key is not in the file; Node is the section it belongs in
}

// Reject tells that a value is not what was wanted.
func (v Value) Reject(want string) {
	if v.Node != nil {
		v.r.complain(v.Node, v.path, v.describe(), want)
	}
}

// describe says in words what stands in the file.
func (v Value) describe() string {
	switch {
	case v.Absent || v.Node.Tag == "!!null" && !strings.EqualFold(v.Node.Value, "null"):
		return "nothing"
	case v.Node.Kind == yaml.MappingNode:
		return "a section of keys"
	case v.Node.Kind == yaml.SequenceNode:
		return fmt.Sprintf("a list of %d", len(v.Node.Content))
	case v.Node.Tag == "!!str":
		return `"` + short(v.Node.Value) + `"`
	}
	return short(v.Node.Value)
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

// Is reports whether there is a value of a kind: a scalar, a section, a list.
func (v Value) Is(kind yaml.Kind) bool {
	return v.Given() && v.Node.Kind == kind
}

// Given reports whether there is a value at all.
func (v Value) Given() bool { return v.Node != nil && !v.Absent }

// Scalar is the text of a plain value with one of the tags that YAML gives it.
func (v Value) Scalar(want string, tags ...string) (string, bool) {
	if v.Is(yaml.ScalarNode) && slices.Contains(tags, v.Node.Tag) {
		return v.Node.Value, true
	}
	v.Reject(want)
	return "", false
}

// Section reads a mapping and returns a value for every known key, absent
// ones among them. A key counts by its spelling, whatever YAML makes of it:
// null is a key like any other, because it is the field's word for one.
func (v Value) Section(known ...string) map[string]Value {
	if !v.Is(yaml.MappingNode) {
		v.Reject("a section with " + strings.Join(known, ", "))
		return nil // every key of it is dead
	}
	found := make(map[string]Value, len(known))
	keys := v.keys()
	for i, key := range keys {
		if key != nil && slices.Contains(known, key.Value) {
			found[key.Value] = v.r.visit(v.Node.Content[2*i+1], v.child(key.Value))
		}
	}
	for i, key := range keys {
		if key == nil || slices.Contains(known, key.Value) {
			continue
		}
		// A misspelt key is read as the one it was meant for, so that it makes
		// one problem and not two, and its value is checked as well.
		if name := v.unknown(key, known, found); name != "" {
			found[name] = v.r.visit(v.Node.Content[2*i+1], v.child(name))
		}
	}
	for _, name := range known {
		if _, ok := found[name]; !ok {
			found[name] = Value{r: v.r, Node: v.Node, path: v.child(name), Absent: true}
		}
	}
	return found
}

func (v Value) child(key string) string {
	if v.path == "" {
		return key
	}
	return v.path + "." + key
}

// Entries reads a mapping whose keys are names of the user's own, in the order
// of the file.
func (v Value) Entries(want string) (names []string, values []Value) {
	if !v.Is(yaml.MappingNode) {
		v.Reject(want)
		return nil, nil
	}
	if len(v.Node.Content) == 0 {
		v.r.complain(v.Node, v.path, "none", want)
	}
	for i, key := range v.keys() {
		switch {
		case key == nil: // told already
		case strings.TrimSpace(key.Value) == "" || !Printable(key.Value) || strings.ContainsAny(key.Value, "[]"):
			v.r.complain(key, v.path, `the name "`+short(key.Value)+`"`, "a name of printable letters without brackets")
		default:
			names = append(names, key.Value)
			values = append(values, v.r.visit(v.Node.Content[2*i+1], v.child(key.Value)))
		}
	}
	return names, values
}

// keys lists a mapping's keys, nil in the place of one that cannot be used.
func (v Value) keys() []*yaml.Node {
	keys := make([]*yaml.Node, len(v.Node.Content)/2)
	first := make(map[string]*yaml.Node, len(keys))
	for i := range keys {
		key := v.Node.Content[2*i]
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
func (v Value) unknown(key *yaml.Node, known []string, found map[string]Value) string {
	free := slices.DeleteFunc(slices.Clone(known), func(name string) bool { _, taken := found[name]; return taken })
	name := nearestName(key.Value, free)
	want := name
	if name == "" {
		want = "one of " + strings.Join(known, ", ")
	}
	v.r.complain(key, v.child(short(key.Value)), "an unknown key", want)
	return name
}

// List reads a sequence; with length >= 0 of exactly that many items.
func (v Value) List(length int, want string) []Value {
	if !v.Is(yaml.SequenceNode) || length >= 0 && len(v.Node.Content) != length {
		v.Reject(want)
		return make([]Value, max(length, 0))
	}
	items := make([]Value, len(v.Node.Content))
	for i, n := range v.Node.Content {
		items[i] = v.r.visit(n, fmt.Sprintf("%s[%d]", v.path, i))
	}
	return items
}

// Each reads a list of any length with the same function for every item.
func Each[T any](v Value, want string, read func(Value) T) []T {
	items := v.List(-1, want)
	all := make([]T, len(items))
	for i, item := range items {
		all[i] = read(item)
	}
	return all
}

// Some is Each for a list that may be left out.
func Some[T any](v Value, want string, read func(Value) T) []T {
	if v.Absent {
		return nil
	}
	return Each(v, want, read)
}

// Exact is a quantity in SI, as an exact fraction; zero when it is wrong.
func (v Value) Exact(q quantity.Kind) *big.Rat {
	number, _ := v.exact(q)
	return number
}

func (v Value) exact(q quantity.Kind) (number *big.Rat, ok bool) {
	if text, ok := v.Scalar(q.Want, "!!str", "!!int", "!!float"); ok {
		if number, ok := q.Parse(text); ok {
			return number, true
		}
		v.Reject(q.Want)
	}
	return new(big.Rat), false
}

// Number is a quantity in SI.
func (v Value) Number(q quantity.Kind) float64 {
	f, _ := v.Exact(q).Float64()
	return f
}

// Positive is a quantity in SI that must be more than 0.
func (v Value) Positive(q quantity.Kind) float64 {
	number, ok := v.exact(q)
	if ok && number.Sign() <= 0 {
		v.Reject("more than 0")
	}
	f, _ := number.Float64()
	return f
}

// NumberOr is a quantity in SI that may be left out.
func (v Value) NumberOr(fallback float64, q quantity.Kind) float64 {
	if v.Absent {
		return fallback
	}
	return v.Number(q)
}

// Decimal is a number without a unit, exactly; false when it is wrong.
func (v Value) Decimal(want string) (*big.Rat, bool) {
	text, ok := v.Scalar(want, "!!float", "!!int")
	if !ok {
		return nil, false
	}
	number, ok := quantity.Decimal(text)
	if !ok {
		v.Reject(want)
	}
	return number, ok
}

// Plain is a number without a unit.
func (v Value) Plain() float64 {
	number, ok := v.Decimal("a plain number such as 0.75")
	if !ok {
		return 0
	}
	f, _ := number.Float64()
	return f
}

// Count is a whole number without a unit, in plain digits: 010 would be eight
// to YAML and ten to a person.
func (v Value) Count() int {
	const want = "a whole number such as 8"
	text, ok := v.Scalar(want, "!!int")
	if !ok {
		return 0
	}
	n, err := strconv.Atoi(text)
	if err != nil || strconv.Itoa(n) != text {
		v.Reject(want)
		return 0
	}
	return n
}

// Truth is a switch. YAML has other words for it (True, TRUE); one is enough.
func (v Value) Truth() bool {
	const want = "true or false"
	text, ok := v.Scalar(want, "!!bool")
	if ok && text != "true" && text != "false" {
		v.Reject(want)
	}
	return text == "true"
}

// Text is one line of words.
func (v Value) Text() string {
	const want = `a line of text (in "quotes" if it looks like a number)`
	text, ok := v.Scalar(want, "!!str")
	text = strings.TrimSpace(text)
	if ok && (text == "" || !Printable(text)) {
		v.Reject(want)
		return ""
	}
	return text
}

// TextOrNone is a line of words that may be left out.
func (v Value) TextOrNone() string {
	if v.Absent {
		return ""
	}
	return v.Text()
}

// Printable reports whether text may be shown: it keeps escape codes away from
// terminals and zeros out of messages.
func Printable(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) })
}

// Choice is one of a few words.
func Choice[T ~string](v Value, words ...T) T {
	names := make([]string, len(words))
	for i, w := range words {
		names[i] = string(w)
	}
	want := strings.Join(names, " or ")
	text, ok := v.Scalar(want, "!!str")
	if ok && !slices.Contains(names, text) {
		v.Reject(want)
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
