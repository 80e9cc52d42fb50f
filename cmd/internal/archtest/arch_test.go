package archtest

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
)

const root = "../../.."

// excused packages and why they may leave the size budget.
var excused = map[string]string{
	"engine/air": "one formula with its sources; it will grow with the model, not before",
}

func house(t *testing.T) map[string]*Package {
	t.Helper()
	packages, err := Measure(os.DirFS(root))
	if err != nil {
		t.Fatal(err)
	}
	if len(packages) < 10 {
		t.Fatalf("found %d packages below %s, want the whole house", len(packages), root)
	}
	return packages
}

func TestArrowsRunAsPlanned(t *testing.T) {
	for _, name := range sorted(house(t)) {
		for _, sentence := range Forbidden(name, house(t)[name].Imports) {
			t.Error(sentence)
		}
	}
}

func TestEveryPlannedPackageIsThere(t *testing.T) {
	packages := house(t)
	for name := range arrows() {
		if packages[name] == nil {
			t.Errorf("the plan names %s, which has no Go files", name)
		}
	}
}

func TestBudgets(t *testing.T) {
	packages := house(t)
	var lengths []int
	var code, tests int
	for _, name := range sorted(packages) {
		p := packages[name]
		t.Logf("%-24s %5d lines %5d of tests %4d functions", name, p.Code, p.Tests, len(p.Functions))
		code, tests = code+p.Code, tests+p.Tests
		for _, fn := range p.Functions {
			lengths = append(lengths, fn.Lines)
		}
	}
	t.Logf("%d lines, %d of tests; functions: median %d, 90th percentile %d, longest %d",
		code, tests, Quantile(lengths, 0.5), Quantile(lengths, 0.9), Quantile(lengths, 1))
	for _, sentence := range Over(packages, excused) {
		t.Error(sentence)
	}
}

func TestHabits(t *testing.T) {
	for _, p := range house(t) {
		for _, sentence := range p.Habits {
			t.Error(sentence)
		}
	}
	changed, err := ChangedGlobals(root, "./...")
	if err != nil {
		t.Fatal(err)
	}
	for _, sentence := range changed {
		t.Error(sentence)
	}
}

func TestNothingElseAtTheTop(t *testing.T) {
	allowed := []string{"cmd", "control", "verify", "engine", "configs", "testdata", "go.mod", "go.sum", "README.md", "DEVELOPERS.md"}
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	for _, entry := range entries {
		if !slices.Contains(allowed, entry.Name()) && !strings.HasPrefix(entry.Name(), ".") {
			t.Errorf("%s stands at the top, where only %v do", entry.Name(), allowed)
		}
	}
}

// The rules above are worth something only if they can say no.

func TestForbiddenSaysNo(t *testing.T) {
	for _, c := range []struct {
		pkg, imported string
		ok            bool
	}{
		{"control", "hushback/verify", false},
		{"verify", "hushback/control", false},
		{"engine", "hushback/control", false},
		{"engine/air", "hushback/engine", true},
		{"engine/air", "hushback/engine/field", false},
		{"control", "hushback/configs", false},
		{"cmd/hushback", "hushback/engine/solve", true},
		{"cmd/internal/dashboard", "hushback/cmd/internal/daemon", false},
		{"verify", "fmt", true},
		{"somewhere", "fmt", false},
	} {
		if got := len(Forbidden(c.pkg, []string{c.imported})) == 0; got != c.ok {
			t.Errorf("%s importing %s: allowed %v, want %v", c.pkg, c.imported, got, c.ok)
		}
	}
}

func TestMeasureAndOverSayNo(t *testing.T) {
	long := "package big\nfunc f() {\n" + strings.Repeat("\t_ = 1\n", 81) + "}\n" + strings.Repeat("// x\n", 400)
	tree := fstest.MapFS{
		"big/a.go":          {Data: []byte(long)},
		"big/a_test.go":     {Data: []byte("package big\n")},
		"small/b.go":        {Data: []byte("package small\nimport \"os\"\nfunc init() {\n\tos.Exit(1)\n}\n")},
		"small/testdata/c":  {Data: []byte("not Go")},
		".hidden/d.go":      {Data: []byte("not Go either")},
		"small/testdata.go": {Data: []byte("package small\n")},
	}
	packages, err := Measure(tree)
	if err != nil {
		t.Fatal(err)
	}
	if len(packages) != 2 {
		t.Fatalf("measured %v, want big and small alone", sorted(packages))
	}
	all := strings.Join(Over(packages, nil), "\n")
	for _, want := range []string{"big/a.go has 484 lines", "big/a.go:2 f has 83 lines", "package small has 6 lines", "lines of tests", "median"} {
		if !strings.Contains(all, want) {
			t.Errorf("no complaint with %q in:\n%s", want, all)
		}
	}
	if got := packages["small"].Habits; len(got) != 2 {
		t.Errorf("habits of small: %q, want init and os.Exit", got)
	}
	if over := Over(map[string]*Package{"tiny": {Code: 1, Tests: 1}}, map[string]string{"tiny": "a test"}); len(over) != 0 {
		t.Errorf("an excused package was complained about: %v", over)
	}
}

func TestChangedGlobalsSaysNo(t *testing.T) {
	dir := t.TempDir()
	source := `package loose
var table = []int{1}
var count int
type s struct{ n int }
var one s
func F() { table[0] = 2; count++; p := &one; p.n = 3; local := 1; local++; _ = local }
`
	for name, text := range map[string]string{"go.mod": "module loose\n\ngo 1.26\n", "loose.go": source} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	bad, err := ChangedGlobals(dir, "./...")
	if err != nil {
		t.Fatal(err)
	}
	if len(bad) != 3 {
		t.Errorf("found %q, want table, count and one", bad)
	}
}

func TestQuantile(t *testing.T) {
	for _, c := range []struct {
		q    float64
		want int
	}{{0, 1}, {0.5, 6}, {0.9, 10}, {1, 10}} {
		if got := Quantile([]int{10, 9, 8, 7, 6, 5, 4, 3, 2, 1}, c.q); got != c.want {
			t.Errorf("quantile %v = %d, want %d", c.q, got, c.want)
		}
	}
	if Quantile(nil, 0.5) != 0 {
		t.Error("the quantile of nothing is not 0")
	}
}
