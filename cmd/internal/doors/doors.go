// Package doors opens the addresses at which a daemon can be reached and tells a
// person how to come in: the page, over TLS with a certificate of its own where
// that is wished, and a plain door on loopback for programs on this machine.
package doors

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"time"
)

// Wish is where the page shall be.
type Wish struct {
	Listen string   // host:port; port 0 takes a free one, no host is every address
	Hosts  []string // further names the page is called by, host or host:port
	TLS    bool
	Folder string // for key and certificate; it is there
}

// Doors is where a daemon can be reached.
type Doors struct {
	Listeners  []net.Listener
	URL, Local string       // the page, for people and for programs on this machine, without a slash at the end
	Hosts      []string     // what the page may be called by beside loopback
	Identity   *Certificate // nil without TLS
}

// Open opens the page's address. Programs on this machine come in over plain
// loopback, so where the page is elsewhere or over TLS they get a door there too.
func Open(w Wish) (Doors, error) {
	main, err := net.Listen("tcp", w.Listen)
	if err != nil {
		return Doors{}, fmt.Errorf("page: %w: choose another address with --listen", err)
	}
	at, err := netip.ParseAddrPort(main.Addr().String())
	if err != nil {
		return Doors{}, errors.Join(fmt.Errorf("page: %w", err), main.Close())
	}
	d := Doors{Listeners: []net.Listener{main}}
	host, ip := at.Addr().String(), at.Addr().Unmap()
	switch {
	case ip.IsLoopback():
	case ip.IsUnspecified():
		if d.Hosts = own(); len(d.Hosts) > 0 {
			host = d.Hosts[0]
		}
	default:
		d.Hosts = []string{ip.String()}
	}
	d.Hosts = append(d.Hosts, w.Hosts...)
	d.URL = "http://" + net.JoinHostPort(host, fmt.Sprint(at.Port()))
	d.Local = d.URL
	if w.TLS {
		err = d.secure(w.Folder, at.Addr())
	}
	if err == nil && (w.TLS || !ip.IsLoopback()) {
		err = d.openInner()
	}
	if err != nil {
		return Doors{}, errors.Join(fmt.Errorf("page: %w", err), main.Close())
	}
	return d, nil
}

// openInner is the door of programs on this machine.
func (d *Doors) openInner() error {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	d.Listeners = append(d.Listeners, inner)
	d.Local = "http://" + inner.Addr().String()
	return nil
}

// secure puts TLS before the page. Browsers open live sockets by HTTP 1.1 alone.
func (d *Doors) secure(folder string, at netip.Addr) error {
	names := append([]string{"localhost", "127.0.0.1", "::1"}, d.Hosts...)
	if !at.IsUnspecified() {
		names = append(names, at.Unmap().String())
	}
	own, err := Certify(folder, names, time.Now)
	if err != nil {
		return err
	}
	d.Identity = own
	d.Listeners[0] = tls.NewListener(d.Listeners[0], &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"}, GetCertificate: own.get,
	})
	d.URL = "https" + strings.TrimPrefix(d.URL, "http")
	return nil
}

// own lists this machine's addresses on its networks, IPv4 first.
func own() []string {
	found, err := net.InterfaceAddrs()
	if err != nil {
		return nil // then --hosts has to name one
	}
	var four, six []string
	for _, a := range found {
		prefix, err := netip.ParsePrefix(a.String())
		ip := prefix.Addr().Unmap()
		switch {
		case err != nil || ip.IsLoopback() || ip.IsLinkLocalUnicast():
		case ip.Is4():
			four = append(four, ip.String())
		default:
			six = append(six, ip.String())
		}
	}
	return append(four, six...)
}
