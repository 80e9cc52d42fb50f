package emulated

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"

	"hushback/control/osc"
)

// line is a socket that packets come in on and answers go out of.
type line interface {
	addr() net.Addr
	// serve calls take with every packet and sends what it returns, until close.
	serve(take func(packet []byte, from string) [][]byte)
	close()
}

func listen(t osc.Transport, address string) (line, error) {
	if t == osc.TCPLength || t == osc.TCPSLIP {
		l, err := net.Listen("tcp", address)
		if err != nil {
			return nil, err
		}
		return &streams{listener: l, slip: t == osc.TCPSLIP, open: map[net.Conn]bool{}}, nil
	}
	at, err := net.ResolveUDPAddr("udp", address)
	if err != nil {
		return nil, err
	}
	conn, err := net.ListenUDP("udp", at)
	if err != nil {
		return nil, err
	}
	return datagrams{conn}, nil
}

type datagrams struct{ conn *net.UDPConn }

func (d datagrams) addr() net.Addr { return d.conn.LocalAddr() }

func (d datagrams) close() { d.conn.Close() }

// serve answers to the port that asked. For a kind that answers to a fixed port
// that is the same, as hushback asks from the port that it hears at.
func (d datagrams) serve(take func([]byte, string) [][]byte) {
	buffer := make([]byte, 64<<10)
	for {
		n, from, err := d.conn.ReadFromUDPAddrPort(buffer)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			continue // told of an answer that nobody was there for
		}
		for _, answer := range take(buffer[:n], from.String()) {
			// An answer that cannot be sent is an answer lost, as on any network.
			_, _ = d.conn.WriteToUDPAddrPort(answer, from)
		}
	}
}

// streams serves TCP connections, each on a goroutine of its own.
type streams struct {
	listener net.Listener
	slip     bool

	mu   sync.Mutex
	open map[net.Conn]bool
}

func (s *streams) addr() net.Addr { return s.listener.Addr() }

func (s *streams) close() {
	s.listener.Close()
	s.cut()
}

// cut ends every connection there is.
func (s *streams) cut() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for conn := range s.open {
		conn.Close()
	}
}

func (s *streams) serve(take func([]byte, string) [][]byte) {
	var all sync.WaitGroup
	defer all.Wait()
	for {
		conn, err := s.listener.Accept()
		if err != nil {
			s.cut() // what was accepted while closing
			return
		}
		s.mu.Lock()
		s.open[conn] = true
		s.mu.Unlock()
		all.Go(func() { s.talk(conn, take) })
	}
}

func (s *streams) talk(conn net.Conn, take func([]byte, string) [][]byte) {
	defer func() {
		conn.Close()
		s.mu.Lock()
		delete(s.open, conn)
		s.mu.Unlock()
	}()
	in := bufio.NewReader(conn)
	for {
		packet, err := s.read(in)
		if err != nil {
			return
		}
		for _, answer := range take(packet, conn.RemoteAddr().String()) {
			if _, err := conn.Write(s.frame(answer)); err != nil {
				return
			}
		}
	}
}

// read takes one packet out of the stream: between two ENDs with the escapes of
// RFC 1055 undone, or as long as the number before it says.
func (s *streams) read(in *bufio.Reader) ([]byte, error) {
	if s.slip {
		text, err := in.ReadString(0xc0)
		if err != nil {
			return nil, err
		}
		packet := strings.NewReplacer("\xdb\xdc", "\xc0", "\xdb\xdd", "\xdb").Replace(strings.TrimSuffix(text, "\xc0"))
		if packet == "" {
			return s.read(in)
		}
		return []byte(packet), nil
	}
	var size uint32
	if err := binary.Read(in, binary.BigEndian, &size); err != nil {
		return nil, err
	}
	if size > 1<<16 {
		return nil, fmt.Errorf("a packet of %d bytes", size)
	}
	packet := make([]byte, size)
	_, err := io.ReadFull(in, packet)
	return packet, err
}

func (s *streams) frame(packet []byte) []byte {
	if s.slip {
		return []byte("\xc0" + strings.NewReplacer("\xc0", "\xdb\xdc", "\xdb", "\xdb\xdd").Replace(string(packet)) + "\xc0")
	}
	return append(binary.BigEndian.AppendUint32(nil, uint32(len(packet))), packet...)
}
