//go:build !linux

package osc

import "net"

// Elsewhere a device that is not there is noticed by its silence.
func hearRefusals(*net.UDPConn, bool) error { return nil }

func forgetRefusals(*net.UDPConn) {}
