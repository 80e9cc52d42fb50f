package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"hushback/cmd/internal/printout"
)

// between is the lines of a text after one that begins with from, up to the
// next empty one.
func between(t *testing.T, text, from string) string {
	t.Helper()
	_, after, found := strings.Cut(text, "\n"+from)
	if !found {
		t.Fatalf("no line begins with %q in\n%s", from, text)
	}
	_, after, _ = strings.Cut(after, "\n")
	section, _, _ := strings.Cut(after, "\n\n")
	return section
}

// ownSite saves a site file of the test's own, made from an example.
func ownSite(t *testing.T, example string, pairs ...string) string {
	t.Helper()
	data, err := os.ReadFile("../../configs/sites/" + example + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("%s has no %q", example, pairs[i])
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	file := filepath.Join(t.TempDir(), "own.yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// solve says what errors do, which of them cost most, and what holds.
func TestSolveTellsErrors(t *testing.T) {
	code, out, err := said(t, "solve", "ottersedge")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, err)
	}
	for section, wants := range map[string][]string{
		"What errors do": {"3 cm and 5 cm", "0.5 dB of levels", "3 °C", "quietest behind at", "rear over front at 48.0 Hz", "short of a full sum in front",
			`match the level of source "rear sub" again: 1 dB there costs`},
		"Errors that cost most":     {"rear sub, level", "null moves"},
		"A measurement must clear":  {"at most -24.0 dB", "within 0.6 Hz of it", "at most 1.5 dB", "the site file"},
		"Zones over the range":      {"meadow"},
		"Stake out, from the mark ": {"rear sub"},
	} {
		text := between(t, out, section)
		for _, want := range wants {
			if !strings.Contains(text, want) {
				t.Errorf("%s does not say %q:\n%s", section, want, text)
			}
		}
	}
	if lines := strings.Count(between(t, out, "Errors that cost most"), "\n"); lines < 1 || lines > 6 { // one for the columns' heads
		t.Errorf("%d errors are listed, want 1 to 6", lines)
	}
	if strings.Contains(between(t, out, "A measurement"), "worked out") {
		t.Error("a limit of ottersedge is said to be worked out")
	}
}

// What has no meaning is left out: the null of a gradient, and limits of what
// has no null.
func TestSolveLeavesOutWhatMeansNothing(t *testing.T) {
	_, out, _ := said(t, "solve", "gorsefen")
	text := between(t, out, "What errors do")
	if strings.Contains(text, "quietest behind at") || !strings.Contains(text, "where the null lies means nothing") {
		t.Errorf("of a gradient:\n%s", text)
	}
	if text := between(t, out, "Errors that cost most"); strings.Contains(text, "null moves") {
		t.Errorf("of a gradient:\n%s", text)
	}
	code, out, err := said(t, "solve", "larkpit", "--layout", "line")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, err)
	}
	if text := between(t, out, "A measurement must clear"); !strings.Contains(text, "no null to be held to") {
		t.Errorf("of a line:\n%s", text)
	}
}

// wholeTold is the part of --json that is about errors.
type wholeTold struct {
	Search *struct{ Complete bool }
	Errors struct {
		NullHz *struct{ Low, Median, High float64 } `json:"null_hz"`
		Advice string
		Limits []struct {
			Name   string
			Value  float64
			Worked bool `json:"worked_out"`
		}
		Costliest []struct{ Kind string }
		NoNull    string `json:"no_null"`
	}
}

func toldJSON(t *testing.T, text string) wholeTold {
	t.Helper()
	var got wholeTold
	if err := json.Unmarshal([]byte(text), &got); err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	return got
}

