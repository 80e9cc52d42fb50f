package cli

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// reads runs readSettings the way a command does.
func reads(t *testing.T, args ...string) (Settings, error) {
	t.Helper()
	var got Settings
	c := &cobra.Command{RunE: func(c *cobra.Command, _ []string) (err error) {
		got, err = ReadSettings(c)
		return err
	}, SilenceErrors: true, SilenceUsage: true}
	AddSettings(c, "127.0.0.1:1", "somewhere")
	c.SetArgs(args)
	return got, c.Execute()
}

func settingsFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "hushback.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestSettingsComeFromFlagsThenEnvironmentThenFileThenDefault(t *testing.T) {
	file := settingsFile(t, "listen: 127.0.0.1:2\nkeep-for: 20s\nconfirm-for: 30s\nhosts: [rig.example, 192.0.2.1]\ntls: true\n")
	t.Setenv("HUSHBACK_KEEP_FOR", "40s")
	t.Setenv("HUSHBACK_CONFIRM_FOR", "50s")
	got, err := reads(t, "--config", file, "--confirm-for", "60s")
	if err != nil {
		t.Fatal(err)
	}
	if got.Listen != "127.0.0.1:2" || got.State != "somewhere" || got.keepFor != 40*time.Second || got.confirmFor != time.Minute ||
		strings.Join(got.Hosts, " ") != "rig.example 192.0.2.1" || got.LogLevel != "warn" || !got.TLS {
		t.Errorf("read %+v", got)
	}
	got, err = reads(t, "--hosts", "a,b")
	if err != nil || strings.Join(got.Hosts, " ") != "a b" || got.Listen != "127.0.0.1:1" || got.session != 12*time.Hour || got.TLS {
		t.Errorf("without a file: %+v, %v", got, err)
	}
}

// Times are written as in a site file, or as programmers do.
func TestTimesOfSettings(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"5 min": 5 * time.Minute, "5min": 5 * time.Minute, "90 s": 90 * time.Second, "12 h": 12 * time.Hour, "1h30min": 90 * time.Minute, "3m": 3 * time.Minute,
		"2000 mins": 0, "5": 0, "min": 0, "": 0,
	} {
		got, err := reads(t, "--keep-for", text)
		if want == 0 && (err == nil || !strings.Contains(err.Error(), "want at least 1 s, with a unit such as 90 s, 5 min or 12 h")) || want > 0 && (err != nil || got.keepFor != want) {
			t.Errorf("%q: %v, %v, want %v", text, got.keepFor, err, want)
		}
	}
}

func TestSettingsThatCannotBe(t *testing.T) {
	for text, want := range map[string]string{
		"lissten: 127.0.0.1:2": "it has lissten, which is no setting: take it out, or call it listen",
		"keep-for: 20":         "keep-for",
		"listen: [":            "settings file",
		"keep-for: -5s":        "keep-for",
		"log-level: shouting":  "log-level",
		"log-format: xml":      "log-format",
		`listen: ""`:           "listen",
		"tls: perhaps":         "'tls'",
	} {
		_, err := reads(t, "--config", settingsFile(t, text))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want an error with %q", text, err, want)
		}
	}
	if _, err := reads(t, "--config", filepath.Join(t.TempDir(), "none.yaml")); err == nil || !strings.Contains(err.Error(), "none.yaml") {
		t.Errorf("no such file: %v", err)
	}
}

// A variable that looks like a setting and is none is refused by name, with what it
// may mean; every setting has one, which is taken.
func TestUnknownVariablesAreRefused(t *testing.T) {
	for variable, want := range map[string]string{
		"HUSHBACK_LISTNE=1": "HUSHBACK_LISTNE, which is no setting: take it out, or call it HUSHBACK_LISTEN",
		"HUSHBACK_TSL=":     "call it HUSHBACK_TLS",
		"HUSHBACK_KEP=5":    "call it one of HUSHBACK_TOKEN, ",
		"HUSHBACK_listen=1": "HUSHBACK_listen",
		"HUSHBACK_WHATEVER": "call it one of HUSHBACK_TOKEN, HUSHBACK_CONFIRM_FOR, HUSHBACK_HOSTS, ",
		"HUSHBACK_CONFIG=a": "HUSHBACK_CONFIG, which is no setting",
	} {
		err := Environment([]string{"PATH=/bin", variable})
		if mend := (BadInput{}); !errors.As(err, &mend) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q", variable, err, want)
		}
	}
	var all []string
	c := &cobra.Command{}
	AddSettings(c, "127.0.0.1:1", "somewhere")
	c.Flags().VisitAll(func(f *pflag.Flag) {
		if f.Name != "config" { // where the settings stand
			all = append(all, "HUSHBACK_"+strings.ToUpper(strings.ReplaceAll(f.Name, "-", "_"))+"=x")
		}
	})
	if err := Environment(append(all, "HUSHBACK_TOKEN=x", "HUSHTEST_RIGS=1", "PATH=/bin")); err != nil || len(all) != 9 {
		t.Errorf("%q: %v", all, err)
	}
}

func TestTimesOfFlags(t *testing.T) {
	for text, want := range map[string]float64{"200 ms": 0.2, "90 s": 90, "5 min": 300, "0.5min": 30, "48000 samples @ 48 kHz": 1} {
		if got, err := TimeOf("--for", text); err != nil || got != want {
			t.Errorf("%q: %g, %v, want %g", text, got, err, want)
		}
	}
	for _, text := range []string{"", "5", "min", "five min", "5 minutes", "5 m"} {
		if _, err := TimeOf("--for", text); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("--for: got %q, want a time such as", text)) {
			t.Errorf("%q: %v", text, err)
		}
	}
}
