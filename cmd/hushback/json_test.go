package main

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"reflect"
	"strings"
	"testing"

	"hushback/cmd/internal/checkup"
	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/report/folio"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/printout"
	"hushback/control"
	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/engine"
)

// one reads exactly one JSON object, of known keys only.
func one(t *testing.T, text string, into any) {
	t.Helper()
	d := json.NewDecoder(strings.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	if d.More() {
		t.Fatalf("more than one object:\n%s", text)
	}
}

// The dry run for programs says what the one for people says, and sends as little.
func TestDryRunAsJSON(t *testing.T) {
	rig := newRig(t)
	command := []string{"dry-run", exampleSite, "--processor", rig.Processor.Addr()}
	code, out, errs := said(t, append(command, "--json")...)
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d, errors %q", code, errs)
	}
	if rig.Processor.Writes() != 0 || rig.Processor.Queries() == 0 {
		t.Errorf("the processor counted %d writes and %d queries, want none and some", rig.Processor.Writes(), rig.Processor.Queries())
	}
	var told printout.ToldDryRun
	one(t, out, &told)
	_, text, _ := said(t, command...)
	if len(told.Digest) != 64 || told.BackTo != control.ToBefore || told.Job == "" || told.Blind == nil {
		t.Errorf("digest %q, back to %q, job %q, blind %v", told.Digest, told.BackTo, told.Job, told.Blind)
	}
	held := engine.Sheet{Settings: rig.Processor.Settings()}
	if len(told.Outputs) != 4 {
		t.Fatalf("%d outputs, the site has 4", len(told.Outputs))
	}
	for _, o := range told.Outputs {
		if stands, _ := held.Setting(o.Output); o.Before == nil || !nearly(*o.Before, stands) || o.After.Output != o.Output || len(o.Turns) != 4 {
			t.Errorf("output %d: before %v, the processor holds %v; %d turns", o.Output, o.Before, stands, len(o.Turns))
		}
		if !strings.Contains(text, fmt.Sprintf("output %d (%s)", o.Output, o.Label)) {
			t.Errorf("the text does not name output %d (%s)", o.Output, o.Label)
		}
	}
	at := 0 // the text lists the same datagrams, part by part
	parts := map[control.Part]int{}
	for _, d := range told.Datagrams {
		bytes, err := hex.DecodeString(d.Hex)
		if err != nil {
			t.Fatal(err)
		}
		packet, err := osc.Decode(bytes)
		if err != nil || !strings.Contains(fmt.Sprint(packet), strings.Fields(d.Message)[0]) {
			t.Errorf("%s is %v, %v; told as %s", d.Hex, packet, err, d.Message)
		}
		next := strings.Index(text[at:], "  "+d.Hex+"\n")
		if next < 0 {
			t.Fatalf("%s %s is not the next in the text", d.Part, d.Hex)
		}
		at += next + 1
		parts[d.Part]++
	}
	if parts[control.PartSend] == 0 || parts[control.PartMeasure] == 0 || parts[control.PartUndo] == 0 || len(parts) != 3 {
		t.Errorf("datagrams by part: %v", parts)
	}
}

// nearly allows for what 32 bits on the wire do to a number.
func nearly(a, b engine.Setting) bool {
	same := math.Abs(a.DelaySec-b.DelaySec) < 1e-8 && math.Abs(a.GainDB-b.GainDB) < 1e-5
	a.DelaySec, a.GainDB = b.DelaySec, b.GainDB
	return same && a == b
}

