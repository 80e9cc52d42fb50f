package doors

import (
	"bufio"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"
)

func opened(t *testing.T, w Wish) Doors {
	t.Helper()
	d, err := Open(w)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		for _, l := range d.Listeners {
			l.Close()
		}
	})
	return d
}

// serve answers at each of the doors with whether TLS stood before it.
func serve(t *testing.T, d Doors) {
	t.Helper()
	service := d.Serve(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprintf(w, "secure=%v", r.TLS != nil)
	}), slog.New(slog.DiscardHandler))
	t.Cleanup(func() {
		if err := service.Stop(); err != nil {
			t.Error(err)
		}
	})
}

// answer is what is said at a URL, or the error.
func answer(t *testing.T, client *http.Client, url string) string {
	t.Helper()
	response, err := client.Get(url)
	if err != nil {
		return err.Error()
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestOpenOnLoopback(t *testing.T) {
	d := opened(t, Wish{Listen: "127.0.0.1:0"})
	if len(d.Listeners) != 1 || d.URL != d.Local || len(d.Hosts) != 0 || !strings.HasPrefix(d.URL, "http://127.0.0.1:") || d.Identity != nil {
		t.Errorf("%+v", d)
	}
	serve(t, d)
	if got := answer(t, http.DefaultClient, d.URL); got != "secure=false" {
		t.Errorf("got %s", got)
	}
}

// On every address the page is called by each of the machine's own, and
// programs still come in over loopback.
func TestOpenEverywhere(t *testing.T) {
	d := opened(t, Wish{Listen: ":0", Hosts: []string{"desk.rig.test"}})
	if len(d.Listeners) != 2 || d.Local == d.URL || !slices.Equal(d.Hosts, append(own(), "desk.rig.test")) {
		t.Errorf("%+v, own addresses %v", d, own())
	}
	if serve(t, d); !strings.HasPrefix(d.Local, "http://127.0.0.1:") || answer(t, http.DefaultClient, d.Local) != "secure=false" {
		t.Errorf("programs on this machine are sent to %s", d.Local)
	}
}

func TestOpenOnOneAddress(t *testing.T) {
	addresses := own()
	if len(addresses) == 0 {
		t.Log("this machine has loopback alone; the door on an address of its own is left to others")
		return
	}
	d := opened(t, Wish{Listen: net.JoinHostPort(addresses[0], "0")})
	serve(t, d)
	if !slices.Equal(d.Hosts, addresses[:1]) || !strings.HasPrefix(d.Local, "http://127.0.0.1:") || answer(t, http.DefaultClient, d.URL) != "secure=false" {
		t.Errorf("%+v", d)
	}
	// What was opened on that address alone is not there on loopback.
	port := d.URL[strings.LastIndex(d.URL, ":")+1:]
	if conn, err := net.DialTimeout("tcp", "127.0.0.1:"+port, time.Second); err == nil {
		conn.Close()
		t.Error("it answers on loopback as well")
	}
}

// What is opened on loopback cannot be reached by an address of the network.
func TestLoopbackIsLoopbackAlone(t *testing.T) {
	d := opened(t, Wish{Listen: "127.0.0.1:0"})
	port := d.URL[strings.LastIndex(d.URL, ":")+1:]
	for _, address := range own() {
		if conn, err := net.DialTimeout("tcp", net.JoinHostPort(address, port), time.Second); err == nil {
			conn.Close()
			t.Errorf("it answers at %s", address)
		}
	}
}

func TestOwnAddressesAreNotLoopback(t *testing.T) {
	for _, a := range own() {
		if ip, err := netip.ParseAddr(a); err != nil || ip.IsLoopback() || ip.IsUnspecified() {
			t.Errorf("%q, %v", a, err)
		}
	}
}

func TestOpenSaysWhatToDo(t *testing.T) {
	d := opened(t, Wish{Listen: "127.0.0.1:0"})
	if _, err := Open(Wish{Listen: strings.TrimPrefix(d.URL, "http://")}); err == nil || !strings.Contains(err.Error(), "--listen") {
		t.Errorf("a busy port: %v", err)
	}
	if _, err := Open(Wish{Listen: "127.0.0.1:0", TLS: true, Folder: "there/is/none"}); err == nil || !strings.Contains(err.Error(), "there/is/none") {
		t.Errorf("no folder for the key: %v", err)
	}
}

// trusting is a browser that trusts the page's certificate, and looks rig.test up
// on this machine.
func trusting(d Doors) *http.Client {
	pool := x509.NewCertPool()
	pool.AddCert(d.Identity.held.Leaf)
	return &http.Client{Transport: &http.Transport{
		TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true, DisableKeepAlives: true,
		DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, network, strings.Replace(address, "desk.rig.test", "127.0.0.1", 1))
		},
	}}
}

