package checkup

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/emulated"
	"hushback/cmd/internal/home"
	"hushback/configs"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// job is a site with one emulated processor of a kind, and the profile of it.
func job(t *testing.T, kind string) (Rig, *emulated.Processor) {
	t.Helper()
	profile, err := configs.OpenProfile(kind)
	if err != nil {
		t.Fatal(err)
	}
	device, err := emulated.Start(context.Background(), emulated.Options{Kind: kind})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(device.Close)
	if profile.ReplyPort != 0 {
		profile.ReplyPort = freePort(t)
	}
	rig := Rig{Profiles: []processor.Profile{profile}, Home: home.Folder{Dir: t.TempDir()}, Listen: "127.0.0.1:0"}
	rig.Site = engine.Site{Job: "invented", Wiring: engine.Wiring{Profile: kind, Address: device.Addr()}, Microphones: []engine.Microphone{{Name: "front"}, {Name: "stage door"}}}
	for n := 1; n <= min(4, profile.Outputs); n++ {
		rig.Site.Outputs = append(rig.Site.Outputs, engine.Output{Number: n, Label: fmt.Sprintf("out %d", n)})
		device.Label(n, fmt.Sprintf("out %d", n))
	}
	return rig, device
}

func freePort(t *testing.T) int {
	t.Helper()
	socket, err := net.ListenUDP("udp", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	return socket.LocalAddr().(*net.UDPAddr).Port
}

// bare leaves words without colour.
func bare(word string) string { return word }

// says finds the finding of a level that holds some words; every one that is not
// well must say what to do.
func says(t *testing.T, r Report, level Level, words string) {
	t.Helper()
	found := false
	for _, f := range r.Findings {
		found = found || f.Level == level && strings.Contains(f.About+": "+f.Says, words)
		if (f.Do == "") != (f.Level == Well) {
			t.Errorf("%s: %q says to do %q", f.Level, f.Says, f.Do)
		}
		if f.Level == Trouble && r.Well {
			t.Errorf("all is well beside the trouble %q", f.Says)
		}
	}
	if !found {
		var b bytes.Buffer
		Print(&b, r, bare)
		t.Errorf("no %s with %q in:\n%s", level, words, b.String())
	}
}

// Every kind of processor is reached and asked for everything, and none of it is
// written: it holds afterwards what it held before.
func TestEveryKindIsAskedAndNothingIsWritten(t *testing.T) {
	paths, err := filepath.Glob("../../../configs/profiles/*.yaml")
	if err != nil || len(paths) < 7 {
		t.Fatalf("profiles %v, %v", paths, err)
	}
	for _, path := range paths {
		kind := strings.TrimSuffix(filepath.Base(path), ".yaml")
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			rig, device := job(t, kind)
			before := device.Settings()
			put, of := 0, 0
			rig.Asked = func(done, all int) { put, of = done, all }
			r := Work(t.Context(), rig)
			if put != of || (of == 0) != (kind == "blind-four") {
				t.Errorf("the last that was told is %d questions of %d", put, of)
			}
			if device.Writes() != 0 || device.Bad() != 0 || !slices.Equal(before, device.Settings()) {
				t.Errorf("%d writes, %d messages not understood; held %v, holds %v", device.Writes(), device.Bad(), before, device.Settings())
			}
			p := r.Processors[0]
			if !r.Well {
				t.Errorf("not well: %+v", r.Findings)
			}
			if rig.Profiles[0].Blind {
				says(t, r, Note, "cannot be read back")
				if p.Asked != 0 || p.MedianMS != nil {
					t.Errorf("a processor that cannot be asked was: %+v", p)
				}
				return
			}
			values := len(rig.Site.Outputs) * len(rig.Profiles[0].Params())
			if p.Answered < rounds*values || p.Answered != p.Asked || p.Lost != 0 || device.Queries() < p.Answered {
				t.Errorf("%d values: %+v; the processor counted %d queries", values, p, device.Queries())
			}
			if p.MedianMS == nil || *p.MedianMS <= 0 || *p.WorstMS < *p.MedianMS {
				t.Errorf("round trips %v, %v", p.MedianMS, p.WorstMS)
			}
			says(t, r, Well, "round trip")
		})
	}
}

