package osc

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync/atomic"
	"syscall"
	"time"
)

// datagrams is a link over UDP. The socket is not tied to the device, so that
// what comes from elsewhere is seen and counted, and so that a device may
// answer to a fixed port from a port of its own.
type datagrams struct {
	address string
	to      netip.AddrPort
	anyPort bool // the device may answer from another port than the one it hears at
	socket  *net.UDPConn
	foreign *atomic.Int64
	fault   func(error) // told of what comes instead of a reply
}

func openDatagrams(address string, replyPort int, foreign *atomic.Int64, fault func(error)) (*datagrams, error) {
	to, err := net.ResolveUDPAddr("udp", address)
	if err != nil {
		return nil, err
	}
	if to.Port == 0 || to.IP == nil || to.IP.IsUnspecified() || to.IP.IsMulticast() || to.IP.Equal(net.IPv4bcast) {
		return nil, errors.New("want one processor as HOST:PORT")
	}
	network := "udp6"
	if to.IP.To4() != nil {
		network = "udp4"
	}
	socket, err := net.ListenUDP(network, &net.UDPAddr{Port: replyPort})
	if err != nil {
		return nil, fmt.Errorf("hearing replies: %w", err)
	}
	if err := hearRefusals(socket, network == "udp6"); err != nil {
		return nil, errors.Join(fmt.Errorf("hearing refusals: %w", err), socket.Close())
	}
	peer := to.AddrPort()
	return &datagrams{
		address: address,
		to:      netip.AddrPortFrom(peer.Addr().Unmap(), peer.Port()),
		anyPort: replyPort != 0,
		socket:  socket,
		foreign: foreign,
		fault:   fault,
	}, nil
}

// write sends one datagram. "Connection refused" tells what became of an
// earlier datagram, and this one has not left: so it is sent again.
func (d *datagrams) write(_ context.Context, packet []byte) (err error) {
	for range 3 {
		if _, err = d.socket.WriteToUDPAddrPort(packet, d.to); err == nil {
			return nil
		}
		err = d.explain(err)
		if !errors.Is(err, syscall.ECONNREFUSED) {
			return err
		}
		forgetRefusals(d.socket)
		d.fault(err)
	}
	return err
}

// read takes what the device sends until the socket is closed. Neither bad
// datagrams nor refused ones end it.
func (d *datagrams) read(packet func([]byte), up func()) {
	up()
	buffer := make([]byte, 1<<16) // more than any datagram
	for {
		n, from, err := d.socket.ReadFromUDPAddrPort(buffer)
		switch {
		case errors.Is(err, net.ErrClosed):
			return
		case err != nil:
			forgetRefusals(d.socket)
			d.fault(d.explain(err))
			time.Sleep(time.Millisecond) // a socket that fails for good must not take a whole core
		case !d.is(from):
			d.foreign.Add(1)
		default:
			packet(buffer[:n])
		}
	}
}

func (d *datagrams) is(from netip.AddrPort) bool {
	return from.Addr().Unmap().WithZone("") == d.to.Addr().WithZone("") && (d.anyPort || from.Port() == d.to.Port())
}

func (d *datagrams) close() error { return d.socket.Close() }

// explain puts an error of the socket in words.
func (d *datagrams) explain(err error) error {
	if errors.Is(err, syscall.ECONNREFUSED) {
		return fmt.Errorf("nothing is listening at %s: %w", d.address, syscall.ECONNREFUSED)
	}
	return fmt.Errorf("connection to %s: %w", d.address, err)
}
