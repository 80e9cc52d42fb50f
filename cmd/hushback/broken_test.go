package main

import (
	"bytes"
	"errors"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/desk"
)

// A site file is broken between two runs. The page shows where on every part of it,
// the way back to safe works, the exit code is that of bad input, and once the file
// is mended all is as ever.
func TestBrokenSiteFileIsShownOnThePage(t *testing.T) {
	rig := newRig(t)
	text, err := os.ReadFile("../../configs/sites/" + exampleSite + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	file, state := filepath.Join(t.TempDir(), "mine.yaml"), stateFolderFor(t)
	write := func(text []byte) {
		t.Helper()
		if err := os.WriteFile(file, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	stop := func(p *process) (code int) {
		t.Helper()
		p.command.Process.Signal(interrupt)
		err := <-p.ended
		p.ended <- err
		if exit := (*exec.ExitError)(nil); errors.As(err, &exit) {
			return exit.ExitCode()
		}
		return exitDone
	}
	serve := func() *process {
		t.Helper()
		return serveSite(t, file, state, "--processor", rig.Processor.Addr())
	}
	write(text)
	sound := serve()
	sound.press("/safe-preset", nil)
	if code := stop(sound); code != exitDone {
		t.Fatalf("exit code %d; it said:\n%s", code, sound.said)
	}
	safe := rig.Processor.Settings()
	disturb(t, rig.Processor.Addr())

	// A temperature that is none, in its line and column.
	at := bytes.Index(text, []byte("temperature:"))
	line := 1 + bytes.Count(text[:at], []byte("\n"))
	broken := slices.Clone(text[:at])
	broken = append(append(broken, "temperature: hot # "...), text[at+len("temperature:"):]...)
	write(broken)
	ill := serve()
	for _, page := range append(pages.All(), pages.Page{Name: ""}) {
		code, body := ill.ask(http.MethodGet, "/"+page.Name, nil)
		place := file + ":" + strconv.Itoa(line) + ":"
		if code >= http.StatusBadRequest || page.Name != "" && (!strings.Contains(body, place) || !strings.Contains(body, "The site file needs mending") || !strings.Contains(body, `id="safe-button"`)) {
			t.Errorf("/%s: %d, without %q or the way back:\n%s", page.Name, code, place, body)
		}
	}
	if code, body := ill.ask(http.MethodPost, "/dry-run", nil); code != http.StatusConflict || !strings.Contains(body, "mend it") {
		t.Errorf("a dry run of a broken site: %d, %s", code, body)
	}
	for _, path := range []string{"/design/outcome", "/design/picture?of=level"} {
		if code, body := ill.ask(http.MethodGet, path, nil); code >= http.StatusInternalServerError {
			t.Errorf("%s of a broken site fails: %d, %.200s", path, code, body)
		}
	}
	var out, errs bytes.Buffer
	if code := run(withPatience(t), []string{"rollback", "--state", state}, &out, &errs); code != exitDone {
		t.Errorf("rolling back: exit code %d, %s%s", code, out.String(), errs.String())
	}
	if now := rig.Processor.Settings(); !slices.Equal(now, safe) {
		t.Errorf("the processor holds\n%v, want the safe preset\n%v", now, safe)
	}
	if code := stop(ill); code != exitBadInput || !strings.Contains(ill.said.String(), "temperature") {
		t.Errorf("exit code %d, want %d; it said:\n%s", code, exitBadInput, ill.said)
	}

	write(text)
	mended := serve()
	mended.until(func(r desk.Report) bool { return r.State == "idle" && r.Processor != "" })
	mended.press("/dry-run", nil)
}
