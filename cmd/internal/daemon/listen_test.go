package daemon

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"
)

// reaches reports whether one of the doors' listeners answers at a URL.
func reaches(t *testing.T, d doors, url string) bool {
	t.Helper()
	server := &http.Server{Handler: http.NotFoundHandler(), ReadHeaderTimeout: time.Minute}
	defer server.Close()
	for _, l := range d.listeners {
		go server.Serve(l)
	}
	response, err := http.Get(url)
	if err != nil {
		return false
	}
	response.Body.Close()
	return response.StatusCode == http.StatusNotFound
}

func TestListenOnLoopback(t *testing.T) {
	d, err := listen("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if len(d.listeners) != 1 || d.url != d.local || len(d.hosts) != 0 || !strings.HasPrefix(d.url, "http://127.0.0.1:") {
		t.Errorf("%+v", d)
	}
	if !reaches(t, d, d.url) {
		t.Error("nobody answers there")
	}
}

// On every address the page is called by each of the machine's own, and
// programs still come in over loopback.
func TestListenEverywhere(t *testing.T) {
	d, err := listen(":0")
	if err != nil {
		t.Fatal(err)
	}
	if len(d.listeners) != 2 || d.local == d.url || !slices.Equal(d.hosts, own()) {
		t.Errorf("%+v, own addresses %v", d, own())
	}
	if !strings.HasPrefix(d.local, "http://127.0.0.1:") || !reaches(t, d, d.local) {
		t.Errorf("programs on this machine are sent to %s", d.local)
	}
}

func TestListenOnOneAddress(t *testing.T) {
	addresses := own()
	if len(addresses) == 0 {
		t.Log("this machine has loopback alone; the door on an address of its own is left to others")
		return
	}
	d, err := listen(net.JoinHostPort(addresses[0], "0"))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(d.hosts, addresses[:1]) || !strings.HasPrefix(d.local, "http://127.0.0.1:") || !reaches(t, d, d.url) {
		t.Errorf("%+v", d)
	}
}

func TestOwnAddressesAreNotLoopback(t *testing.T) {
	for _, a := range own() {
		if ip, err := netip.ParseAddr(a); err != nil || ip.IsLoopback() || ip.IsUnspecified() {
			t.Errorf("%q, %v", a, err)
		}
	}
}

func TestListenSaysWhatToDo(t *testing.T) {
	d, err := listen("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer d.listeners[0].Close()
	if _, err := listen(strings.TrimPrefix(d.url, "http://")); err == nil || !strings.Contains(err.Error(), "--listen") {
		t.Errorf("a busy port: %v", err)
	}
}
