package main

import (
	"bufio"
	"context"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
)

// Whatever is typed wrong, or is not there, is said in one message that names it and
// ends with what to do next, with the exit code that help promises.
func TestErrorsSayWhatToDo(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer taken.Close()
	state, dir := stateFolderFor(t), t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		must(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
		return filepath.Join(dir, name)
	}
	broken, none, settings, token := write("broken.yaml", "job: ["), filepath.Join(dir, "none"), write("settings.yaml", "listne: here"), write("token", "x")
	nowhere := ownSite(t, exampleSite, "profile: plain-eight", "profile: plain-nine")
	damaged := filepath.Dir(write(filepath.Base(home.Folder{}.Store()), strings.Repeat("no store ", 4000)))
	listening := []string{"listen", "--microphone", "moved", "--server", "127.0.0.1:9", "--token-file", token}
	for _, c := range []struct {
		typed    []string
		code     int
		what, do string
	}{
		{[]string{"sovle", "x"}, exitBadInput, `"sovle"`, "did you mean solve?"},
		{[]string{"presets", "shwo"}, exitBadInput, `presets got "shwo"`, "did you mean show?"},
		{[]string{"solve"}, exitBadInput, "solve got nothing", "name one site"},
		{[]string{"solve", "a", "b"}, exitBadInput, `solve got "a" "b"`, "name one site"},
		{[]string{"solve", exampleSite, "--layuot", "x"}, exitBadInput, "--layuot", "did you mean --layout?"},
		{[]string{"solve", exampleSite, "--jsn"}, exitBadInput, "--jsn", "did you mean --json?"},
		{[]string{"rehearse", "--seed", "-1"}, exitBadInput, `--seed: got "-1"`, "want a whole number"},
		{[]string{"solve", "nosuch"}, exitBadInput, `site "nosuch"`, "there are: "},
		{[]string{"solve", none + ".yaml"}, exitBadInput, none + ".yaml", "look to the path"},
		{[]string{"solve", dir}, exitBadInput, dir, "name another path"},
		{[]string{"solve", broken}, exitBadInput, broken + ":", "want "},
		{[]string{"solve", "larkpit", "--layout", "x"}, exitBadInput, `layout "x"`, "there are: "},
		{[]string{"solve", exampleSite, "--robust"}, exitBadInput, "--robust", "write one, or leave --robust out"},
		{[]string{"solve", exampleSite, "--out", broken + "/x"}, exitNotProven, broken, "name another path"},
		{[]string{"compare", exampleSite, "--layouts", "null,null"}, exitBadInput, `"null" stands there twice`, "name each way once"},
		{[]string{"report", exampleSite}, exitBadInput, "nothing to write", "give --out"},
		{[]string{"dry-run", nowhere}, exitBadInput, `profile "plain-nine"`, "there are: "},
		{[]string{"dry-run", exampleSite, "--processor", "here"}, exitBadInput, `--processor: got "here"`, "want host:port"},
		{[]string{"dry-run", exampleSite, "--processor", "127.0.0.1:9"}, exitNotProven, "127.0.0.1:9", "is the processor on"},
		{[]string{"serve", exampleSite, "--state", state, "--listen", taken.Addr().String()}, exitNotProven, taken.Addr().String(), "choose another address with --listen"},
		{[]string{"serve", exampleSite, "--config", settings}, exitBadInput, "it has listne", "call it listen"},
		{[]string{"serve", exampleSite, "--config", none}, exitBadInput, none, "look to the path"},
		{[]string{"serve", exampleSite, "--keep-for", "3"}, exitBadInput, `keep-for: got "3"`, "want at least 1 s"},
		{[]string{"serve", exampleSite, "--source", none}, exitBadInput, none, "look to the path"},
		{[]string{"serve", exampleSite, "--state", broken + "/x"}, exitNotProven, "state folder", "name another path"},
		{[]string{"rollback", "--state", state}, exitBadInput, "no daemon runs on " + state, "name the site"},
		{[]string{"presets", "--state", none}, exitBadInput, none, "name the right state folder with --state"},
		{[]string{"presets", "--state", damaged}, exitNotProven, "damaged", "presets set-aside"},
		{[]string{"presets", "import", token}, exitBadInput, token, "name a file that export wrote"},
		{[]string{"excite", exampleSite, "--kind", "pink"}, exitBadInput, `--kind: got "pink"`, "want multisine, sweep or noise"},
		{[]string{"excite", exampleSite, "--format", "mp3"}, exitBadInput, `--format, --rate, --channels: samples as "mp3"`, "want one of"},
		{[]string{"excite", exampleSite, "--for", "1 s", "--out", "/dev/full"}, exitNotProven, "/dev/full is not whole", "make room"},
		{[]string{"excite", exampleSite, "--json"}, exitBadInput, "--json goes with --out", "name a file"},
		{[]string{"listen"}, exitBadInput, "--microphone", "name the microphone"},
		{[]string{"listen", "--microphone", "moved", "--state", state}, exitBadInput, state, "start one, or name it with --server"},
		{[]string{"listen", "--microphone", "moved", "--server", "127.0.0.1:9"}, exitBadInput, "no token", "--token-file"},
		{append(listening, "--file", token, "--reference-channel", "3"), exitBadInput, "reference channel 3", "--reference-channel"},
		{append(listening, "--file", os.DevNull), exitNotProven, "nothing comes in", "is the recorder running?"},
		{[]string{"rehearse", "--fault", "x"}, exitBadInput, `fault "x"`, "there are "},
		{[]string{"rehearse", "--correct", "1"}, exitBadInput, "--correct goes with --unattended", "you take the correction yourself"},
	} {
		code, _, errs := said(t, c.typed...)
		what, do := strings.Index(errs, c.what), strings.LastIndex(errs, c.do)
		if code != c.code || what < 0 || do < what {
			t.Errorf("%q: exit code %d, want %d and %q, then %q:\n%s", c.typed, code, c.code, c.what, c.do, errs)
		}
		if !strings.HasPrefix(errs[strings.LastIndex("\n"+errs, "\nhushback: "):], "hushback: ") {
			t.Errorf("%q: who speaks?\n%s", c.typed, errs)
		}
	}
}

