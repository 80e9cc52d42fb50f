package cli

import (
	"cmp"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/go-viper/mapstructure/v2"
	"github.com/spf13/cobra"
	"github.com/spf13/viper"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/whatif"
	"hushback/configs"
	"hushback/control/processor"
	"hushback/engine"
)

// settings are the daemon's own: flags before environment before file before
// default. Sites and profiles are not settings; they have a strict loader.
type Settings struct {
	Listen     string   `mapstructure:"listen"`
	State      string   `mapstructure:"state"`
	Hosts      []string `mapstructure:"hosts"`
	TLS        bool     `mapstructure:"tls"`
	ConfirmFor string   `mapstructure:"confirm-for"`
	KeepFor    string   `mapstructure:"keep-for"`
	Session    string   `mapstructure:"session"`
	LogLevel   string   `mapstructure:"log-level"`
	LogFormat  string   `mapstructure:"log-format"`

	confirmFor, keepFor, session time.Duration // as check read them
	level                        slog.Level
}

// Page is where the page is unless something else is asked for: on this machine
// only.
const Page = "127.0.0.1:8470"

// AddSettings declares the flags that settings are read from.
func AddSettings(c *cobra.Command, listen, state string) {
	f := c.Flags()
	f.String("config", "", "`file` with settings (YAML)")
	f.String("listen", listen, "`host:port` of the page; port 0 takes a free one")
	f.String("state", state, "`folder` for presets and journal")
	f.StringSlice("hosts", nil, "further `names` or addresses that the page is called by")
	f.Bool("tls", false, "the page over TLS, with a certificate of its own that browsers warn of")
	f.String("confirm-for", "2 min", "`time` that a dry run may wait for its confirm")
	f.String("keep-for", "3 min", "`time` that a change is held before it rolls itself back")
	f.String("session", "12 h", "`time` that a paired phone stays paired")
	f.String("log-level", "warn", "least `level` that is logged: debug, info, warn or error")
	f.String("log-format", "text", "`format` of the log: text or json, a line for each event")
	Complete(c, "log-level", "debug", "info", "warn", "error")
	Complete(c, "log-format", "text", "json")
}

// ReadSettings gathers and checks the settings of a command.
func ReadSettings(c *cobra.Command) (Settings, error) {
	v := viper.New()
	if err := v.BindPFlags(c.Flags()); err != nil {
		return Settings{}, err
	}
	v.SetEnvPrefix(strings.TrimSuffix(prefix, "_"))
	v.SetEnvKeyReplacer(strings.NewReplacer("-", "_"))
	v.AutomaticEnv()
	if path, _ := c.Flags().GetString("config"); path != "" {
		if err := readFile(v, path); err != nil {
			return Settings{}, Bad(err)
		}
	}
	var s Settings
	if err := v.Unmarshal(&s, viper.DecodeHook(mapstructure.StringToSliceHookFunc(","))); err != nil {
		return Settings{}, Bad(fmt.Errorf("settings: %w", err))
	}
	err := s.check()
	return s, err
}

// readFile reads a settings file and refuses what no setting is called.
func readFile(v *viper.Viper, path string) error {
	file := viper.New()
	file.SetConfigFile(path)
	file.SetConfigType("yaml")
	if err := file.ReadInConfig(); err != nil {
		return fmt.Errorf("settings file: %w", err)
	}
	for _, key := range slices.Sorted(maps.Keys(file.AllSettings())) {
		if known := settings(); !slices.Contains(known, key) {
			return fmt.Errorf("settings file %s: it has %s, which is no setting: %s", path, key, instead(key, known))
		}
	}
	var read Settings
	if err := file.UnmarshalExact(&read); err != nil {
		return fmt.Errorf("settings file %s: %s: write it as hushback serve --help shows it", path, strings.TrimSpace(err.Error()[strings.LastIndex(err.Error(), "\n")+1:]))
	}
	return v.MergeConfigMap(file.AllSettings())
}

