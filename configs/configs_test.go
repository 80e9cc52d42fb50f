package configs

import (
	"errors"
	"io/fs"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/configs/document"
	"hushback/control/processor"
	"hushback/engine"
)

func TestEveryShippedFileLoads(t *testing.T) {
	if got := SiteNames(); !slices.Equal(got, []string{"brindlequay", "cinderbarn", "gorsefen", "larkpit", "marlfold", "ottersedge", "sorrelgate", "tarnholt"}) {
		t.Errorf("sites %v", got)
	}
	if got := ProfileNames(); !slices.Equal(got, []string{"blind-four", "bundled-sixty-four", "counting-twelve", "lettered-six", "muteless-four", "one-address-sixteen", "plain-eight"}) {
		t.Errorf("profiles %v", got)
	}
	for _, name := range ProfileNames() {
		p, err := OpenProfile(name)
		if err != nil {
			t.Errorf("profile %s:\n%v", name, err)
		}
		if p.Name != name {
			t.Errorf("profile %s calls itself %s", name, p.Name)
		}
	}
	for _, name := range SiteNames() {
		site, err := OpenSite(name)
		if err != nil {
			t.Errorf("site %s:\n%v", name, err)
			continue
		}
		if !strings.Contains(site.Job, "invented") {
			t.Errorf("site %s does not say that its job is invented: %q", name, site.Job)
		}
		p, err := OpenProfile(site.Wiring.Profile)
		if err != nil {
			t.Fatalf("site %s: its profile:\n%v", name, err)
		}
		if err := Fit(name, p); err != nil {
			t.Errorf("site %s on %s:\n%v", name, p.Name, err)
		}
	}
}

// TestExampleMapping holds the example to the message that its comments show.
func TestExampleMapping(t *testing.T) {
	if got := MappingNames(); !slices.Equal(got, []string{"invented-analyser"}) {
		t.Errorf("mappings %v", got)
	}
	m, err := OpenMapping("invented-analyser")
	if err != nil {
		t.Fatal(err)
	}
	const shown = `{"trace": {"hz": [20, 22, 24], "db": [-31.2, -30.8, -30.1], "deg": [12.0, 14.1, 15.9], "coherence": [0.98, 0.99, 0.99]}, "settings": {"averages": 8}}`
	f, ok, err := m.Read([]byte(shown))
	if err != nil || !ok || m.Microphone != "stage door" || m.AveragingSec != 4 {
		t.Fatalf("%+v: %v, %v", m, ok, err)
	}
	if got := 180 / math.Pi * cmplx.Phase(f.H[2]); f.FreqHz[1] != 22 || math.Abs(got-15.9) > 1e-9 || math.Abs(20*math.Log10(cmplx.Abs(f.H[0]))+31.2) > 1e-9 || f.Averages != 8 {
		t.Errorf("read %+v", f)
	}
}

// TestExampleSite holds the example to the job it was invented as: wanted
// numbers are typed in from its description, in SI.
func TestExampleSite(t *testing.T) {
	site, err := OpenSite("ottersedge")
	if err != nil {
		t.Fatal(err)
	}
	want := engine.Site{
		Job:        "Ottersedge meadow, evening stage (invented)",
		Air:        engine.Air{TemperatureC: 17.5, Humidity: 0.62, PressurePa: 100900},
		Target:     engine.Target{NullHz: 48, Range: engine.Band{LowHz: 32, HighHz: 68}},
		Limits:     engine.Limits{NullDepthDB: 24, NullOffsetHz: 0.6, SumShortfallDB: 1.5},
		Tolerance:  engine.Tolerance{PositionM: 0.03, MicrophoneM: 0.05, LevelDB: 0.5, TemperatureC: 3}, // what goes without saying
		TestSignal: engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Wiring:     engine.Wiring{Profile: "plain-eight", Address: "192.0.2.10:8700"},
		Outputs:    []engine.Output{{Number: 1, Label: "rear"}, {Number: 2, Label: "left front"}, {Number: 3, Label: "centre front"}, {Number: 4, Label: "right front"}},
		Sources: []engine.Source{
			{Name: "rear sub", Row: engine.RowRear, At: engine.Point{Z: 0.3}, Output: 1},
			{Name: "left front sub", Row: engine.RowFront, At: engine.Point{X: 1.6, Y: 1.75, Z: 0.3}, Output: 2},
			{Name: "centre front sub", Row: engine.RowFront, At: engine.Point{X: 2.05, Z: 0.3}, Output: 3},
			{Name: "right front sub", Row: engine.RowFront, At: engine.Point{X: 1.6, Y: -1.75, Z: 0.3}, Output: 4},
		},
		Microphones: []engine.Microphone{
			{Name: "mixing position", Role: engine.RoleFront, At: engine.Point{X: 24, Z: 1.2}},
			{Name: "stage door", Role: engine.RoleRear, At: engine.Point{X: -12, Z: 1.2}},
		},
		Zones: []engine.Zone{
			{Name: "meadow", Kind: engine.ZoneAudience, Corners: []engine.Point{{X: 8, Y: -9, Z: 1.6}, {X: 40, Y: -20, Z: 1.6}, {X: 40, Y: 20, Z: 1.6}, {X: 8, Y: 9, Z: 1.6}}},
			{Name: "mill cottages", Kind: engine.ZoneQuiet, Corners: []engine.Point{{X: -45, Y: -14, Z: 1.5}, {X: -30, Y: -14, Z: 1.5}, {X: -30, Y: 14, Z: 1.5}, {X: -45, Y: 14, Z: 1.5}}},
		},
	}
	if !reflect.DeepEqual(site, want) {
		t.Errorf("got\n%+v\nwant\n%+v", site, want)
	}
}

