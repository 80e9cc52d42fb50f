package configs

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"hushback/control/processor"
	"hushback/engine"
	"hushback/verify/source"
)

// TestBadFiles holds every file of testdata/bad, each with one defect, to the
// exact message that stands beside it.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("../testdata/bad/*.yaml")
	if err != nil || len(files) < 60 {
		t.Fatalf("%d bad files, error %v; the folder is not where this test thinks", len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".yaml")
		t.Run(name, func(t *testing.T) {
			data := readTestFile(t, file)
			want := strings.TrimSpace(string(readTestFile(t, strings.TrimSuffix(file, ".yaml")+".want")))
			var got error
			switch kind, _, _ := strings.Cut(name, "-"); kind {
			case "site":
				var site engine.Site
				site, got = Site(filepath.Base(file), data)
				if site.Job != "" {
					t.Error("a bad site was returned beside its error")
				}
			case "profile":
				var p processor.Profile
				p, got = Profile(filepath.Base(file), data)
				if p.Name != "" {
					t.Error("a bad profile was returned beside its error")
				}
			case "mapping":
				var m source.Mapping
				m, got = Mapping(filepath.Base(file), data)
				if m.URL != "" {
					t.Error("a bad mapping was returned beside its error")
				}
			default:
				t.Fatalf("the name must begin with site-, profile- or mapping-")
			}
			if got == nil {
				t.Fatalf("accepted; want\n%s", want)
			}
			if got.Error() != want {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

func readTestFile(t *testing.T, file string) []byte {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return data
}
