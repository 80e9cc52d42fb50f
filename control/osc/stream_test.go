package osc

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"testing"
	"time"
)

// server is a device that speaks over TCP: it answers every message with the
// same, in the framing written out here once more.
type server struct {
	listener net.Listener
	heard    chan Message
	lines    chan net.Conn // connections taken, for the test to cut
}

func newServer(t *testing.T, address string, transport Transport) *server {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	s := &server{listener: l, heard: make(chan Message, 1000), lines: make(chan net.Conn, 10)}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			line, err := l.Accept()
			if err != nil {
				return
			}
			s.lines <- line
			go s.serve(line, transport)
		}
	}()
	return s
}

func (s *server) serve(line net.Conn, transport Transport) {
	defer line.Close()
	in := bufio.NewReader(line)
	for {
		packet, err := byHand(in, transport)
		if err != nil {
			return
		}
		messages, err := Decode(packet)
		if err != nil {
			return
		}
		for _, m := range messages {
			s.heard <- m
		}
		if transport == TCPSLIP {
			line.Write(frameSLIP(packet))
		} else {
			line.Write(frameLength(packet))
		}
	}
}

// byHand reads a frame by another route than the code: SLIP by splitting at
// END and replacing, lengths by arithmetic.
func byHand(in *bufio.Reader, transport Transport) ([]byte, error) {
	if transport == TCPLength {
		var w [4]byte
		if _, err := io.ReadFull(in, w[:]); err != nil {
			return nil, err
		}
		packet := make([]byte, (int(w[0])*256+int(w[1]))*65536+int(w[2])*256+int(w[3]))
		_, err := io.ReadFull(in, packet)
		return packet, err
	}
	for {
		text, err := in.ReadString(0xc0)
		if err != nil {
			return nil, err
		}
		if text = strings.TrimSuffix(text, "\xc0"); text != "" {
			return []byte(strings.NewReplacer("\xdb\xdc", "\xc0", "\xdb\xdd", "\xdb").Replace(text)), nil
		}
	}
}

func dialWith(t *testing.T, address string, o Options) *Conn {
	t.Helper()
	c, err := Dial(address, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	})
	return c
}

// -6 dB holds two END bytes, 219 an ESC: values that framing could spoil.
func TestAskOverTCP(t *testing.T) {
	for _, transport := range []Transport{TCPLength, TCPSLIP} {
		s := newServer(t, "127.0.0.1:0", transport)
		c := dialWith(t, s.listener.Addr().String(), Options{Transport: transport})
		for i, value := range []any{float32(-6), int32(219), strings.Repeat("x", 3000), nil} {
			q := Message{Address: fmt.Sprintf("/value/%d", i), Args: []any{value}}
			m, err := c.Ask(patient(t), q, at(q.Address))
			if err != nil || !same(m, q) {
				t.Errorf("%s: asked %.60s, got %.60s, %v", transport, q, m, err)
			}
		}
	}
}

// A device that is switched on later, and one that goes away for a while, is
// found again; what was asked meanwhile ends with a reason.
func TestTCPConnectionComesAndGoes(t *testing.T) {
	place, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := place.Addr().String()
	place.Close()
	c := dialWith(t, address, Options{Transport: TCPSLIP})
	_, err = c.Ask(patient(t), Message{Address: "/a"}, at("/a"))
	if err == nil || !strings.Contains(err.Error(), "no connection to "+address) {
		t.Errorf("without a device: %v", err)
	}
	for range 2 {
		s := newServer(t, address, TCPSLIP)
		eventually(t, "an answer", func() bool {
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			_, err := c.Ask(ctx, Message{Address: "/a"}, at("/a"))
			return err == nil
		})
		s.listener.Close()
		(<-s.lines).Close()
		eventually(t, "a refusal", func() bool {
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			_, err := c.Ask(ctx, Message{Address: "/a"}, at("/a"))
			return err != nil
		})
	}
}

// Closing ends a Conn that still tries to connect, and one whose device takes
// nothing.
func TestTCPClose(t *testing.T) {
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	c, err := Dial(silent.Addr().String(), Options{Transport: TCPLength})
	if err != nil {
		t.Fatal(err)
	}
	asked := make(chan error, 1)
	go func() {
		_, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a"))
		asked <- err
	}()
	time.Sleep(10 * time.Millisecond) // either order is right; this makes the usual one likely
	if err := c.Close(); err != nil {
		t.Error(err)
	}
	if err := <-asked; !errors.Is(err, net.ErrClosed) {
		t.Errorf("who still asked got %v", err)
	}
}

