package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"hushback/cmd/internal/report/folio"
)

// A report goes where it is wanted, each kind by itself, and says what it wrote.
func TestReportOfASite(t *testing.T) {
	folder := t.TempDir()
	page, paper, tables := filepath.Join(folder, "d.html"), filepath.Join(folder, "d.pdf"), filepath.Join(folder, "numbers")
	code, out, errs := said(t, "report", exampleSite, "--out", page, "--tables", tables, "--json")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	var told folio.Document
	one(t, out, &told)
	if told.Title == "" || len(told.Sections) < 8 || told.Sections[0].Blocks[0].Notice.Word != "A design: nothing was measured" {
		t.Errorf("told %.300s", out)
	}
	text, err := os.ReadFile(page)
	must(t, err)
	if !bytes.HasPrefix(text, []byte("<!doctype html>")) || !bytes.Contains(text, []byte("nothing was measured")) {
		t.Errorf("the page begins %.100s", text)
	}
	for _, name := range []string{page, filepath.Join(tables, "sheet.csv"), filepath.Join(tables, "captures.csv"), filepath.Join(tables, "captures.json")} {
		if _, err := os.Stat(name); err != nil || !strings.Contains(errs, "wrote "+name+"\n") {
			t.Errorf("%s: %v; said %s", name, err, errs)
		}
	}
	if code, _, errs = said(t, "report", "larkpit", "--layout", "three deep", "--out", paper, "--paper", "letter"); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	if text, err = os.ReadFile(paper); err != nil || !bytes.HasPrefix(text, []byte("%PDF-")) || !bytes.Contains(text, []byte("/MediaBox [0 0 612.00 792.00]")) {
		t.Errorf("%v: the paper begins %.20s", err, text)
	}
}

// What cannot be is said before anything is worked out or written.
func TestReportRefuses(t *testing.T) {
	folder := t.TempDir()
	for _, c := range []struct {
		want string
		args []string
	}{
		{".html or .pdf", []string{exampleSite, "--out", filepath.Join(folder, "d.docx")}},
		{"a4 or letter", []string{exampleSite, "--out", filepath.Join(folder, "d.pdf"), "--paper", "a5"}},
		{"neither a file nor a folder", []string{"20260704-210000.000-c0ffee01", "--json", "--state", folder}},
		{"no state folder with changes", []string{folder, "--json"}},
		{"nothing to write", []string{exampleSite}},
		{"name one site", nil},
	} {
		if code, out, errs := said(t, append([]string{"report"}, c.args...)...); code != exitBadInput || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("%q: exit code %d, %q, %q", c.args, code, out, errs)
		}
	}
	if left, _ := os.ReadDir(folder); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}