func TestExampleProfiles(t *testing.T) {
	value, output := processor.Arg{Kind: processor.ArgValue}, processor.Arg{Kind: processor.ArgOutput}
	now := processor.Arg{Literal: "now"}
	ramp := processor.Ramp{StepDB: 3, Every: 100 * time.Millisecond}
	plain := func(name string, code processor.Code) processor.Parameter {
		address := "/out/{output}/" + name
		return processor.Parameter{
			Write: processor.Template{Address: address, Args: []processor.Arg{value}},
			ReadBack: processor.ReadBack{
				Query: processor.Template{Address: address, Args: []processor.Arg{}},
				Reply: processor.Reply{Address: address, Args: []processor.Arg{value}},
			},
			Code: code,
		}
	}
	counting := func(name string, code processor.Code) processor.Parameter {
		return processor.Parameter{
			Write: processor.Template{Address: "/set/" + name, Args: []processor.Arg{output, value, now}},
			ReadBack: processor.ReadBack{
				Query: processor.Template{Address: "/get/" + name, Args: []processor.Arg{output}},
				Reply: processor.Reply{Address: "/is/" + name, Args: []processor.Arg{{Kind: processor.ArgAny}, output, value}},
			},
			Code: code,
		}
	}
	zeroOne := processor.Code{Type: processor.Int32, Off: int32(0), On: int32(1)}
	wanted := map[string]processor.Profile{
		"plain-eight": {
			Outputs: 8, Gap: 2 * time.Millisecond, Timeout: 250 * time.Millisecond, Late: 250 * time.Millisecond, Tries: 4, Ramp: ramp,
			Parameters: [4]processor.Parameter{
				plain("delay", processor.Code{Type: processor.Float32, PerUnit: 1000, Grid: engine.Grid{Max: 0.65, Step: 0.01 / 1000}}),
				plain("polarity", zeroOne),
				plain("gain", processor.Code{Type: processor.Float32, PerUnit: 1, Grid: engine.Grid{Min: -60, Max: 6, Step: 0.1}}),
				plain("mute", zeroOne),
			},
		},
		"counting-twelve": {
			Outputs: 12, Gap: 5 * time.Millisecond, Timeout: 250 * time.Millisecond, Late: 250 * time.Millisecond, Tries: 3, Ramp: ramp,
			Parameters: [4]processor.Parameter{
				counting("delay", processor.Code{Type: processor.Int32, PerUnit: 96000, Grid: engine.Grid{Max: 0.5, Step: 1. / 96000}}),
				counting("polarity", processor.Code{Type: processor.String, Off: "normal", On: "reversed"}),
				counting("gain", processor.Code{Type: processor.Int32, PerUnit: 4, Grid: engine.Grid{Min: -80, Max: 12, Step: 0.25}}),
				counting("mute", processor.Code{Type: processor.Bool, Off: false, On: true}),
			},
		},
	}
	for name, want := range wanted {
		got, err := OpenProfile(name)
		if err != nil {
			t.Fatal(err)
		}
		want.Name, want.Note = name, got.Note
		if !strings.Contains(got.Note, "made up") {
			t.Errorf("%s does not say that it is made up: %q", name, got.Note)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("got\n%+v\nwant\n%+v", got, want)
		}
	}
}

// TestLiterals reads every type of fixed argument, the words of the language
// among them, which as strings stand for themselves.
func TestLiterals(t *testing.T) {
	data, err := shipped.ReadFile("profiles/plain-eight.yaml")
	if err != nil {
		t.Fatal(err)
	}
	const write = `write: {address: "/out/{output}/delay", args: [value]}`
	args := `[output, value, {string: value}, {string: "output"}, {int32: -7}, {float32: 0.5}, {float32: 2}, {bool: false}, {string: ""}]`
	p, err := Profile("x.yaml", []byte(strings.Replace(string(data), write, strings.Replace(write, "[value]", args, 1), 1)))
	if err != nil {
		t.Fatal(err)
	}
	want := []processor.Arg{
		{Kind: processor.ArgOutput}, {Kind: processor.ArgValue}, {Literal: "value"}, {Literal: "output"},
		{Literal: int32(-7)}, {Literal: float32(0.5)}, {Literal: float32(2)}, {Literal: false}, {Literal: ""},
	}
	if got := p.Parameters[processor.Delay].Write.Args; !reflect.DeepEqual(got, want) {
		t.Errorf("got %#v, want %#v", got, want)
	}
}