func TestOpenOverTLS(t *testing.T) {
	for _, listen := range []string{"127.0.0.1:0", ":0"} {
		d := opened(t, Wish{Listen: listen, TLS: true, Hosts: []string{"desk.rig.test:8470"}, Folder: t.TempDir()})
		serve(t, d)
		if len(d.Listeners) != 2 || !strings.HasPrefix(d.URL, "https://") || !strings.HasPrefix(d.Local, "http://127.0.0.1:") {
			t.Fatalf("%s: %+v", listen, d)
		}
		if got := answer(t, http.DefaultClient, d.Local); got != "secure=false" {
			t.Errorf("%s: programs on this machine: %s", listen, got)
		}
		port := d.URL[strings.LastIndex(d.URL, ":")+1:]
		urls := []string{d.URL, "https://127.0.0.1:" + port, "https://localhost:" + port, "https://desk.rig.test:" + port}
		for _, url := range urls {
			if got := answer(t, trusting(d), url); got != "secure=true" {
				t.Errorf("%s: the page at %s: %s", listen, url, got)
			}
		}
		if got := answer(t, http.DefaultClient, d.URL); !strings.Contains(got, "x509") {
			t.Errorf("%s: who does not trust the certificate: %s", listen, got)
		}
		if got := answer(t, http.DefaultClient, "http"+strings.TrimPrefix(d.URL, "https")); !strings.Contains(got, "HTTPS") {
			t.Errorf("%s: without TLS at the page's door: %s", listen, got)
		}
	}
}

// Browsers ask for live sockets over HTTP 1.1 only, so nothing else is offered; the
// fingerprint is of what a stranger gets to see on the wire.
func TestWhatTheWireShows(t *testing.T) {
	d := opened(t, Wish{Listen: "127.0.0.1:0", TLS: true, Folder: t.TempDir()})
	serve(t, d)
	conn, err := tls.Dial("tcp", strings.TrimPrefix(d.URL, "https://"), &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2", "http/1.1"}})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	state := conn.ConnectionState()
	if state.NegotiatedProtocol != "http/1.1" || state.Version < tls.VersionTLS12 {
		t.Errorf("speaks %q, TLS %x", state.NegotiatedProtocol, state.Version)
	}
	leaf := state.PeerCertificates[0]
	spki, err := x509.MarshalPKIXPublicKey(leaf.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	certificate, key := d.Identity.Fingerprints()
	for what, c := range map[string]struct {
		said string
		of   []byte
	}{"certificate": {certificate, leaf.Raw}, "key": {key, spki}} {
		sum := sha256.Sum256(c.of)
		if strings.ReplaceAll(c.said, " ", "") != hex.EncodeToString(sum[:]) || len(strings.Fields(c.said)) != 16 {
			t.Errorf("fingerprint of the %s: %s, want %x in groups", what, c.said, sum)
		}
	}
	old := &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11}
	if conn, err := tls.Dial("tcp", strings.TrimPrefix(d.URL, "https://"), old); err == nil {
		conn.Close()
		t.Error("TLS 1.1 is spoken")
	}
}

// A connection that says nothing is nobody's problem but its own.
func TestSilentConnectionHoldsNobodyUp(t *testing.T) {
	d := opened(t, Wish{Listen: "127.0.0.1:0", TLS: true, Folder: t.TempDir()})
	serve(t, d)
	mute, err := net.Dial("tcp", strings.TrimPrefix(d.URL, "https://"))
	if err != nil {
		t.Fatal(err)
	}
	defer mute.Close()
	if got := answer(t, trusting(d), d.URL); got != "secure=true" {
		t.Errorf("beside it: %s", got)
	}
	fmt.Fprint(mute, "GET / HTTP/1.1\r\n\r\n")
	if line, _ := bufio.NewReader(mute).ReadString('\n'); !strings.Contains(line, "400") {
		t.Errorf("plain HTTP is answered with %q", line)
	}
}
