package pages

import (
	"io/fs"
	"testing"
)

func TestAddressesAreOfContent(t *testing.T) {
	seen := map[string]string{}
	names, err := fs.Glob(Files(), "*.[cj]s*")
	if err != nil || len(names) < 2 {
		t.Fatalf("files %q, %v", names, err)
	}
	for _, name := range names {
		at, err := Address(name)
		again, _ := Address(name)
		if err != nil || at != again || at[:len(name)+4] != "/"+name+"?v=" || seen[at[len(name)+4:]] != "" {
			t.Errorf("%s is at %q and %q, %v", name, at, again, err)
		}
		seen[at[len(name)+4:]] = name
	}
	if at, err := Address("nothing.css"); err == nil {
		t.Errorf("a file that is not there has the address %q", at)
	}
}