// A variable that is misspelled keeps every verb from starting, and is named.
func TestMisspelledVariableIsRefused(t *testing.T) {
	t.Setenv("HUSHBACK_LISTNE", "127.0.0.1:1")
	for _, typed := range [][]string{{"solve", exampleSite}, {"presets", "show", "safe"}, {"rehearse", "--unattended"}} {
		if code, out, errs := said(t, typed...); code != exitBadInput || out != "" || !strings.Contains(errs, "HUSHBACK_LISTNE, which is no setting: take it out, or call it HUSHBACK_LISTEN\n") {
			t.Errorf("%q: exit code %d, %q, %s", typed, code, out, errs)
		}
	}
}

// Who reads no further ends a command without a word, and a daemon not at all.
func TestReaderThatGoesAway(t *testing.T) {
	start := func(args ...string) (*exec.Cmd, *bufio.Scanner, *os.File, *strings.Builder) {
		t.Helper()
		read, write, err := os.Pipe()
		must(t, err)
		t.Cleanup(func() { read.Close() })
		command, errs := exec.CommandContext(withPatience(t), os.Args[0], args...), &strings.Builder{}
		command.Env, command.Stdout, command.Stderr = append(os.Environ(), asProgram+"=1"), write, errs
		must(t, command.Start())
		write.Close()
		return command, bufio.NewScanner(read), read, errs
	}
	command, _, read, errs := start("excite", exampleSite)
	read.Close()
	if err := command.Wait(); err == nil || strings.Contains(errs.String(), "hushback:") {
		t.Errorf("ended with %v: %s", err, errs)
	}

	state := stateFolderFor(t)
	command, lines, read, errs := start("serve", exampleSite, "--processor", newRig(t).Processor.Addr(), "--state", state, "--listen", "127.0.0.1:0")
	for lines.Scan() && !strings.HasPrefix(lines.Text(), "ready") {
		continue
	}
	note, _, err := home.Folder{Dir: state}.Find()
	must(t, err)
	read.Close()
	p := &process{t: t, note: note}
	p.press("/safe-preset", nil)
	p.press("/dry-run", nil)
	p.until(func(r desk.Report) bool { return r.Digest != "" })
	must(t, command.Process.Signal(interrupt))
	if err := command.Wait(); err != nil {
		t.Errorf("the daemon ended with %v: %s", err, errs)
	}
}

// What is interrupted half-way is not passed off as whole.
func TestInterruptedIsNotDone(t *testing.T) {
	file := filepath.Join(t.TempDir(), "signal.wav")
	for want, typed := range map[string][]string{
		file + " is not whole: interrupted: write it again": {"excite", exampleSite, "--out", file},
		"interrupted: compare again":                        {"compare", exampleSite, "--layouts", "plain,gradient"},
	} {
		ctx, stop := context.WithCancel(t.Context())
		stop()
		var out, errs strings.Builder
		if code := run(ctx, typed, &out, &errs); code != exitNotProven || out.Len() > 0 || !strings.Contains(errs.String(), want) {
			t.Errorf("%q: exit code %d, %q, %s", typed, code, out.String(), errs.String())
		}
	}
}
