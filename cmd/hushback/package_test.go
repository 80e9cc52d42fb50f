//go:build package

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// mostBytes is how large the program may be, as it is packed.
const mostBytes = 30_000_000

func sizeOf(t *testing.T, file string) int64 {
	t.Helper()
	about, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	return about.Size()
}

// The Debian package for this machine is built, looked into, unpacked, and what is
// in it runs.
func TestDebianPackage(t *testing.T) {
	tool := func(name string, args ...string) string {
		t.Helper()
		said, err := exec.CommandContext(t.Context(), name, args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s %v: %v\n%s", name, args, err, said)
		}
		return string(said)
	}
	out := t.TempDir()
	file := strings.TrimSpace(tool("bash", "../../configs/package/build.sh", out, "1.2.3", runtime.GOARCH))
	if file != filepath.Join(out, "hushback_1.2.3_"+runtime.GOARCH+".deb") {
		t.Fatalf("built %q", file)
	}
	about := tool("dpkg-deb", "-I", file)
	for _, want := range []string{"Package: hushback", "Version: 1.2.3", "Architecture: " + runtime.GOARCH, "postinst", "prerm", "conffiles"} {
		if !strings.Contains(about, want) {
			t.Errorf("no %q in:\n%s", want, about)
		}
	}
	holds := tool("dpkg-deb", "-c", file)
	for _, want := range []string{"-rwxr-xr-x root/root", "./usr/bin/hushback\n", "./usr/lib/systemd/system/hushback.service\n", "./usr/lib/tmpfiles.d/hushback.conf\n",
		"./etc/hushback/hushback.yaml\n", "./usr/share/man/man1/hushback-serve.1.gz\n", "./usr/share/man/man1/hushback-check.1.gz\n", "./usr/share/doc/hushback/configs/tutorials/verdicts.md\n", "./usr/share/bash-completion/completions/hushback\n"} {
		if !strings.Contains(holds, want) {
			t.Errorf("no %q in:\n%s", want, holds)
		}
	}
	root := t.TempDir()
	tool("dpkg-deb", "-x", file, root)
	if page := tool("zcat", filepath.Join(root, "usr/share/man/man1/hushback-serve.1.gz")); !strings.Contains(page, "~/.local/state/hushback") {
		t.Errorf("the manual tells of another state folder than the reader's:\n%s", page)
	}
	program := filepath.Join(root, "usr/bin/hushback")
	if size := sizeOf(t, program); size > mostBytes {
		t.Errorf("the program takes %d bytes, want %d at most", size, mostBytes)
	}
	if said := tool(program, "--version"); !strings.HasPrefix(said, "hushback version ") {
		t.Errorf("its version is %q", said)
	}
	// The unit's own command, with its settings file, gets as far as the site that an
	// administrator has still to write.
	missing := filepath.Join(root, "etc/hushback/site.yaml")
	said, err := exec.CommandContext(t.Context(), program, "serve", missing, "--config", filepath.Join(root, "etc/hushback/hushback.yaml"), "--state", t.TempDir()).CombinedOutput()
	if exit, ok := err.(*exec.ExitError); !ok || exit.ExitCode() != exitBadInput || !strings.Contains(string(said), "site.yaml") {
		t.Errorf("without a site: %v\n%s", err, said)
	}
}