func TestProcessorsThatAreNotWell(t *testing.T) {
	for _, c := range []struct {
		name, kind string
		spoil      func(*testing.T, *Rig, *emulated.Processor)
		want       string
	}{
		{"gone", "plain-eight", func(_ *testing.T, _ *Rig, d *emulated.Processor) { d.Close() }, "does not answer"},
		{"gone, over a stream", "lettered-six", func(_ *testing.T, _ *Rig, d *emulated.Processor) { d.Close() }, "does not answer"},
		{"no such name", "plain-eight", func(_ *testing.T, r *Rig, _ *emulated.Processor) {
			r.Site.Wiring.Address = "processor.invalid:8700" // RFC 2606: never a name
		}, "processor.invalid"},
		{"no address", "plain-eight", func(_ *testing.T, r *Rig, _ *emulated.Processor) { r.Site.Wiring.Address = "127.0.0.1" }, "127.0.0.1"},
		{"another type", "plain-eight", func(_ *testing.T, r *Rig, _ *emulated.Processor) {
			r.Profiles[0].Parameters[processor.Gain].Code.Type = processor.Int32
		}, "output 2 (out 2): gain: reply"},
		{"another question", "plain-eight", func(_ *testing.T, r *Rig, _ *emulated.Processor) {
			q := &r.Profiles[0].Parameters[processor.Delay].Query
			q.Address = strings.Replace(q.Address, "{output}", "9{output}", 1)
			r.Profiles[0].Tries, r.Profiles[0].Timeout = 1, 20*time.Millisecond
		}, "does not answer"},
		{"fewer channels", "plain-eight", func(_ *testing.T, r *Rig, _ *emulated.Processor) {
			r.Site.Outputs[3].Channel, r.Profiles[0].Outputs = 12, 12
			r.Profiles[0].Tries, r.Profiles[0].Timeout = 1, 20*time.Millisecond
		}, "output 4 (out 4): no answer for delay, polarity, gain, mute"},
		{"wired otherwise", "lettered-six", func(_ *testing.T, _ *Rig, d *emulated.Processor) { d.Label(2, "out 3") }, `calls it "out 3"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			rig, device := job(t, c.kind)
			c.spoil(t, &rig, device)
			says(t, Work(t.Context(), rig), Trouble, c.want)
			if device.Writes() != 0 {
				t.Errorf("%d writes", device.Writes())
			}
		})
	}
}

func TestALabelThatNobodyWroteIsNoTrouble(t *testing.T) {
	rig, device := job(t, "lettered-six")
	device.Label(1, "  ")
	r := Work(t.Context(), rig)
	says(t, r, Note, "nobody wrote a label")
	if !r.Well {
		t.Error("a label that nobody wrote is a trouble")
	}
}

// The losses of a bad network are counted and taken for what they are: nothing
// that was only lost is called silent.
func TestLossesAreCounted(t *testing.T) {
	rig, device := job(t, "plain-eight")
	network, err := emulated.NewNetwork(device.Addr(), 7)
	if err != nil {
		t.Fatal(err)
	}
	defer network.Close()
	network.Set(emulated.Faults{Lose: 0.1})
	rig.Site.Wiring.Address = network.Addr()
	rig.Profiles[0].Timeout, rig.Profiles[0].Tries = 40*time.Millisecond, 12
	r := Work(t.Context(), rig)
	p := r.Processors[0]
	if p.Lost == 0 || p.Asked-p.Answered != p.Lost || p.Answered < 48 {
		t.Errorf("of %d questions %d answered, %d lost", p.Asked, p.Answered, p.Lost)
	}
	says(t, r, Trouble, "were lost")
	for _, f := range r.Findings {
		if strings.Contains(f.Says, "no answer for") {
			t.Errorf("a loss was taken for %q", f.Says)
		}
	}
	if device.Writes() != 0 {
		t.Errorf("%d writes", device.Writes())
	}
}

func TestAPortThatItAnswersToIsTaken(t *testing.T) {
	rig, _ := job(t, "plain-eight")
	other, err := net.ListenUDP("udp", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	rig.Profiles[0].ReplyPort = other.LocalAddr().(*net.UDPAddr).Port
	says(t, Work(t.Context(), rig), Trouble, "another program has")
}

func TestCheckEndsWithItsContext(t *testing.T) {
	rig, _ := job(t, "plain-eight")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if r := Work(ctx, rig); r.Well {
		t.Error("a test that was ended says that all is well")
	}
}

// daemonWith leaves a note of a daemon that answers with a report.
func daemonWith(t *testing.T, rig Rig, report desk.Report) {
	t.Helper()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/state.json" || r.Method != http.MethodGet || r.Header.Get("Authorization") != "Bearer secret" {
			t.Errorf("the daemon was asked %s %s", r.Method, r.URL)
		}
		json.NewEncoder(w).Encode(report)
	}))
	t.Cleanup(server.Close)
	if err := rig.Home.Leave(home.Note{URL: server.URL, Token: "secret"}); err != nil {
		t.Fatal(err)
	}
}

func TestMicrophonesOfARunningDaemon(t *testing.T) {
	number := func(v float64) *float64 { return &v }
	rig, _ := job(t, "plain-eight")
	good := desk.Hearing{Microphone: "front", Connected: true, LevelDB: number(-31), Coherence: number(0.99)}
	for _, c := range []struct {
		name  string
		heard desk.Hearing
		level Level
		want  string
	}{
		{"fine", desk.Hearing{Microphone: "stage door", Connected: true, LevelDB: number(-40), Coherence: number(0.97)}, Well, "stage door: is connected, -40.0 dB re full scale, coherence 0.97"},
		{"functions", desk.Hearing{Microphone: "stage door", Connected: true}, Well, "stage door: is connected"},
		{"away", desk.Hearing{Microphone: "stage door"}, Trouble, "stage door: is not connected"},
		{"clipped", desk.Hearing{Microphone: "stage door", Connected: true, LevelDB: number(-1), Clipped: true}, Trouble, "clips"},
		{"deaf", desk.Hearing{Microphone: "stage door", Connected: true, LevelDB: number(-96)}, Trouble, "hardly hears"},
		{"noisy", desk.Hearing{Microphone: "stage door", Connected: true, LevelDB: number(-30), Coherence: number(0.4)}, Note, "more than the test signal"},
		{"in trouble", desk.Hearing{Microphone: "stage door", Connected: true, Trouble: "its clock runs away"}, Trouble, "its clock runs away"},
		{"unknown", desk.Hearing{Microphone: "elsewhere", Connected: true}, Trouble, "does not know it"},
	} {
		t.Run(c.name, func(t *testing.T) {
			daemonWith(t, rig, desk.Report{Job: "invented", Processor: home.Identity(rig.Site, rig.Profiles), Feeds: []desk.Hearing{good, c.heard}})
			r := Work(t.Context(), rig)
			says(t, r, c.level, c.want)
			says(t, r, Well, "daemon: runs at")
			if r.Well != (c.level != Trouble) {
				t.Errorf("well %v", r.Well)
			}
		})
	}
	daemonWith(t, rig, desk.Report{Processor: "plain-eight at 192.0.2.7:1"})
	says(t, Work(t.Context(), rig), Trouble, "192.0.2.7")
	daemonWith(t, rig, desk.Report{Processor: home.Identity(rig.Site, rig.Profiles), Feeds: []desk.Hearing{good, good}, Elsewhere: []desk.Change{{}}})
	says(t, Work(t.Context(), rig), Note, "somebody else")
}

func TestADaemonThatWasKilled(t *testing.T) {
	rig, _ := job(t, "plain-eight")
	server := httptest.NewServer(http.NotFoundHandler())
	server.Close()
	if err := rig.Home.Leave(home.Note{URL: server.URL}); err != nil {
		t.Fatal(err)
	}
	r := Work(t.Context(), rig)
	says(t, r, Trouble, "it was killed")
	says(t, r, Well, "is free")
	if err := os.WriteFile(filepath.Join(rig.Home.Dir, "daemon.json"), []byte("{half"), 0o600); err != nil {
		t.Fatal(err)
	}
	says(t, Work(t.Context(), rig), Trouble, "note of the running daemon")
}

func TestStateFolders(t *testing.T) {
	rig, _ := job(t, "plain-eight")
	says(t, Work(t.Context(), rig), Well, "nothing is stored in it yet")
	deep := rig
	deep.Home.Dir = filepath.Join(rig.Home.Dir, "a", "b")
	says(t, Work(t.Context(), deep), Well, "can be made")
	if files, err := os.ReadDir(rig.Home.Dir); err != nil || len(files) != 0 {
		t.Errorf("the check left %v, %v", files, err)
	}
	file := filepath.Join(rig.Home.Dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	blocked := rig
	blocked.Home.Dir = file
	says(t, Work(t.Context(), blocked), Trouble, "not a directory")
	says(t, Report{Findings: blocked.folder()}, Trouble, "state folder")

	store, err := preset.Open(rig.Home.Store())
	if err != nil {
		t.Fatal(err)
	}
	says(t, Work(t.Context(), rig), Trouble, "in use")
	for _, step := range []struct {
		do    func() error
		level Level
		want  string
	}{
		{func() error { return store.Belong(home.Identity(rig.Site, rig.Profiles)) }, Note, "no safe preset"},
		{func() error {
			return store.Put(preset.Preset{Name: preset.Safe, Taken: time.Now(), Settings: []engine.Setting{{Output: 1, Polarity: 1}}})
		}, Well, "has a safe preset"},
		{func() error { rig.Site.Wiring.Address = "127.0.0.1:9"; return nil }, Trouble, "not of plain-eight at 127.0.0.1:9"},
	} {
		if err := step.do(); err != nil {
			t.Fatal(err)
		}
		if err := store.Close(); err != nil {
			t.Fatal(err)
		}
		says(t, Report{Findings: rig.folder()}, step.level, step.want)
		if store, err = preset.Open(rig.Home.Store()); err != nil {
			t.Fatal(err)
		}
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(rig.Home.Store(), []byte("not a store"), 0o600); err != nil {
		t.Fatal(err)
	}
	says(t, Report{Findings: rig.folder()}, Trouble, "damaged")
}

func TestThePagesPort(t *testing.T) {
	rig, _ := job(t, "plain-eight")
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	rig.Listen = taken.Addr().String()
	says(t, Report{Findings: rig.port()}, Trouble, "another program has this port")
	rig.Listen = "192.0.2.9:8470" // RFC 5737: nobody's
	says(t, Report{Findings: rig.port()}, Trouble, "192.0.2.9")
}

func TestPrintEndsWithTheCount(t *testing.T) {
	for n, want := range []string{"all well;", "1 trouble;", "2 troubles;"} {
		var r Report
		for range n {
			r.Findings = append(r.Findings, Finding{About: "x", Level: Trouble, Says: "y", Do: "z"})
		}
		var b bytes.Buffer
		if err := Print(&b, r, bare); err != nil || !strings.Contains(b.String(), want) || strings.Count(b.String(), "do:") != n {
			t.Errorf("%d: %v\n%s", n, err, b.String())
		}
	}
}
