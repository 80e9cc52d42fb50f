// Package document reads YAML files strictly: what is wrong with one is told all
// at once, each with its line and column.
package document

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"hushback/engine"
)

// MaxBytes bounds what is read. A site with hundreds of zone corners has some
// 50 kB; a wrong path can lead to anything.
const MaxBytes = 1 << 20

// reader gathers what is wrong with one file while it is walked.
type reader struct {
	file     string
	problems Problems
	places   map[string]*yaml.Node // every value that was visited, by its path
}

// Load turns bytes into a checked T. What the values mean is checked only
// once their spelling is clean: half a site would breed false problems.
func Load[T any](file string, data []byte, read func(Value) T, check func(T) []engine.Problem) (T, error) {
	r := &reader{file: file, places: map[string]*yaml.Node{}}
	result := read(r.root(data))
	if len(r.problems) == 0 {
		for _, p := range check(result) {
			r.complain(r.nearest(p.Path), p.Path, p.Got, p.Want)
		}
	}
	if len(r.problems) > 0 {
		var none T
		return none, r.problems.sorted()
	}
	return result, nil
}

func (r *reader) complain(at *yaml.Node, path, got, want string) {
	if path == "" {
		path = "the file"
	}
	r.problems = append(r.problems, Problem{r.file, at.Line, at.Column, engine.Problem{Path: path, Got: got, Want: want}})
}

// nearest is the node of a path or of its nearest parent in the file: what a
// check complains about may be an optional value that is not written down.
func (r *reader) nearest(path string) *yaml.Node {
	for path != "" {
		if n, ok := r.places[path]; ok {
			return n
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return r.places[""]
}

// root parses the file and returns its one document; the value is dead when
// there is nothing to walk.
func (r *reader) root(data []byte) Value {
	start := &yaml.Node{Line: 1, Column: 1}
	if len(data) > MaxBytes {
		r.complain(start, "", "more than 1 MiB", "a file that a person wrote")
		return Value{}
	}
	documents := yaml.NewDecoder(bytes.NewReader(data))
	var first, second yaml.Node
	if err := documents.Decode(&first); errors.Is(err, io.EOF) {
		r.complain(start, "", "nothing", "one YAML document")
		return Value{}
	} else if err != nil {
		r.complainOfSyntax(err)
		return Value{}
	}
	if err := documents.Decode(&second); err == nil {
		r.complain(&second, "", "a second document", "one document, without a --- line after it")
	} else if !errors.Is(err, io.EOF) {
		r.complainOfSyntax(err)
		return Value{}
	}
	return r.visit(first.Content[0], "")
}

// complainOfSyntax takes the line out of the parser's message, if it names one.
func (r *reader) complainOfSyntax(err error) {
	line, message := 0, strings.TrimPrefix(err.Error(), "yaml: ")
	if number, rest, ok := strings.Cut(message, ": "); ok && strings.HasPrefix(number, "line ") {
		line, _ = strconv.Atoi(strings.TrimPrefix(number, "line "))
		message = rest
	}
	// The library counts lines from 1 where it speaks of characters, but from 0
	// where it speaks of what it expected next.
	for _, next := range []string{"<", "'", "node content", "key"} {
		if strings.HasPrefix(message, "did not find expected "+next) {
			line++
		}
	}
	at := &yaml.Node{Line: max(1, line), Column: 1}
	r.complain(at, "", fmt.Sprintf("broken YAML (%s)", message), "indented `key: value` lines")
}

// visit makes a value of a node. What YAML offers beyond plain values is
// refused here: an anchor or a tag can make a file mean something other than
// what the person beside the stage reads in it.
func (r *reader) visit(n *yaml.Node, path string) Value {
	r.places[path] = n
	if n.Kind == yaml.AliasNode {
		r.complain(n, path, "the alias *"+short(n.Value), "the value itself, written out")
		return Value{}
	}
	if n.Anchor != "" {
		r.complain(n, path, "the anchor &"+short(n.Anchor), "no anchors; write each value out")
	}
	if n.Style&yaml.TaggedStyle != 0 {
		r.complain(n, path, "the tag "+short(n.Tag), "a plain value without a tag")
		return Value{}
	}
	return Value{r: r, Node: n, path: path}
}
