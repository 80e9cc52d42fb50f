package osc

import (
	"net"
	"syscall"
)

// hearRefusals asks the kernel to report what ICMP says of datagrams sent from
// a socket that is not tied to one device; without it "nothing is listening
// there" would be a long wait for nothing (ip(7), IP_RECVERR).
func hearRefusals(socket *net.UDPConn, six bool) error {
	raw, err := socket.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = raw.Control(func(fd uintptr) {
		if six {
			failed = syscall.SetsockoptInt(int(fd), syscall.IPPROTO_IPV6, syscall.IPV6_RECVERR, 1)
		} else {
			failed = syscall.SetsockoptInt(int(fd), syscall.IPPROTO_IP, syscall.IP_RECVERR, 1)
		}
	})
	if err != nil {
		return err
	}
	return failed
}

// forgetRefusals empties the queue that the reports are kept in: they take room
// that replies need.
func forgetRefusals(socket *net.UDPConn) {
	raw, err := socket.SyscallConn()
	if err != nil {
		return
	}
	var body, extra [512]byte
	_ = raw.Control(func(fd uintptr) {
		for {
			if _, _, _, _, err := syscall.Recvmsg(int(fd), body[:], extra[:], syscall.MSG_ERRQUEUE|syscall.MSG_DONTWAIT); err != nil {
				return
			}
		}
	})
}