// check reads what is text but means more.
func (s *Settings) check() error {
	for _, d := range []struct {
		name, text string
		into       *time.Duration
	}{
		{"confirm-for", s.ConfirmFor, &s.confirmFor},
		{"keep-for", s.KeepFor, &s.keepFor},
		{"session", s.Session, &s.session},
	} {
		if *d.into = duration(d.text); *d.into < time.Second {
			return Bad(fmt.Errorf("setting %s: got %q, want at least 1 s, with a unit such as 90 s, 5 min or 12 h", d.name, d.text))
		}
	}
	if err := Address("setting listen", s.Listen, "127.0.0.1:8470"); err != nil {
		return err
	}
	if err := s.level.UnmarshalText([]byte(s.LogLevel)); err != nil {
		return Bad(fmt.Errorf("setting log-level: got %q, want debug, info, warn or error", s.LogLevel))
	}
	if s.LogFormat != "text" && s.LogFormat != "json" {
		return Bad(fmt.Errorf("setting log-format: got %q, want text or json", s.LogFormat))
	}
	return nil
}

// duration reads a time as site files spell it, or without the space and with m for
// minutes; 0 where it is neither.
func duration(text string) time.Duration {
	text = strings.ReplaceAll(text, " ", "")
	if number, minutes := strings.CutSuffix(text, "min"); minutes {
		text = number + "m"
	}
	read, _ := time.ParseDuration(text)
	return read
}

// Address refuses what is no host:port.
func Address(what, text, such string) error {
	if _, port, err := net.SplitHostPort(text); err != nil || port == "" {
		return Bad(fmt.Errorf("%s: got %q, want host:port such as %s", what, text, such))
	}
	return nil
}

// Options turns settings into what the daemon is started with.
func (s Settings) Options(site engine.Site, profiles []processor.Profile, log io.Writer) daemon.Options {
	return daemon.Options{
		Site: site, Profiles: profiles, Home: home.Folder{Dir: s.State}, Listen: s.Listen, Hosts: s.Hosts, TLS: s.TLS,
		ConfirmFor: s.confirmFor, KeepFor: s.keepFor, Session: s.session,
		Log: s.log(log),
	}
}

// log writes events as the settings want them.
func (s Settings) log(to io.Writer) *slog.Logger {
	options := &slog.HandlerOptions{Level: s.level}
	if s.LogFormat == "json" {
		return slog.New(slog.NewJSONHandler(to, options))
	}
	return slog.New(slog.NewTextHandler(to, options))
}

// OpenSite loads a site and the profiles of its processors, the ones that it
// names unless another is given for the first, and checks one against the other.
// A processor's address, if there is one, takes the place of the first one's.
func OpenSite(name, profileName, processorAt string) (engine.Site, []processor.Profile, error) {
	site, err := configs.OpenSite(name)
	if err != nil {
		return engine.Site{}, nil, Bad(err)
	}
	if processorAt != "" {
		if err := Address("--processor", processorAt, "192.0.2.10:8700"); err != nil {
			return engine.Site{}, nil, err
		}
	}
	site.Wiring.Profile = cmp.Or(profileName, site.Wiring.Profile)
	site.Wiring.Address = cmp.Or(processorAt, site.Wiring.Address)
	profiles, err := Fitting(name, site)
	return site, profiles, err
}

// Layouts are those of a site's file, to be tried out.
func Layouts(name string) ([]whatif.Named, error) {
	layouts, err := configs.OpenLayouts(name)
	if err != nil {
		return nil, Bad(err)
	}
	var all []whatif.Named
	for _, l := range layouts {
		all = append(all, whatif.Named{Name: l.Name, Site: l.Site})
	}
	return all, nil
}

// Fitting opens the profiles of a site's processors and holds the site's file
// against them.
func Fitting(name string, site engine.Site) ([]processor.Profile, error) {
	var profiles []processor.Profile
	for _, w := range site.Wirings() {
		p, err := configs.OpenProfile(w.Profile)
		if err != nil {
			return nil, Bad(err)
		}
		profiles = append(profiles, p)
	}
	if err := configs.Fit(name, profiles...); err != nil {
		return nil, Bad(err)
	}
	return profiles, nil
}