// Whichever way it ends, one object says so and the exit code is as without.
func TestRollbackTellsHowItEnded(t *testing.T) {
	for _, c := range []struct {
		name string
		back control.RolledBack
		err  error
		want string
	}{
		{"done", control.RolledBack{To: control.ToSafe}, nil,
			`{"ended":"rolled back","by":"daemon","to":"the safe preset","blind_outputs":[],"outputs_in_doubt":[]}`},
		{"done, partly unseen", control.RolledBack{To: control.ToSafe, Blind: []int{3, 4}}, nil,
			`{"ended":"rolled back","by":"daemon","to":"the safe preset","blind_outputs":[3,4],"outputs_in_doubt":[]}`},
		{"adrift", control.RolledBack{}, fmt.Errorf("processor: %w", desk.InDoubt{Outputs: []int{2}, Reason: "no answer"}),
			`{"ended":"adrift","by":"daemon","to":"","blind_outputs":[],"outputs_in_doubt":[2],"reason":"no answer"}`},
		{"failed", control.RolledBack{}, errors.New("there is no safe preset"),
			`{"ended":"failed","by":"daemon","to":"","blind_outputs":[],"outputs_in_doubt":[],"reason":"there is no safe preset"}`},
		{"not tried", control.RolledBack{}, cli.Bad(errors.New("which site?")), ""},
	} {
		var out bytes.Buffer
		if err := tellRollback(&out, c.back, byDaemon, c.err); fmt.Sprint(err) != fmt.Sprint(c.err) {
			t.Errorf("%s: ends with %v, want %v", c.name, err, c.err)
		}
		if c.want == "" {
			if out.Len() > 0 {
				t.Errorf("%s: told %s", c.name, out.String())
			}
			continue
		}
		var got, want any
		one(t, out.String(), &got)
		one(t, c.want, &want)
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: told %s\nwant %s", c.name, out.String(), c.want)
		}
	}
}

func TestRollbackAsJSON(t *testing.T) {
	state := stateFolderFor(t)
	s := raised(t, func(o *daemon.Options) { o.Home.Dir = state })
	command := func(args ...string) (int, toldRollback) {
		t.Helper()
		code, out, errs := said(t, append([]string{"rollback", "--json", "--state", state}, args...)...)
		var told toldRollback
		one(t, out, &told)
		if (code == exitDone) != (errs == "") {
			t.Errorf("exit code %d, errors %q", code, errs)
		}
		return code, told
	}
	if code, told := command(); code != exitNotProven || told.Ended != "failed" || !strings.Contains(told.Reason, "safe preset") {
		t.Errorf("without a safe preset: exit code %d, %+v", code, told)
	}
	if err := s.daemon.StoreSafe(t.Context()); err != nil {
		t.Fatal(err)
	}
	if code, told := command(); code != exitDone || told.Ended != "rolled back" || told.By != byDaemon || told.To != control.ToSafe {
		t.Errorf("through the daemon: exit code %d, %+v", code, told)
	}
	if err := s.daemon.Stop(); err != nil {
		t.Fatal(err)
	}
	if code, out, errs := said(t, "rollback", "--json", "--state", state); code != exitBadInput || out != "" || !strings.Contains(errs, "hushback rollback SITE") {
		t.Errorf("no daemon and no site: exit code %d, %q, %q", code, out, errs)
	}
	if code, told := command(exampleSite, "--processor", s.rig.Processor.Addr()); code != exitDone || told.By != byCommand || told.To != control.ToSafe {
		t.Errorf("without a daemon: exit code %d, %+v", code, told)
	}
	if code, told := command(exampleSite, "--processor", "127.0.0.1:9"); code != exitNotProven || told.Ended == "rolled back" || told.Reason == "" {
		t.Errorf("with no processor: exit code %d, %+v", code, told)
	}
}

// The table by thirds of an octave says what the JSON says, and marks the bands
// that reach beyond the operating range, 35 to 70 Hz there.
func TestSolveTellsBands(t *testing.T) {
	_, text, _ := said(t, "solve", "tarnholt")
	code, out, errs := said(t, "solve", "tarnholt", "--json")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	var told struct {
		Bands []struct {
			Nominal float64 `json:"nominal_hz"`
			Low     float64 `json:"low_hz"`
			High    float64 `json:"high_hz"`
			Beyond  bool    `json:"beyond_range"`
			Rear    float64 `json:"rear_db"`
			Front   float64 `json:"front_db"`
			Quiet   []struct {
				Name string
				DB   float64
			}
		}
	}
	if err := json.Unmarshal([]byte(out), &told); err != nil {
		t.Fatal(err)
	}
	if zones := between(t, text, "Zones over the range"); !strings.Contains(zones, " dB below the audience on average, ") || !strings.Contains(zones, " dB above it at its loudest place") {
		t.Errorf("of a zone that is louder in places:\n%s", zones)
	}
	lines := strings.Split(between(t, text, "By thirds of an octave"), "\n")
	if len(told.Bands) != 3 || len(lines) != 5 || !strings.Contains(lines[0], told.Bands[0].Quiet[0].Name) || !strings.Contains(lines[4], "beyond") {
		t.Fatalf("%d bands in\n%s", len(told.Bands), strings.Join(lines, "\n"))
	}
	for i, b := range told.Bands {
		mark := map[bool]string{true: " *"}[b.Beyond]
		want := fmt.Sprintf("%g Hz%s %.1f Hz %.1f Hz %.1f dB %.1f dB %.1f dB", b.Nominal, mark, b.Low, b.High, -b.Front, -b.Rear, -b.Quiet[0].DB)
		if got := strings.Join(strings.Fields(lines[i+1]), " "); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
		if b.Beyond != (b.Nominal == 63) {
			t.Errorf("%g Hz: beyond the range: %v", b.Nominal, b.Beyond)
		}
	}
}

