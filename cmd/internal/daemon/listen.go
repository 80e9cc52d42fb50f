package daemon

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
)

// doors is where a daemon can be reached.
type doors struct {
	listeners  []net.Listener
	url, local string   // the page, for people and for programs on this machine
	hosts      []string // what the page may be called by beside loopback
}

// listen opens the page's address. Programs on this machine come in over
// loopback, so where the page is elsewhere it gets a door there too.
func listen(address string) (doors, error) {
	main, err := net.Listen("tcp", address)
	if err != nil {
		return doors{}, fmt.Errorf("page: %w: choose another address with --listen", err)
	}
	at, err := netip.ParseAddrPort(main.Addr().String())
	if err != nil {
		return doors{}, errors.Join(fmt.Errorf("page: %w", err), main.Close())
	}
	d := doors{listeners: []net.Listener{main}, url: "http://" + at.String()}
	d.local = d.url
	switch ip := at.Addr().Unmap(); {
	case ip.IsLoopback():
		return d, nil
	case ip.IsUnspecified():
		d.hosts = own()
		if len(d.hosts) > 0 {
			d.url = "http://" + net.JoinHostPort(d.hosts[0], fmt.Sprint(at.Port()))
		}
	default:
		d.hosts = []string{ip.String()}
	}
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return doors{}, errors.Join(fmt.Errorf("page: %w", err), main.Close())
	}
	d.listeners = append(d.listeners, inner)
	d.local = "http://" + inner.Addr().String()
	return d, nil
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
