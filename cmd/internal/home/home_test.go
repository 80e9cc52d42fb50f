package home

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestHomeKeepsANote(t *testing.T) {
	home := Folder{Dir: filepath.Join(t.TempDir(), "deep", "state")}
	if _, found, err := home.Find(); found || err != nil {
		t.Fatalf("a note before there is a folder: %v, %v", found, err)
	}
	if err := home.Prepare(); err != nil {
		t.Fatal(err)
	}
	for _, want := range []Note{{URL: "http://127.0.0.1:1", Token: "a"}, {URL: "http://127.0.0.1:2", Token: "b"}} {
		if err := home.Leave(want); err != nil {
			t.Fatal(err)
		}
		if got, found, err := home.Find(); got != want || !found || err != nil {
			t.Errorf("found %+v %v %v, want %+v", got, found, err, want)
		}
	}
	for path, want := range map[string]os.FileMode{home.Dir: 0o700, home.note(): 0o600} {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got != want {
			t.Errorf("%s has mode %v, want %v: it lets others at the processor", path, got, want)
		}
	}
	for range 2 { // a second time there is nothing to clear, which is fine
		if err := home.Clear(); err != nil {
			t.Error(err)
		}
	}
	if _, found, _ := home.Find(); found {
		t.Error("the note is still there")
	}
}

func TestHomeSaysWhatIsWrong(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := (Folder{Dir: filepath.Join(file, "below")}).Prepare(); err == nil || !strings.Contains(err.Error(), "state folder") {
		t.Errorf("a folder below a file: %v", err)
	}
	home := Folder{Dir: t.TempDir()}
	if err := os.WriteFile(home.note(), []byte("{half"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := home.Find(); err == nil || !strings.Contains(err.Error(), home.Dir) {
		t.Errorf("half a note: %v, want an error that names %s", err, home.Dir)
	}
}

func TestDefaultFollowsTheStandard(t *testing.T) {
	t.Setenv("XDG_STATE_HOME", "/var/x")
	if got := Default(); got != "/var/x/hushback" {
		t.Errorf("state folder %s", got)
	}
	t.Setenv("XDG_STATE_HOME", "")
	t.Setenv("HOME", "/home/someone")
	if got := Default(); got != "/home/someone/.local/state/hushback" {
		t.Errorf("state folder %s", got)
	}
}
