package report

import (
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"hushback/cmd/internal/desk/desktest"
)

// reader reads the tables by numpy and by Python's own parsers, and says what it found
// as JSON with every bit of every number.
const reader = `
import csv, json, sys, numpy
folder = sys.argv[1]
rows = list(csv.DictReader(open(folder + "/captures.csv", newline="")))
block = numpy.genfromtxt(folder + "/captures.csv", delimiter=",", names=True, dtype=None, encoding="utf-8")
told = json.load(open(folder + "/captures.json"))
hexed = lambda v: None if v is None or v != v else float(v).hex()
print(json.dumps({
  "sheet": list(csv.DictReader(open(folder + "/sheet.csv", newline=""))),
  "microphone": [r["microphone"] for r in rows], "playing": [r["playing_outputs"] for r in rows], "muted": [r["muted_outputs"] for r in rows],
  "freq": [hexed(v) for v in block["freq_hz"]], "level": [hexed(v) for v in block["level_db"]], "phase": [hexed(v) for v in block["phase_deg"]],
  "coherence": [hexed(v) for v in block["coherence"]], "snr": [hexed(v) for v in block["snr_db"]], "high": [hexed(v) for v in block["level_high_90_db"]],
  "low": [hexed(v) for v in block["level_low_90_db"]],
  "same": all(hexed(l[k]) == (float(r[k]).hex() if r[k] else None) for c, rs in zip(told["captures"], [rows[i:i+len(told["captures"][0]["lines"])] for i in range(0, len(rows), len(told["captures"][0]["lines"]))]) for l, r in zip(c["lines"], rs) for k in l),
  "job": told["job"], "taken": told["captures"][0]["taken_utc"], "names": list(block.dtype.names), "crlf": open(folder + "/sheet.csv", "rb").read().count(b"\r\n"),
}))
`

// Any spreadsheet or numeric tool reads the tables: what they hold is what the change
// held, bit for bit, and free text stays text.
func TestTablesReadBack(t *testing.T) {
	d := desktest.Past()[1]
	d.Captures[0].Microphone = `=HYPERLINK("http://example.invalid")`
	d.Captures[1].Function.H[0] = 0 // no level, no phase worth the name
	d.Captures[1].Solo = 3
	d.Site.Outputs[0].Label, d.Site.Outputs[1].Label, d.Site.Outputs[2].Label = "@rear, \"left\"\nsecond line", "-left", "+1"
	folder := filepath.Join(t.TempDir(), "made", "anew")
	files, err := Tables{Site: d.Site, Before: d.Before[1:], Sheet: d.Sheet, Captures: d.Captures}.Write(folder)
	if err != nil || len(files) != 3 {
		t.Fatalf("wrote %q, %v", files, err)
	}
	out, err := exec.Command("/usr/bin/python3", "-c", reader, folder).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var got struct {
		Sheet                      []map[string]string
		Microphone, Playing, Muted []string
		Freq, Level, Phase, Low    []*string
		Coherence, SNR, High       []*string
		Same                       bool
		Job, Taken                 string
		Names                      []string
		CRLF                       int
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if !got.Same || got.Job != d.Job || got.Taken != "2026-03-14T21:04:10Z" || got.CRLF != len(d.Sheet.Settings)+2 { // one within a label
		t.Errorf("JSON and CSV are the same: %v; job %q, taken %q, %d line ends", got.Same, got.Job, got.Taken, got.CRLF)
	}
	labels := []string{"'@rear, \"left\"\r\nsecond line", "'-left", "'+1", "right front"}
	for i, s := range d.Sheet.Settings {
		row := got.Sheet[i]
		if value(t, row["delay_s"]) != s.DelaySec || value(t, row["gain_db"]) != s.GainDB || value(t, row["polarity"]) != float64(s.Polarity) || row["muted"] != "false" || row["label"] != labels[i] || row["output"] != row["channel"] {
			t.Errorf("output %d: %v", s.Output, row)
		}
		if before := row["before_delay_s"]; (before == "") != (i == 0) {
			t.Errorf("output %d: before %q", s.Output, before)
		}
	}
	n := 0
	for k, c := range d.Captures {
		playing, muted := "1 2 3 4", ""
		if c.Solo == 3 {
			playing, muted = "3", "1 2 4"
		}
		name := c.Microphone
		if k == 0 {
			name = "'" + name
		}
		for i, f := range c.Function.FreqHz {
			if got.Microphone[n] != name || got.Playing[n] != playing || got.Muted[n] != muted {
				t.Fatalf("line %d: %q, playing %q, muted %q", n, got.Microphone[n], got.Playing[n], got.Muted[n])
			}
			// The value by another route: logarithm of the power, angle by Atan2.
			h := c.Function.H[i]
			level := 10 * math.Log10(real(h)*real(h)+imag(h)*imag(h))
			if bits(t, got.Freq[n]) != f || !close(bits(t, got.Level[n]), level) || h != 0 && !close(bits(t, got.Phase[n]), math.Atan2(imag(h), real(h))*180/math.Pi) {
				t.Fatalf("line %d: %v %v %v, want %g Hz, %g dB", n, bits(t, got.Freq[n]), bits(t, got.Level[n]), bits(t, got.Phase[n]), f, level)
			}
			if low, high := bits(t, got.Low[n]), bits(t, got.High[n]); low > level || high < level || h != 0 && low == high {
				t.Errorf("line %d: the interval is %g to %g dB about %g dB", n, low, high, level)
			}
			noise := 2 * c.Function.Sigma[i] * c.Function.Sigma[i] * c.Function.Averages
			if want := level - 10*math.Log10(noise); bits(t, got.Coherence[n]) != c.Function.Coherence[i] || !close(bits(t, got.SNR[n]), want) {
				t.Errorf("line %d: coherence %g, %g dB over the noise, want %g", n, bits(t, got.Coherence[n]), bits(t, got.SNR[n]), want)
			}
			n++
		}
	}
	if n != len(got.Freq) {
		t.Errorf("%d lines, want %d", len(got.Freq), n)
	}
}

func bits(t *testing.T, hex *string) float64 {
	t.Helper()
	if hex == nil {
		return math.Inf(-1)
	}
	return value(t, *hex)
}

func close(a, b float64) bool { return a == b || math.Abs(a-b) < 1e-9 }

// A design has a sheet and no captures; the tables say so, so that none is left of
// something else.
func TestTablesOfADesign(t *testing.T) {
	folder := t.TempDir()
	put(t, filepath.Join(folder, "captures.csv"), "of something else")
	if _, err := (Tables{Site: desktest.Site(), Sheet: desktest.Sheet()}).Write(folder); err != nil {
		t.Fatal(err)
	}
	if rows := table(t, filepath.Join(folder, "captures.csv")); len(rows) != 1 || rows[0][8] != "freq_hz" {
		t.Errorf("captures: %q", rows)
	}
	if rows := table(t, filepath.Join(folder, "sheet.csv")); len(rows) != 5 || rows[1][8] != "" {
		t.Errorf("sheet: %q", rows)
	}
	text, err := os.ReadFile(filepath.Join(folder, "captures.json"))
	if err != nil || !strings.Contains(string(text), `"captures": []`) {
		t.Errorf("%v: %s", err, text)
	}
	if _, err := (Tables{}).Write(filepath.Join(folder, "sheet.csv")); err == nil || !strings.Contains(err.Error(), "--tables") {
		t.Errorf("into a file: %v", err)
	}
}
