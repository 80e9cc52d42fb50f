package osc

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"
)

// How a connection that cannot be made is tried again.
const (
	firstRetry = 50 * time.Millisecond
	lastRetry  = 2 * time.Second
	dialFor    = 2 * time.Second
	writeFor   = 2 * time.Second // a device that takes nothing for so long is given up
)

// stream is a link over TCP. It makes its connection by itself, and makes it
// again when it was lost.
type stream struct {
	address string
	frame   func([]byte) []byte
	unframe func(*bufio.Reader) ([]byte, error)
	fault   func(error) // told of what comes instead of a reply
	ctx     context.Context
	cancel  context.CancelFunc

	mu      sync.Mutex
	conn    net.Conn
	down    error         // why there is no connection; nil while the first is being made
	changed chan struct{} // closed when conn or down changes
}

func openStream(address string, t Transport, fault func(error)) (*stream, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil || host == "" || port == "" || port == "0" {
		return nil, errors.Join(errors.New("want one processor as HOST:PORT"), err)
	}
	s := &stream{address: address, frame: frameLength, unframe: unframeLength, fault: fault, changed: make(chan struct{})}
	if t == TCPSLIP {
		s.frame, s.unframe = frameSLIP, unframeSLIP
	}
	s.ctx, s.cancel = context.WithCancel(context.Background())
	return s, nil
}

// write sends one packet whole, or closes the connection: half a packet must
// not be taken for the beginning of the next.
func (s *stream) write(ctx context.Context, packet []byte) error {
	conn, err := s.connected(ctx)
	if err != nil {
		return err
	}
	if err = conn.SetWriteDeadline(time.Now().Add(writeFor)); err == nil {
		_, err = conn.Write(s.frame(packet))
	}
	if err != nil {
		return errors.Join(fmt.Errorf("connection to %s: %w", s.address, err), conn.Close())
	}
	return nil
}

// connected is the connection there is. It waits for the first one to be made,
// and tells why there is none after that.
func (s *stream) connected(ctx context.Context) (net.Conn, error) {
	for {
		s.mu.Lock()
		conn, down, changed := s.conn, s.down, s.changed
		s.mu.Unlock()
		switch {
		case conn != nil:
			return conn, nil
		case down != nil:
			return nil, down
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-s.ctx.Done():
			return nil, net.ErrClosed
		}
	}
}

func (s *stream) set(conn net.Conn, down error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn, s.down = conn, down
	close(s.changed)
	s.changed = make(chan struct{})
}

func (s *stream) read(packet func([]byte), up func()) {
	wait := firstRetry
	for s.ctx.Err() == nil {
		dialer := net.Dialer{Timeout: dialFor}
		conn, err := dialer.DialContext(s.ctx, "tcp", s.address)
		if err == nil {
			s.set(conn, nil)
			up()
			wait = firstRetry
			err = s.hear(conn, packet)
		}
		if s.ctx.Err() != nil {
			return
		}
		err = fmt.Errorf("no connection to %s: %w", s.address, err)
		s.set(nil, err)
		s.fault(err)
		select {
		case <-time.After(wait):
		case <-s.ctx.Done():
		}
		wait = min(2*wait, lastRetry)
	}
}

// hear takes packets until the connection ends, which close sees to as well.
func (s *stream) hear(conn net.Conn, packet func([]byte)) error {
	stop := context.AfterFunc(s.ctx, func() { conn.Close() })
	defer stop()
	defer conn.Close()
	in := bufio.NewReaderSize(conn, 1<<16)
	for {
		p, err := s.unframe(in)
		if err != nil {
			return err
		}
		packet(p)
	}
}

func (s *stream) close() error {
	s.cancel()
	return nil
}