// Limits that a file leaves open are worked out, and each says where it is from.
func TestSolveSaysWhereLimitsComeFrom(t *testing.T) {
	code, out, err := said(t, "solve", "larkpit", "--json")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, err)
	}
	got := toldJSON(t, out).Errors
	if len(got.Limits) != 3 || got.NoNull != "" || got.NullHz == nil || len(got.Costliest) == 0 || got.Advice == "" {
		t.Fatalf("got %+v", got)
	}
	for i, want := range []struct {
		name   string
		worked bool
	}{{"null_depth_db", true}, {"null_offset_hz", true}, {"sum_shortfall_db", false}} {
		if l := got.Limits[i]; l.Name != want.name || l.Worked != want.worked || !(l.Value > 0) {
			t.Errorf("got %+v, want %+v", l, want)
		}
	}
	// An offset that 95 of 100 rigs clear cannot be less than most of the interval that holds 90.
	if half := (got.NullHz.High - got.NullHz.Low) / 2; got.Limits[1].Value < half || got.Limits[1].Value > 2*half+0.1 {
		t.Errorf("null_offset is %g Hz, half of the interval %g Hz", got.Limits[1].Value, half)
	}
	if got.Limits[2].Value != 3 {
		t.Errorf("the file's own limit became %g dB", got.Limits[2].Value)
	}

	// The same site with everything open, and with its own null depth.
	file := ownSite(t, "larkpit", "limits: {sum_shortfall: 3 dB}\n", "")
	_, out, _ = said(t, "solve", file, "--json")
	open := toldJSON(t, out).Errors.Limits
	if len(open) != 3 || !open[2].Worked || open[0] != got.Limits[0] || open[2].Value >= 3 {
		t.Errorf("everything open: got %+v", open)
	}
	_, out, _ = said(t, "solve", ownSite(t, "larkpit", "limits: {sum_shortfall: 3 dB}", "limits: {null_depth: 11 dB}"), "--json")
	if some := toldJSON(t, out).Errors.Limits; len(some) != 3 || some[0].Worked || some[0].Value != 11 || some[1] != got.Limits[1] {
		t.Errorf("own null depth: got %+v", some)
	}
}

// Nobody can be held to a null that is not there: what acts on a verdict says so
// before anything is sent, and a limit of one's own is still a limit.
func TestNothingIsSentWithoutALimit(t *testing.T) {
	file := ownSite(t, "larkpit", "layout: null arc", "layout: line")
	code, _, err := said(t, "dry-run", file, "--processor", "127.0.0.1:9")
	if code != exitNotProven || !strings.Contains(err, "limits.null_depth: ") || !strings.Contains(err, "no null to be held to") {
		t.Errorf("exit code %d: %s", code, err)
	}
	code, out, _ := said(t, "solve", ownSite(t, "larkpit", "layout: null arc", "layout: line", "limits: {", "limits: {null_depth: 20 dB, "))
	if text := between(t, out, "A measurement must clear"); code != exitDone || !strings.Contains(text, "at most -20.0 dB") {
		t.Errorf("exit code %d:\n%s", code, text)
	}
}

// A limit that is worked out is one that a healthy rig clears, from end to end.
func TestRehearseHoldsToWorkedOutLimits(t *testing.T) {
	code, out, err := said(t, "rehearse", "larkpit", "--unattended")
	if code != exitDone {
		t.Fatalf("exit code %d: %s\n%s", code, err, out)
	}
	for _, want := range []string{"at least 26.0 dB below are wanted", "wanted within 0.40 Hz of 45.0 Hz", "at most 3.00 dB are wanted"} {
		if !strings.Contains(out, want) {
			t.Errorf("the verdict does not say %q:\n%s", want, out)
		}
	}
}

// --robust asks for what the file's own `robust: true` asks for.
func TestRobustIsTheAimsOwn(t *testing.T) {
	small := []string{"evenness: 12 dB   # ", "# ", "period: 0.5 s, band: [20 Hz, 120 Hz]", "period: 0.2 s, band: [20 Hz, 120 Hz]"}
	plain := ownSite(t, "brindlequay", small...)
	written := ownSite(t, "brindlequay", append(small, "robust: false", "robust: true")...)
	sheet := func(args ...string) []printout.Row {
		code, out, err := said(t, append([]string{"solve", "--json"}, args...)...)
		if code != exitDone {
			t.Fatalf("exit code %d: %s", code, err)
		}
		var told printout.Told
		if err := json.Unmarshal([]byte(out), &told); err != nil {
			t.Fatal(err)
		}
		return told.Sheet
	}
	perfect, asked, aim := sheet(plain), sheet(plain, "--robust"), sheet(written)
	var apart float64
	for i := range aim {
		if asked[i] != aim[i] {
			t.Errorf("output %d: --robust gives %+v, the file's own %+v", aim[i].Output, asked[i], aim[i])
		}
		apart += math.Abs(aim[i].DelayMS-perfect[i].DelayMS) + math.Abs(aim[i].GainDB-perfect[i].GainDB)
	}
	if apart == 0 {
		t.Error("--robust changes nothing, so this shows nothing")
	}

	code, _, err := said(t, "solve", "ottersedge", "--robust")
	if code != exitBadInput || !strings.Contains(err, "--robust: site ottersedge has no aim") {
		t.Errorf("exit code %d: %s", code, err)
	}
}

