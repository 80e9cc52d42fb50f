package main

import (
	"bytes"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/desk"
	"hushback/control"
	"hushback/control/osc"
)

// person is somebody with a browser that runs no script: pages and forms.
type person struct {
	t      *testing.T
	set    *set
	client http.Client
}

func pairedPerson(t *testing.T, s *set) *person {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	p := &person{t: t, set: s, client: http.Client{Jar: jar}}
	p.press("/pair", url.Values{"code": {s.daemon.Code()}})
	return p
}

// press submits a form and returns the page that comes back.
func (p *person) press(path string, form url.Values) string {
	p.t.Helper()
	request, err := http.NewRequest(http.MethodPost, p.set.daemon.URL()+path, strings.NewReader(form.Encode()))
	if err != nil {
		p.t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	request.Header.Set("Accept", "text/html")
	request.Header.Set("Origin", p.set.daemon.URL())
	request.Header.Set("Sec-Fetch-Site", "same-origin")
	response, err := p.client.Do(request)
	if err != nil {
		p.t.Fatal(err)
	}
	return p.read(path, response)
}

// look reads every page, one after the other.
func (p *person) look() string {
	p.t.Helper()
	all := ""
	for _, page := range pages.All() {
		response, err := p.client.Get(p.set.daemon.URL() + "/" + page.Name)
		if err != nil {
			p.t.Fatal(err)
		}
		all += p.read(page.Name, response)
	}
	return all
}

func (p *person) read(path string, response *http.Response) string {
	p.t.Helper()
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil || response.StatusCode != http.StatusOK {
		p.t.Fatalf("%s: %s, %v:\n%s", path, response.Status, err, body)
	}
	return string(body)
}

// hidden finds the value of a hidden field that a form on the page carries.
func (p *person) hidden(page, name string) string {
	p.t.Helper()
	found := regexp.MustCompile(`name="` + name + `" value="([^"]+)"`).FindStringSubmatch(page)
	if found == nil {
		p.t.Fatalf("the page has no form with a %s:\n%s", name, page)
	}
	return found[1]
}

func (p *person) sees(page string, wanted ...string) {
	p.t.Helper()
	for _, want := range wanted {
		if !strings.Contains(page, want) {
			p.t.Errorf("the page does not say %q:\n%s", want, page)
		}
	}
}

// confirm walks up to the confirm on the page.
func (p *person) confirm() {
	p.t.Helper()
	p.press("/dry-run", nil)
	page := p.look()
	p.sees(page, "/out/3/delay", "2f6f7574")
	p.press("/confirm", url.Values{"digest": {p.hidden(page, "digest")}})
}

func (p *person) until(wanted func(desk.View) bool) {
	p.t.Helper()
	err := p.set.until(withPatience(p.t), p.t.Logf, wanted)
	if err != nil {
		v := p.set.daemon.View()
		p.t.Fatalf("%v; the state is %#v, the verdict %+v, the notice %q", err, v.State, v.Verdict, v.Notice)
	}
}

func is[S control.State](v desk.View) bool {
	_, ok := v.State.(S)
	return ok
}

func resting[S control.State](v desk.View) bool { return is[S](v) && v.Doing == "" }

// A person walks through the whole loop on the page, keeps the change, starts
// another and goes back to the safe preset while it is being measured.
func TestWholeLoopByHand(t *testing.T) {
	s := raised(t, func(*daemon.Options) {})
	found := s.rig.Processor.Settings()
	p := pairedPerson(t, s)
	if err := s.until(withPatience(t), t.Logf, connected); err != nil {
		t.Fatal(err)
	}
	p.sees(p.look(), "Ottersedge", "centre front", "48.0")
	p.press("/safe-preset", nil)
	p.confirm()
	p.until(is[control.Held])
	page := p.look()
	p.sees(page, "proven", "Keep", "Roll back", "stage door")
	p.press("/keep", url.Values{"change": {p.hidden(page, "change")}})
	p.until(resting[control.Kept])
	kept := s.rig.Processor.Settings()
	if slices.Equal(kept, found) {
		t.Fatal("kept, but the processor holds what it held before")
	}

	p.confirm()
	p.until(is[control.Measuring])
	p.press("/safe", nil)
	p.until(resting[control.RolledBack])
	p.sees(p.look(), "safe preset")
	if now := s.rig.Processor.Settings(); !slices.Equal(now, found) {
		t.Errorf("the processor holds\n%v, want the safe preset\n%v", now, found)
	}
}

// Rolling back from the command line: through the daemon that runs, whatever
// it is doing; and without one.
func TestRollbackFromTheCommandLine(t *testing.T) {
	state := stateFolderFor(t)
	s := raised(t, func(o *daemon.Options) { o.Home.Dir = state; o.KeepProven = true })
	safe := s.rig.Processor.Settings()
	command := func(args ...string) (int, string) {
		var out, errs bytes.Buffer
		code := run(withPatience(t), append([]string{"rollback", "--state", state}, args...), &out, &errs)
		return code, out.String() + errs.String()
	}
	if code, said := command(); code == exitDone || !strings.Contains(said, "safe preset") {
		t.Errorf("without a safe preset: exit code %d, %q", code, said)
	}
	if err := s.daemon.StoreSafe(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := s.walk(withPatience(t), t.Logf); err != nil {
		t.Fatal(err)
	}
	if slices.Equal(s.rig.Processor.Settings(), safe) {
		t.Fatal("the change left the processor as it was")
	}
	code, said := command()
	if code != exitDone || !strings.Contains(said, "safe preset, read back") {
		t.Errorf("exit code %d, %q", code, said)
	}
	holds := func(what string) {
		t.Helper()
		if now := s.rig.Processor.Settings(); !slices.Equal(now, safe) {
			t.Errorf("%s: the processor holds\n%v, want the safe preset\n%v", what, now, safe)
		}
	}
	holds("with a daemon")

	// The same processor outlives the daemon.
	if err := s.daemon.Stop(); err != nil {
		t.Fatal(err)
	}
	if code, said := command(); code != exitBadInput || !strings.Contains(said, "hushback rollback SITE") {
		t.Errorf("no daemon and no site: exit code %d, %q", code, said)
	}
	disturb(t, s.rig.Processor.Addr())
	if slices.Equal(s.rig.Processor.Settings(), safe) {
		t.Fatal("the processor was not disturbed")
	}
	if code, said := command(exampleSite, "--processor", s.rig.Processor.Addr()); code != exitDone || !strings.Contains(said, "read back") {
		t.Errorf("without a daemon: exit code %d, %q", code, said)
	}
	holds("without a daemon")
}

// The dry run from the command line says what it would send and sends nothing.
func TestDryRunFromTheCommandLine(t *testing.T) {
	rig := newRig(t)
	var out, errs bytes.Buffer
	code := run(withPatience(t), []string{"dry-run", exampleSite, "--processor", rig.Processor.Addr()}, &out, &errs)
	if code != exitDone || errs.Len() > 0 {
		t.Fatalf("exit code %d, errors %q", code, errs.String())
	}
	for _, want := range []string{"centre front", "/out/3/delay", ",f", "2f6f75742f332f64656c6179", "→"} {
		if !strings.Contains(strings.ReplaceAll(out.String(), " ", ""), strings.ReplaceAll(want, " ", "")) {
			t.Errorf("the dry run does not say %q:\n%s", want, out.String())
		}
	}
	if rig.Processor.Writes() != 0 || rig.Processor.Queries() == 0 {
		t.Errorf("the processor counted %d writes and %d queries, want none and some", rig.Processor.Writes(), rig.Processor.Queries())
	}

	var none, said bytes.Buffer
	if code := run(withPatience(t), []string{"dry-run", exampleSite, "--processor", "127.0.0.1:9"}, &none, &said); code != exitNotProven || !strings.Contains(said.String(), "127.0.0.1:9") {
		t.Errorf("with no processor: exit code %d, %q", code, said.String())
	}
}

// disturb changes one output behind hushback's back.
func disturb(t *testing.T, address string) {
	t.Helper()
	wire, err := osc.Dial(address, osc.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer wire.Close()
	if err := wire.Send(t.Context(), osc.Message{Address: "/out/2/gain", Args: []any{float32(-20)}}); err != nil {
		t.Fatal(err)
	}
	answer, err := wire.Ask(withPatience(t), osc.Message{Address: "/out/2/gain"}, func(m osc.Message) bool { return m.Address == "/out/2/gain" })
	if err != nil || answer.Args[0] != float32(-20) {
		t.Fatalf("the processor answers %v, %v", answer, err)
	}
}