// What presets do is told in JSON too, and export and delete are silent without.
func TestPresetsAsJSON(t *testing.T) {
	state, other := t.TempDir(), t.TempDir()
	store, err := preset.Open(home.Folder{Dir: state}.Store())
	must(t, err)
	evening := preset.Preset{Name: "evening", Settings: []engine.Setting{{Output: 1, Polarity: 1}, {Output: 2, Polarity: -1}, {Output: 3, Polarity: 1}, {Output: 4, Polarity: 1}}}
	must(t, store.Put(evening))
	must(t, store.Close())
	command := func(into any, args ...string) {
		t.Helper()
		code, out, errs := said(t, append(args, "--json", "--state", state)...)
		if code != exitDone || errs != "" {
			t.Fatalf("%q: exit code %d, %s", args, code, errs)
		}
		one(t, out, into)
	}
	for _, args := range [][]string{
		{"presets", "export", "evening", other + "/a.json"}, {"presets", "import", other + "/a.json", "--as", "again"}, {"presets", "safe", "evening", exampleSite},
	} {
		var told printout.ToldPreset
		if command(&told, args...); told.ID != evening.ID() || len(told.Settings) != 4 || told.Name == "" {
			t.Errorf("%q: %+v", args, told)
		}
	}
	var gone struct{ Deleted string }
	if command(&gone, "presets", "delete", "again"); gone.Deleted != "again" {
		t.Errorf("delete: %+v", gone)
	}
	if _, out, _ := said(t, "presets", "delete", "evening", "--state", state); out != "" {
		t.Errorf("delete says %q", out)
	}
	must(t, os.WriteFile(home.Folder{Dir: other}.Store(), []byte(strings.Repeat("not a store ", 4000)), 0o600))
	var kept struct {
		As string `json:"kept_as"`
	}
	_, out, _ := said(t, "presets", "set-aside", "--json", "--state", other)
	if one(t, out, &kept); !strings.HasPrefix(kept.As, home.Folder{Dir: other}.Store()+".damaged-") {
		t.Errorf("set aside: %+v", kept)
	}
}

// Programs are told what a signal's file holds, which holds that, and what a listening
// carried of it, which is all of it while a daemon is there and nothing without.
func TestSignalsAsJSON(t *testing.T) {
	file, state := t.TempDir()+"/signal.wav", stateFolderFor(t)
	code, out, errs := said(t, "excite", exampleSite, "--json", "--out", file, "--for", "0.005 min", "--kind", "sweep", "--format", "f32le")
	var written toldSignal
	one(t, out, &written)
	want := toldSignal{File: file, WAV: true, Format: "f32le", Rate: 48000, Channels: 2, Seconds: 0.3, Kind: "sweep", LowHz: 20, HighHz: 120, LevelDB: -20, FadeInSec: 2, Seed: 1}
	if code != exitDone || written != want {
		t.Errorf("exit code %d, %s\n got %+v\nwant %+v", code, errs, written, want)
	}
	if info, err := os.Stat(file); err != nil || info.Size() < 14400*8 || info.Size() > 14400*8+100 {
		t.Errorf("the file: %v, %v", info, err)
	}
	if code, out, errs := said(t, "excite", exampleSite, "--json"); code != exitBadInput || out != "" || !strings.Contains(errs, "--out") {
		t.Errorf("samples and JSON on one output: exit code %d, %q, %s", code, out, errs)
	}

	listen := func(want int) (told toldListening) {
		t.Helper()
		code, out, errs := said(t, "listen", "--microphone", daemon.Moved, "--file", file, "--json", "--state", state)
		one(t, out, &told)
		if code != want || told.Microphone != daemon.Moved || told.Rate != 48000 || told.Frames != 14400 || told.Resumes != 0 {
			t.Errorf("exit code %d, want %d; told %+v; %s", code, want, told, errs)
		}
		return told
	}
	s := raised(t, func(o *daemon.Options) { o.Home.Dir = state })
	if told := listen(exitDone); told.Lost != 0 || told.Trouble != "" {
		t.Errorf("beside a daemon: %+v", told)
	}
	note, _, err := home.Folder{Dir: state}.Find()
	must(t, err)
	must(t, s.daemon.Stop())
	must(t, home.Folder{Dir: state}.Leave(note)) // as one that was killed leaves it
	if told := listen(exitNotProven); told.Lost != 14400 || told.Trouble == "" {
		t.Errorf("without a daemon: %+v", told)
	}
}