// long is a site whose search takes many seconds.
func long(t *testing.T) string {
	t.Helper()
	var outputs, sources strings.Builder
	for i := range 20 {
		row := "front"
		if i%4 == 0 {
			row = "rear"
		}
		fmt.Fprintf(&outputs, "  - {number: %d, label: no. %d, max_gain: 0 dB}\n", i+1, i+1)
		fmt.Fprintf(&sources, "  - {name: no. %d, row: %s, at: [%d cm, %d cm, 40 cm], output: %d}\n", i+1, row, 190*(i%4), 130*(i/4)-260, i+1)
	}
	file := filepath.Join(t.TempDir(), "long.yaml")
	text := `job: Test yard (invented)
air: {temperature: 16 °C, humidity: 70 %, pressure: 1015 hPa}
target: {null: 42 Hz, range: [30 Hz, 60 Hz]}
limits: {null_depth: 6 dB, null_offset: 20 Hz, sum_shortfall: 20 dB}
aim: {headroom: 5 dB}
test_signal: {period: 1 s, band: [20 Hz, 120 Hz]}
processor: {profile: bundled-sixty-four, address: 192.0.2.13:8700}
outputs:
` + outputs.String() + "sources:\n" + sources.String() + `microphones:
  - {name: ahead, role: front, at: [40 m, 0 m, 1.2 m]}
  - {name: behind, role: rear, at: [-25 m, 0 m, 1.2 m]}
zones:
  - {name: meadow, kind: audience, height: 1.6 m, corners: [[12 m, -9 m], [40 m, -20 m], [40 m, 20 m]]}
  - {name: cottages, kind: quiet, height: 1.5 m, corners: [[-65 m, -24 m], [-40 m, -24 m], [-40 m, 24 m]]}
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// An interrupt from the keyboard ends a search with the best so far, which says
// that it is only that: in words, in JSON and by the exit code. Until then the
// terminal shows how far the search is.
func TestInterruptedSearchTellsTheBestSoFar(t *testing.T) {
	file := long(t)
	for _, more := range [][]string{nil, {"--json"}} {
		var out bytes.Buffer
		command := exec.CommandContext(withPatience(t), os.Args[0], append([]string{"solve", file}, more...)...)
		command.Env = append(os.Environ(), asProgram+"=1")
		command.Stdout = &out
		interrupted := false
		shown := onTerminal(t, command, func(shown string) {
			if !interrupted && strings.HasSuffix(shown, "searching for the aim") {
				interrupted = true
				if err := command.Process.Signal(os.Interrupt); err != nil {
					t.Error(err)
				}
			}
		})
		if code := command.ProcessState.ExitCode(); code != exitNotProven {
			t.Fatalf("exit code %d, want %d:\n%s", code, exitNotProven, shown)
		}
		if !strings.Contains(shown, "searching for the aim") || !strings.Contains(shown, "trying rigs") {
			t.Errorf("the terminal does not show how far it is: %q", shown)
		}
		if lines := strings.Split(strings.TrimSpace(shown), "\n"); !strings.Contains(lines[len(lines)-1], "the best so far") {
			t.Errorf("the last line is %q", lines[len(lines)-1])
		}
		if more == nil {
			for _, want := range []string{"Search for the aim, interrupted: the best so far", "output 20", "A measurement must clear"} {
				if !strings.Contains(out.String(), want) {
					t.Errorf("does not say %q:\n%s", want, out.String())
				}
			}
			continue
		}
		if got := toldJSON(t, out.String()); got.Search == nil || got.Search.Complete {
			t.Errorf("the search is said to be complete: %+v", got.Search)
		}
	}
}

// A search that nobody interrupts says that it is complete, and where no terminal
// is, nothing of how far it is.
func TestWholeSearchIsComplete(t *testing.T) {
	code, out, err := said(t, "solve", "brindlequay", "--json")
	if code != exitDone || err != "" {
		t.Fatalf("exit code %d: %s", code, err)
	}
	if got := toldJSON(t, out); got.Search == nil || !got.Search.Complete {
		t.Errorf("got %+v", got.Search)
	}
}

// A limit that is still open is none to warn of: it comes from what is warned of.
func TestOpenLimitsWarnOfNothing(t *testing.T) {
	open := ownSite(t, "larkpit", "limits: {sum_shortfall: 3 dB}", "limits: {}")
	code, out, err := said(t, "compare", open)
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, err)
	}
	strict := ownSite(t, "larkpit", "limits: {sum_shortfall: 3 dB}", "limits: {null_offset: 0.01 Hz, sum_shortfall: 0.01 dB}")
	_, warned, _ := said(t, "compare", strict)
	for _, warning := range []string{"It is quietest behind at", "are missing from a full sum"} {
		if strings.Contains(out, warning) {
			t.Errorf("an open limit is warned of with %q", warning)
		}
		if !strings.Contains(warned, warning) {
			t.Errorf("a limit that is missed is not warned of with %q", warning)
		}
	}
}
