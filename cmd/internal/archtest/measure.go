package archtest

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
)

// The budgets. Shorter is not simpler: one that makes the code worse is a
// reason to talk, in DEVELOPERS.md.
const (
	medianFunction = 12
	ninthDecile    = 40
	longestFunc    = 80
	longestFile    = 450
	leastPackage   = 150
	mostPackage    = 1500
)

// Function is one function or method and its length in lines.
type Function struct {
	Where string // "engine/site.go:12 Site.Output"
	Lines int
}

// Package is what was measured of one folder of Go files.
type Package struct {
	Path        string // below the module
	Imports     []string
	Code, Tests int            // lines, blank ones not counted
	Files       map[string]int // code files and their lines, all counted
	Functions   []Function
	Habits      []string // sentences about init functions and os.Exit
}

// Measure reads every Go file below root, testdata and dot folders aside.
func Measure(root fs.FS) (map[string]*Package, error) {
	found := map[string]*Package{}
	err := fs.WalkDir(root, ".", func(name string, entry fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case entry.IsDir() && name != "." && (entry.Name() == "testdata" || strings.HasPrefix(entry.Name(), ".")):
			return fs.SkipDir
		case entry.IsDir() || path.Ext(name) != ".go":
			return nil
		}
		dir := path.Dir(name)
		if found[dir] == nil {
			found[dir] = &Package{Path: dir, Files: map[string]int{}}
		}
		return found[dir].add(root, name)
	})
	return found, err
}

func (p *Package) add(root fs.FS, name string) error {
	source, err := fs.ReadFile(root, name)
	if err != nil {
		return err
	}
	if strings.HasSuffix(name, "_test.go") {
		p.Tests += written(source)
		return nil
	}
	p.Code += written(source)
	p.Files[name] = bytes.Count(source, []byte("\n"))
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, name, source, 0)
	if err != nil {
		return err
	}
	for _, spec := range file.Imports {
		imported, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			return err
		}
		if !slices.Contains(p.Imports, imported) {
			p.Imports = append(p.Imports, imported)
		}
	}
	p.functions(set, file)
	return nil
}

// written counts the lines that hold more than white space.
func written(source []byte) int {
	n := 0
	for line := range bytes.Lines(source) {
		if len(bytes.TrimSpace(line)) > 0 {
			n++
		}
	}
	return n
}

func (p *Package) functions(set *token.FileSet, file *ast.File) {
	for _, decl := range file.Decls {
		fn, ok := decl.(*ast.FuncDecl)
		if !ok || fn.Body == nil {
			continue
		}
		from, to := set.Position(fn.Pos()), set.Position(fn.End())
		where := fmt.Sprintf("%s:%d %s", from.Filename, from.Line, fn.Name.Name)
		p.Functions = append(p.Functions, Function{Where: where, Lines: to.Line - from.Line + 1})
		if fn.Name.Name == "init" && fn.Recv == nil {
			p.Habits = append(p.Habits, where+": no init functions; build things where they are used")
		}
		if !(file.Name.Name == "main" && fn.Name.Name == "main") && callsExit(fn) {
			p.Habits = append(p.Habits, where+": os.Exit belongs to main alone")
		}
	}
}

func callsExit(fn *ast.FuncDecl) bool {
	found := false
	ast.Inspect(fn, func(n ast.Node) bool {
		if sel, ok := n.(*ast.SelectorExpr); ok {
			pkg, isName := sel.X.(*ast.Ident)
			found = found || isName && pkg.Name == "os" && sel.Sel.Name == "Exit"
		}
		return !found
	})
	return found
}

// Over lists every budget that the packages break, as sentences. excused maps
// a package to the reason why it may be smaller or larger.
func Over(packages map[string]*Package, excused map[string]string) []string {
	var bad []string
	var lengths []int
	var code, tests int
	for _, name := range sorted(packages) {
		p := packages[name]
		if _, ok := excused[name]; !ok && (p.Code < leastPackage || p.Code > mostPackage) {
			bad = append(bad, fmt.Sprintf("package %s has %d lines, want %d to %d", name, p.Code, leastPackage, mostPackage))
		}
		code, tests = code+p.Code, tests+p.Tests
		for _, file := range sorted(p.Files) {
			if p.Files[file] > longestFile {
				bad = append(bad, fmt.Sprintf("%s has %d lines, want at most %d", file, p.Files[file], longestFile))
			}
		}
		for _, fn := range p.Functions {
			lengths = append(lengths, fn.Lines)
			if fn.Lines > longestFunc {
				bad = append(bad, fmt.Sprintf("%s has %d lines, want at most %d", fn.Where, fn.Lines, longestFunc))
			}
		}
	}
	if tests < code {
		bad = append(bad, fmt.Sprintf("%d lines of tests for %d of code, want at least as many", tests, code))
	}
	median, ninth := Quantile(lengths, 0.5), Quantile(lengths, 0.9)
	if median > medianFunction || ninth > ninthDecile {
		bad = append(bad, fmt.Sprintf("functions: median %d lines and 90th percentile %d, want at most %d and %d", median, ninth, medianFunction, ninthDecile))
	}
	return bad
}

// Quantile is the smallest of values that at least the share q of them do not
// exceed; 0 for none.
func Quantile(values []int, q float64) int {
	if len(values) == 0 {
		return 0
	}
	ordered := slices.Sorted(slices.Values(values))
	return ordered[min(len(ordered)-1, int(q*float64(len(ordered))))]
}

func sorted[V any](m map[string]V) []string {
	names := make([]string, 0, len(m))
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}