// heard ends what is running as soon as it has said something.
type heard struct {
	bytes.Buffer
	enough func()
}

func (h *heard) Write(b []byte) (int, error) {
	defer h.enough()
	return h.Buffer.Write(b)
}

// Where a page is served, programs are told once where, and nothing after it: of a
// rehearsal, and of a site file that needs mending.
func TestPagesAsJSON(t *testing.T) {
	broken := ownSite(t, exampleSite, "temperature: 17.5", "temperature: warm 17.5")
	for _, c := range []struct {
		args []string
		code int
		well func(cli.Welcome) bool
	}{
		{[]string{"rehearse", "--fault", "cold", "--seed", "5"}, exitDone, func(w cli.Welcome) bool {
			return *w.Rehearsal == cli.Staged{Seed: 5, Fault: "fault cold"} && strings.HasPrefix(w.Job, "Ottersedge") && len(w.Broken) == 0 && w.Processor != ""
		}},
		{[]string{"serve", broken, "--listen", "127.0.0.1:0", "--state", stateFolderFor(t)}, exitBadInput, func(w cli.Welcome) bool {
			return w.Rehearsal == nil && len(w.Broken) == 1 && strings.HasPrefix(w.Broken[0], broken+":")
		}},
	} {
		ctx, stop := context.WithCancel(withPatience(t))
		out, errs := &heard{enough: stop}, &bytes.Buffer{}
		code := run(ctx, append(c.args, "--json"), out, errs)
		var told cli.Welcome
		one(t, out.String(), &told)
		if code != c.code || !c.well(told) || told.Link != told.Page+"#k="+told.PairingCode || told.State == "" || told.Certificate != "" {
			t.Errorf("%q: exit code %d, want %d; %+v; %s", c.args, code, c.code, told, errs)
		}
	}
}

// What programs are told stands in DEVELOPERS.md, every key of it.
func TestKeysAreWrittenDown(t *testing.T) {
	text, err := os.ReadFile("../../DEVELOPERS.md")
	must(t, err)
	for verb, told := range map[string]any{
		"`solve`": printout.Told{}, "`compare`": printout.ToldComparison{}, "`report`": folio.Document{}, "`rehearse --unattended`": printout.Rehearsed{},
		"`serve`, `rehearse`": cli.Welcome{}, "`check`": checkup.Report{}, "`dry-run`": printout.ToldDryRun{}, "`rollback`": toldRollback{},
		"`presets`, `show`, `export`, `import`, `safe`": printout.ToldPreset{}, "`excite --out`": toldSignal{}, "`listen`": toldListening{},
	} {
		_, row, found := strings.Cut(string(text), "\n| "+verb+" | ")
		row, _, _ = strings.Cut(row, "\n")
		if !found {
			t.Errorf("there is no row for %s", verb)
		}
		for _, field := range reflect.VisibleFields(reflect.TypeOf(told)) {
			key, _, _ := strings.Cut(field.Tag.Get("json"), ",")
			if key == "" || key != "-" && !strings.Contains(row, "`"+key+"`") {
				t.Errorf("%s: %s is told as %q, which is not written down", verb, field.Name, key)
			}
		}
	}
}
