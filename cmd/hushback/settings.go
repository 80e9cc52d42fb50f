package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/go-viper/mapstructure/v2"
	"github.com/spf13/cobra"
	"github.com/spf13/viper"

	"hushback/cmd/internal/daemon"
	"hushback/configs"
	"hushback/control/processor"
	"hushback/engine"
)

// settings are the daemon's own: flags before environment before file before
// default. Sites and profiles are not settings; they have a strict loader.
type settings struct {
	Listen     string        `mapstructure:"listen"`
	State      string        `mapstructure:"state"`
	Hosts      []string      `mapstructure:"hosts"`
	ConfirmFor time.Duration `mapstructure:"confirm-for"`
	KeepFor    time.Duration `mapstructure:"keep-for"`
	Session    time.Duration `mapstructure:"session"`
	LogLevel   string        `mapstructure:"log-level"`
}

// addSettings declares the flags that settings are read from.
func addSettings(c *cobra.Command, listen, state string) {
	f := c.Flags()
	f.String("config", "", "settings file (YAML)")
	f.String("listen", listen, "`host:port` of the page; port 0 takes a free one")
	f.String("state", state, "`folder` for presets and journal")
	f.StringSlice("hosts", nil, "further `names` or addresses that the page is called by")
	f.String("confirm-for", "2m", "how long a dry run may wait for its confirm")
	f.String("keep-for", "3m", "how long a change is held before it rolls itself back")
	f.String("session", "12h", "how long a paired phone stays paired")
	f.String("log-level", "warn", "debug, info, warn or error")
}

// readSettings gathers and checks the settings of a command.
func readSettings(c *cobra.Command) (settings, error) {
	v := viper.New()
	if err := v.BindPFlags(c.Flags()); err != nil {
		return settings{}, err
	}
	v.SetEnvPrefix("hushback")
	v.SetEnvKeyReplacer(strings.NewReplacer("-", "_"))
	v.AutomaticEnv()
	if path, _ := c.Flags().GetString("config"); path != "" {
		if err := readFile(v, path); err != nil {
			return settings{}, badInput{err}
		}
	}
	var s settings
	err := v.Unmarshal(&s, viper.DecodeHook(mapstructure.ComposeDecodeHookFunc(
		mapstructure.StringToTimeDurationHookFunc(), mapstructure.StringToSliceHookFunc(","))))
	if err != nil {
		return settings{}, badInput{fmt.Errorf("settings: %w", err)}
	}
	return s, s.check()
}

// readFile reads a settings file and refuses what no setting is called.
func readFile(v *viper.Viper, path string) error {
	file := viper.New()
	file.SetConfigFile(path)
	file.SetConfigType("yaml")
	if err := file.ReadInConfig(); err != nil {
		return fmt.Errorf("settings file: %w", err)
	}
	var known settings
	err := file.UnmarshalExact(&known, viper.DecodeHook(mapstructure.StringToTimeDurationHookFunc()))
	if err != nil {
		return fmt.Errorf("settings file %s: %w", path, err)
	}
	return v.MergeConfigMap(file.AllSettings())
}

func (s settings) check() error {
	for name, d := range map[string]time.Duration{"confirm-for": s.ConfirmFor, "keep-for": s.KeepFor, "session": s.Session} {
		if d < time.Second {
			return badInput{fmt.Errorf("setting %s: got %v, want at least one second, with a unit such as 90s or 3m", name, d)}
		}
	}
	if s.Listen == "" {
		return badInput{errors.New("setting listen: got nothing, want host:port such as 127.0.0.1:8470")}
	}
	if _, err := s.level(); err != nil {
		return badInput{fmt.Errorf("setting log-level: got %q, want debug, info, warn or error", s.LogLevel)}
	}
	return nil
}

func (s settings) level() (slog.Level, error) {
	var level slog.Level
	err := level.UnmarshalText([]byte(s.LogLevel))
	return level, err
}

// options turns settings into what the daemon is started with.
func (s settings) options(site engine.Site, profile processor.Profile, log io.Writer) daemon.Options {
	level, _ := s.level() // checked when read
	return daemon.Options{
		Site: site, Profile: profile, Home: daemon.Home{Dir: s.State}, Listen: s.Listen, Hosts: s.Hosts,
		ConfirmFor: s.ConfirmFor, KeepFor: s.KeepFor, Session: s.Session,
		Log: slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: level})),
	}
}

// stateFolder is where the daemon keeps its state unless told otherwise, by
// the XDG base directory specification.
func stateFolder() string {
	if dir := os.Getenv("XDG_STATE_HOME"); dir != "" {
		return filepath.Join(dir, "hushback")
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "hushback-state"
	}
	return filepath.Join(home, ".local", "state", "hushback")
}

// openSite loads a site and a profile, the one the site names unless another is
// given, and checks one against the other.
func openSite(name, profileName string) (engine.Site, processor.Profile, error) {
	site, err := configs.OpenSite(name)
	if err != nil {
		return engine.Site{}, processor.Profile{}, badInput{err}
	}
	site.Wiring.Profile = cmp.Or(profileName, site.Wiring.Profile)
	profile, err := configs.OpenProfile(site.Wiring.Profile)
	if err == nil {
		err = configs.Fit(site, profile)
	}
	if err != nil {
		return engine.Site{}, processor.Profile{}, badInput{err}
	}
	return site, profile, nil
}