func TestOpen(t *testing.T) {
	folder := t.TempDir()
	mine := filepath.Join(folder, "mine.yaml")
	data, err := shipped.ReadFile("sites/ottersedge.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(mine, data, 0o600); err != nil {
		t.Fatal(err)
	}
	fromFile, err := OpenSite(mine)
	if err != nil {
		t.Fatal(err)
	}
	fromName, err := OpenSite("ottersedge")
	if err != nil || !reflect.DeepEqual(fromFile, fromName) {
		t.Errorf("the same bytes from a path and from a name differ (%v)", err)
	}

	if err := os.WriteFile(mine, []byte("job: 5\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var problems Problems
	if _, err := OpenProfile(mine); !errors.As(err, &problems) || problems[0].File != mine {
		t.Errorf("got %v, want problems that name %s", err, mine)
	}
	if _, err := OpenSite(filepath.Join(folder, "none.yaml")); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "none.yaml") {
		t.Errorf("got %v, want an error that says that none.yaml does not exist", err)
	}
	_, err = OpenProfile("plain-nine")
	const want = `profile "plain-nine": no example has that name (there are: blind-four, bundled-sixty-four, counting-twelve, lettered-six, muteless-four, one-address-sixteen, plain-eight); write a file of your own with its path, such as ./mine.yaml`
	if err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	for _, name := range []string{"", "sites", "../sites/ottersedge", `..\x`, "OTTERSEDGE", "*"} {
		if _, err := OpenSite(name); err == nil {
			t.Errorf("%q was opened", name)
		}
	}
}

func TestTooLong(t *testing.T) {
	file := filepath.Join(t.TempDir(), "long.yaml")
	if err := os.WriteFile(file, []byte("job: x\n#"+strings.Repeat("x", 2*document.MaxBytes)), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := OpenSite(file)
	if want := file + ":1:1: the file: got more than 1 MiB, want a file that a person wrote"; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

func TestFit(t *testing.T) {
	p := processor.Profile{Name: "six", Outputs: 6}
	p.Parameters[processor.Gain].Code.Grid = engine.Grid{Min: -40, Max: 3, Step: 0.5}
	write := func(old, new string) string {
		text, err := os.ReadFile("sites/ottersedge.yaml")
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), old) {
			t.Fatalf("the example has no %q", old)
		}
		path := filepath.Join(t.TempDir(), "site.yaml")
		if err := os.WriteFile(path, []byte(strings.ReplaceAll(string(text), old, new)), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	if err := Fit(write("max_gain: 0 dB", "max_gain: 3 dB"), p); err != nil {
		t.Errorf("at the end of the range: %v", err)
	}
	loud := write("label: left front,   max_gain: 0 dB", "label: left front,   max_gain: 3.5 dB")
	want := loud + ":54:48: outputs[1].max_gain: got 3.5 dB, want -40 to 3 dB, the gain of a six"
	var problems Problems
	if err := Fit(loud, p); !errors.As(err, &problems) || err.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
	p.Outputs = 3
	four := write("job:", "job:")
	if err := Fit(four, p); err == nil || !strings.Contains(err.Error(), "outputs[3].number: got 4, want 1 to 3, the outputs of a six") {
		t.Errorf("an output too many: %v", err)
	}
	if err := Fit("ottersedge", processor.Profile{}); err == nil {
		t.Error("a processor without outputs fits")
	}
	if err := Fit("no-such", p); err == nil || !strings.Contains(err.Error(), "no example has that name") {
		t.Errorf("no such site: %v", err)
	}
}

// A file with tolerances may leave limits open, all of them or some; what it
// writes down stays.
func TestLimitsLeftOpen(t *testing.T) {
	const all = "limits: {null_depth: 12 dB, null_offset: 10 Hz, sum_shortfall: 6 dB}"
	for in, want := range map[string]engine.Limits{
		all:                           {NullDepthDB: 12, NullOffsetHz: 10, SumShortfallDB: 6},
		"":                            {},
		"limits: {}":                  {},
		"limits: {null_offset: 3 Hz}": {NullOffsetHz: 3},
		"limits: {null_depth: 9 dB, sum_shortfall: 1 dB}": {NullDepthDB: 9, SumShortfallDB: 1},
	} {
		site, err := Site("s.yaml", edited(t, "brindlequay", all, in))
		if err != nil {
			t.Errorf("%q: %v", in, err)
		}
		if site.Limits != want {
			t.Errorf("%q: got %+v, want %+v", in, site.Limits, want)
		}
	}
}
