package main

import (
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/daemon"
)

// People reach a daemon over TLS, programs of the machine as always: its microphones
// are connected when it is raised, a roll back finds it by its note. The terminal
// says what the wire shows.
func TestDaemonOverTLS(t *testing.T) {
	state := stateFolderFor(t)
	s := raised(t, func(o *daemon.Options) { o.Home.Dir, o.TLS = state, true })
	if !strings.HasPrefix(s.daemon.URL(), "https://127.0.0.1:") || !strings.HasPrefix(s.daemon.Local(), "http://127.0.0.1:") {
		t.Errorf("people are sent to %s, programs to %s", s.daemon.URL(), s.daemon.Local())
	}
	must(t, s.daemon.StoreSafe(t.Context()))
	if code, out, errs := said(t, "rollback", "--state", state); code != exitDone {
		t.Errorf("a roll back through the daemon: exit code %d, %s%s", code, out, errs)
	}

	conn, err := tls.Dial("tcp", strings.TrimPrefix(s.daemon.URL(), "https://"), &tls.Config{InsecureSkipVerify: true})
	must(t, err)
	defer conn.Close()
	key := sha256.Sum256(conn.ConnectionState().PeerCertificates[0].RawSubjectPublicKeyInfo)
	var out strings.Builder
	c := &cobra.Command{}
	cli.AddSettings(c, "", "")
	cli.AddWelcome(c, "")
	c.SetOut(&out)
	say := func() string {
		t.Helper()
		out.Reset()
		_, err := s.welcome(state).Say(c)
		must(t, err)
		return out.String()
	}
	if told := strings.ReplaceAll(say(), " ", ""); !strings.Contains(told, hex.EncodeToString(key[:])) || !strings.Contains(told, s.daemon.URL()+"/#k="+s.daemon.Code()) || strings.Contains(told, "█") {
		t.Errorf("the terminal says\n%s\nthe wire shows key %x", out.String(), key)
	}
	must(t, c.Flags().Set("qr", "true"))
	if told := say(); !strings.Contains(told, "█") {
		t.Errorf("no code is drawn although asked for:\n%s", told)
	}
	must(t, c.Flags().Set("json", "true"))
	var told cli.Welcome
	one(t, say(), &told)
	if told.Page != s.daemon.URL()+"/" || told.PairingCode != s.daemon.Code() || told.Link != told.Page+"#k="+told.PairingCode || told.State != state ||
		strings.ReplaceAll(told.Key, " ", "") != hex.EncodeToString(key[:]) || told.Certificate == "" || told.Broken == nil || told.Rehearsal.Fault != "no fault" {
		t.Errorf("told %+v", told)
	}

	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}, DisableKeepAlives: true}}
	answer, err := client.Get(s.daemon.URL() + "/")
	must(t, err)
	answer.Body.Close()
	if answer.StatusCode != http.StatusUnauthorized {
		t.Errorf("the page over TLS answers a stranger with %d, want 401", answer.StatusCode)
	}
	info, err := os.Stat(filepath.Join(state, "page-key.pem"))
	must(t, err)
	if info.Mode().Perm() != 0o600 {
		t.Errorf("the key has mode %v", info.Mode().Perm())
	}
}

// Unless told otherwise a daemon is there for this machine alone.
func TestDaemonsBindToLoopbackUnlessToldOtherwise(t *testing.T) {
	for name, c := range map[string]*cobra.Command{"serve": newServe(), "rehearse": newRehearse()} {
		at, err := netip.ParseAddrPort(c.Flags().Lookup("listen").DefValue)
		if err != nil || !at.Addr().IsLoopback() || c.Flags().Lookup("tls").DefValue != "false" {
			t.Errorf("%s listens at %q, %v", name, c.Flags().Lookup("listen").DefValue, err)
		}
	}
}
