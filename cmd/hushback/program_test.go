package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/rehearsal"
	"hushback/configs"
	"hushback/engine"
)

// asProgram makes a run of the test binary be the program itself, so that
// tests can kill a real process.
const asProgram = "HUSHTEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	if file := os.Getenv(asRecorder); file != "" {
		os.Exit(record(file))
	}
	os.Exit(m.Run())
}

// patience bounds every wait of these tests; it decides nothing.
const patience = time.Minute

func withPatience(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	return ctx
}

func example(t *testing.T) engine.Site {
	t.Helper()
	site, err := configs.OpenSite(exampleSite)
	if err != nil {
		t.Fatal(err)
	}
	return site
}

// listeningRig is a rig whose microphones follow one daemon after another.
func newRig(t *testing.T) *rehearsal.Rig {
	t.Helper()
	rig, err := rehearsal.Start(context.Background(), rehearsal.Options{Site: example(t), Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(rig.Close)
	return rig
}

// process is a daemon in a process of its own.
type process struct {
	t       *testing.T
	command *exec.Cmd
	said    *bytes.Buffer // standard error
	note    home.Note
	notice  string
	code    string // to pair with
	ended   chan error
}

// serve starts a daemon process on a rig and waits until it says where it is.
func serve(t *testing.T, rig *rehearsal.Rig, state string) *process {
	t.Helper()
	return serveAt(t, rig.Processor.Addr(), state)
}

// serveAt starts one on any processor; more are further flags.
func serveAt(t *testing.T, processor, state string, more ...string) *process {
	t.Helper()
	return serveSite(t, exampleSite, state, append([]string{"--processor", processor}, more...)...)
}

func serveSite(t *testing.T, site, state string, more ...string) *process {
	t.Helper()
	return serveProgram(t, os.Args[0], site, state, more...)
}

// serveProgram has a program of one's choice be the daemon.
func serveProgram(t *testing.T, program, site, state string, more ...string) *process {
	t.Helper()
	p := &process{t: t, said: &bytes.Buffer{}, ended: make(chan error, 1)}
	p.command = exec.Command(program, append([]string{"serve", site, "--state", state, "--listen", "127.0.0.1:0"}, more...)...)
	p.command.Env = append(os.Environ(), asProgram+"=1")
	p.command.Stderr = p.said
	out, err := p.command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.command.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() && !strings.HasPrefix(lines.Text(), "ready") {
		if notice, found := strings.CutPrefix(lines.Text(), "notice"); found {
			p.notice = strings.TrimSpace(notice)
		}
		if code, found := strings.CutPrefix(lines.Text(), "pairing code"); found {
			p.code = strings.TrimSpace(code)
		}
	}
	go func() {
		io.Copy(io.Discard, out)
		p.ended <- p.command.Wait()
	}()
	t.Cleanup(func() { p.command.Process.Kill(); <-p.ended })
	note, found, err := home.Folder{Dir: state}.Find()
	if err != nil || !found {
		t.Fatalf("the daemon left no note (%v); it said:\n%s", err, p.said)
	}
	p.note = note
	return p
}

// listen connects the rig's microphones until the test ends.
func (p *process) listen(rig *rehearsal.Rig) {
	ctx, cancel := context.WithCancel(context.Background())
	heard := make(chan error, 1)
	go func() {
		heard <- rig.Listen(ctx, "ws"+strings.TrimPrefix(p.note.URL, "http")+daemon.FeedPath, p.note.Token)
	}()
	p.t.Cleanup(func() { cancel(); <-heard })
	p.until(func(r desk.Report) bool {
		return len(r.Feeds) == 2 && r.Feeds[0].Connected && r.Feeds[1].Connected
	})
}

// ask makes one request as a program on this machine.
func (p *process) ask(method, path string, form url.Values) (int, string) {
	p.t.Helper()
	request, err := http.NewRequest(method, p.note.URL+path, strings.NewReader(form.Encode()))
	if err != nil {
		p.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+p.note.Token)
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return p.read(http.DefaultClient.Do(request))
}

// read is an answer, whole.
func (p *process) read(response *http.Response, err error) (int, string) {
	p.t.Helper()
	if err != nil {
		p.t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return response.StatusCode, string(body)
}

// press is a wish that must be taken.
func (p *process) press(path string, form url.Values) {
	p.t.Helper()
	if code, body := p.ask(http.MethodPost, path, form); code >= http.StatusBadRequest {
		p.t.Fatalf("%s was refused with %d: %s", path, code, body)
	}
}

func (p *process) state() desk.Report {
	p.t.Helper()
	code, body := p.ask(http.MethodGet, "/state.json", nil)
	var r desk.Report
	if err := json.Unmarshal([]byte(body), &r); err != nil || code != http.StatusOK {
		p.t.Fatalf("state: %d %v: %s", code, err, body)
	}
	return r
}

// until asks until the state is as wanted.
func (p *process) until(wanted func(desk.Report) bool) desk.Report {
	p.t.Helper()
	deadline := time.After(patience)
	for {
		r := p.state()
		if wanted(r) {
			return r
		}
		select {
		case <-deadline:
			p.t.Fatalf("waited %v in vain; the state is %+v", patience, r)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// confirm takes the steps up to the confirm.
func (p *process) confirm() {
	p.t.Helper()
	p.press("/safe-preset", nil)
	p.press("/dry-run", nil)
	p.press("/confirm", url.Values{"digest": {p.state().Digest}})
}

func stateFolderFor(t *testing.T) string {
	t.Helper()
	return filepath.Join(t.TempDir(), "state")
}