// Bundles: as many messages as allowed, never above 1400 bytes, all of them and
// in order; and one by one where none are allowed.
func TestSendAll(t *testing.T) {
	var messages []Message
	for i := range 100 {
		messages = append(messages, Message{Address: fmt.Sprintf("/out/%d/name", i), Args: []any{strings.Repeat("n", i)}})
	}
	for _, most := range []int{0, 1, 5, 1000} {
		d := newDevice(t, "127.0.0.1:0")
		c := dialWith(t, d.address(), Options{Bundle: most})
		if err := c.SendAll(patient(t), messages); err != nil {
			t.Fatal(err)
		}
		buffer := make([]byte, 1<<16)
		for got := 0; got < len(messages); {
			d.socket.SetReadDeadline(time.Now().Add(patience))
			n, _, err := d.socket.ReadFromUDP(buffer)
			if err != nil {
				t.Fatalf("bundles of %d: %d messages came, then %v", most, got, err)
			}
			some, err := Decode(buffer[:n])
			if err != nil || n > 1400 || len(some) > max(1, most) {
				t.Fatalf("bundles of %d: %d messages in %d bytes, %v", most, len(some), n, err)
			}
			if most == 1000 && got == 0 && len(some) < 20 {
				t.Errorf("only %d messages in the first bundle", len(some))
			}
			for _, m := range some {
				if !same(m, messages[got]) {
					t.Fatalf("bundles of %d: message %d is %s", most, got, m)
				}
				got++
			}
		}
	}
	c := dialWith(t, "127.0.0.1:9", Options{Bundle: 4})
	if err := c.SendAll(patient(t), []Message{{Address: "/a"}, {Address: "a"}}); err == nil {
		t.Error("a message that cannot be sent was sent")
	}
}

// The bytes of a bundle, worked out by hand from the specification.
func TestBundleBytes(t *testing.T) {
	got, n, err := pack([]Message{{Address: "/a", Args: []any{int32(1)}}, {Address: "/b", Args: []any{int32(2)}}}, 2)
	if want := raw(t, now+"0000000c"+msgA+"0000000c"+msgB); err != nil || n != 2 || string(got) != string(want) {
		t.Errorf("got %x, %d, %v, want %x", got, n, err, want)
	}
}

// A device that answers to a fixed port, from a port of its own.
func TestReplyPort(t *testing.T) {
	free := newDevice(t, "127.0.0.1:0")
	port := free.socket.LocalAddr().(*net.UDPAddr).Port
	free.socket.Close()
	d, mouth := newDevice(t, "127.0.0.1:0"), newDevice(t, "127.0.0.1:0")
	stranger := newDevice(t, "127.0.0.2:0")
	c := dialWith(t, d.address(), Options{ReplyPort: port})
	go func() {
		if _, _, err := d.read(); err != nil {
			t.Error(err)
			return
		}
		there := &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: port}
		stranger.write(there, packet("/a", int32(666)))
		mouth.write(there, packet("/a", int32(1)))
	}()
	m, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a"))
	if err != nil || m.String() != "/a ,i 1" || c.Foreign() != 1 {
		t.Errorf("got %s, %v; %d foreign", m, err, c.Foreign())
	}
	if _, err := Dial(d.address(), Options{ReplyPort: port}); err == nil || !strings.Contains(err.Error(), "hearing replies") {
		t.Errorf("a port in use: %v", err)
	}
}

// Renewals come at once and again, over both kinds of link.
func TestRenewals(t *testing.T) {
	alive := Renewal{Message{Address: "/alive", Args: []any{int32(10)}}, 5 * time.Millisecond}
	d := newDevice(t, "127.0.0.1:0")
	dialWith(t, d.address(), Options{Renew: []Renewal{alive, {Message{Address: "/once"}, time.Hour}}})
	counts := map[string]int{}
	for counts["/alive"] < 5 {
		m, _, err := d.read()
		if err != nil {
			t.Fatal(err)
		}
		counts[m.Address]++
	}
	if counts["/once"] != 1 {
		t.Errorf("heard %v", counts)
	}
	s := newServer(t, "127.0.0.1:0", TCPLength)
	dialWith(t, s.listener.Addr().String(), Options{Transport: TCPLength, Renew: []Renewal{alive}})
	for range 3 {
		<-s.heard
	}
	(<-s.lines).Close() // the renewal goes on over the next connection
	for range 3 {
		<-s.heard
	}
	for _, bad := range []Renewal{{Message{Address: "x"}, time.Second}, {Message{Address: "/x"}, 0}} {
		if _, err := Dial(d.address(), Options{Renew: []Renewal{bad}}); err == nil {
			t.Errorf("took %v", bad)
		}
	}
}

// Played against a clock of its own: at most Burst messages leave in any
// Burst·Gap, whenever and in whatever packets they come, and never later than
// that makes them.
func TestBurst(t *testing.T) {
	const seed = 14
	r := rand.New(rand.NewPCG(seed, 0))
	const gap = 10 * time.Millisecond
	for burst := 1; burst <= 6; burst++ {
		d := make(departures, burst)
		now := time.Unix(1000, 0)
		var all []time.Time
		for range 400 {
			now = now.Add(time.Duration(r.IntN(30)) * time.Millisecond)
			n := 1 + r.IntN(burst)
			if due := d.due(n, gap); due.After(now) {
				if within := due.Add(-time.Duration(burst) * gap); !slices.ContainsFunc(all, func(t time.Time) bool { return t.Equal(within) }) {
					t.Fatalf("seed %d, burst %d: due at %s, which follows from no departure", seed, burst, due)
				}
				now = due
			}
			d = d.leave(n, now)
			all = append(all, slices.Repeat([]time.Time{now}, n)...)
		}
		for i := burst; i < len(all); i++ {
			if all[i].Sub(all[i-burst]) < time.Duration(burst)*gap {
				t.Fatalf("seed %d: %d messages within %s of %s", seed, burst+1, all[i].Sub(all[i-burst]), gap)
			}
		}
	}
}
