package osc

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// patience is for what must happen soon on a healthy machine; no test waits
// that long unless it fails.
const patience = 20 * time.Second

// device is the far end: a plain UDP socket that a test reads and writes.
type device struct {
	t      *testing.T
	socket *net.UDPConn
}

func newDevice(t *testing.T, address string) device {
	t.Helper()
	at, err := net.ResolveUDPAddr("udp", address)
	if err != nil {
		t.Fatal(err)
	}
	socket, err := net.ListenUDP("udp", at)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { socket.Close() })
	return device{t, socket}
}

func (d device) address() string { return d.socket.LocalAddr().String() }

// read waits for one datagram. It may run beside the test: it only returns.
func (d device) read() (Message, *net.UDPAddr, error) {
	buffer := make([]byte, 1<<16)
	d.socket.SetReadDeadline(time.Now().Add(patience))
	n, from, err := d.socket.ReadFromUDP(buffer)
	if err != nil {
		return Message{}, nil, err
	}
	messages, err := Decode(buffer[:n])
	if err != nil {
		return Message{}, nil, err
	}
	return messages[0], from, nil
}

// write sends packets, one datagram each.
func (d device) write(to *net.UDPAddr, packets ...[]byte) {
	for _, p := range packets {
		if _, err := d.socket.WriteToUDP(p, to); err != nil {
			d.t.Error(err)
		}
	}
}

// replies answers one query with packets.
func (d device) replies(packets ...[]byte) {
	go func() {
		if _, from, err := d.read(); err != nil {
			d.t.Error(err)
		} else {
			d.write(from, packets...)
		}
	}()
}

func dial(t *testing.T, address string, gap time.Duration) *Conn {
	t.Helper()
	c, err := Dial(address, Options{Gap: gap})
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

func patient(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	return ctx
}

func at(address string) func(Message) bool {
	return func(m Message) bool { return m.Address == address }
}

func packet(address string, args ...any) []byte {
	return bySpecification(Message{Address: address, Args: args})
}

// eventually waits for something that happens beside the test.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !is(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Errorf("%s never happened", what)
			return
		}
	}
}

// D18: the codec's client sends each message from another port, where no reply
// can reach it.
func TestRepliesComeToTheAskingPort(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	var port int
	for i := range 3 {
		if err := c.Send(patient(t), Message{Address: "/a", Args: []any{int32(i)}}); err != nil {
			t.Fatal(err)
		}
		m, from, err := d.read()
		if err != nil || m.Address != "/a" || m.Args[0] != int32(i) {
			t.Fatalf("the device heard %s, %v", m, err)
		}
		if i > 0 && from.Port != port {
			t.Errorf("datagram %d came from port %d, the one before from %d", i, from.Port, port)
		}
		port = from.Port
	}
	d.replies(packet("/a", float32(5.21)))
	m, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a"))
	if err != nil || m.String() != "/a ,f 5.21" {
		t.Errorf("got %s, %v", m, err)
	}
	if c.Dropped() != 0 {
		t.Errorf("%d dropped", c.Dropped())
	}
}

func TestStaleReplyIsDropped(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	if err := c.Send(patient(t), Message{Address: "/a"}); err != nil {
		t.Fatal(err)
	}
	_, from, err := d.read()
	if err != nil {
		t.Fatal(err)
	}
	d.write(from, packet("/a", int32(1)))
	eventually(t, "the drop", func() bool { return c.Dropped() == 1 })
	d.replies(packet("/a", int32(2)))
	m, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a"))
	if err != nil || m.String() != "/a ,i 2" {
		t.Errorf("got %s, %v, want the reply that came after the question", m, err)
	}
}

// While a question waits for its turn, nothing may answer it yet.
func TestReplyBeforeTheQuestionIsNoAnswer(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	if err := c.Send(patient(t), Message{Address: "/a"}); err != nil {
		t.Fatal(err)
	}
	_, from, err := d.read()
	if err != nil {
		t.Fatal(err)
	}
	last := <-c.turn
	answer := make(chan string)
	go func() {
		m, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a"))
		answer <- fmt.Sprintf("%s, %v", m, err)
	}()
	d.write(from, packet("/a", int32(1))) // late, for somebody before us
	eventually(t, "the drop", func() bool { return c.Dropped() == 1 })
	d.replies(packet("/a", int32(2)))
	c.turn <- last
	if got := <-answer; got != "/a ,i 2, <nil>" {
		t.Errorf("got %s", got)
	}
}

// D5: the codec's server stops for good on the first bad or empty datagram.
func TestBadDatagramsAreSurvived(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	bad := [][]byte{{}, []byte("/a\x00\x00,x\x00\x00"), []byte("/["), []byte("#bundle\x00"), bundle(), packet("/b", int32(3))}
	for _, r := range refused {
		bad = append(bad, raw(t, r.packet))
	}
	d.replies(append(bad, packet("/a", int32(1)))...)
	m, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a"))
	if err != nil || m.String() != "/a ,i 1" {
		t.Fatalf("got %s, %v", m, err)
	}
	if c.Dropped() != len(bad) {
		t.Errorf("%d dropped of %d bad ones", c.Dropped(), len(bad))
	}
}

// One bundle may answer several questions, and need not answer all it could.
func TestBundleAnswersSeveral(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	answers := make(chan string)
	for _, address := range []string{"/a", "/c"} {
		go func() {
			m, err := c.Ask(patient(t), Message{Address: address}, at(address))
			answers <- fmt.Sprintf("%s, %v", m, err)
		}()
	}
	if _, _, err := d.read(); err != nil {
		t.Fatal(err)
	}
	_, from, err := d.read()
	if err != nil {
		t.Fatal(err)
	}
	d.write(from, raw(t, now+"0000000c"+msgA+"0000000c"+msgB+"0000000c"+msgC))
	got := map[string]bool{<-answers: true, <-answers: true}
	if !got["/a ,i 1, <nil>"] || !got["/c ,i 3, <nil>"] || c.Dropped() != 0 {
		t.Errorf("got %v, %d dropped", got, c.Dropped())
	}
}

func TestOnlyTheDeviceIsHeard(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	stranger := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	go func() {
		if _, from, err := d.read(); err != nil {
			t.Error(err)
		} else {
			stranger.write(from, packet("/a", int32(666)))
			d.write(from, packet("/a", int32(1)))
		}
	}()
	m, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a"))
	if err != nil || m.String() != "/a ,i 1" {
		t.Errorf("got %s, %v", m, err)
	}
	if c.Foreign() != 1 || c.Dropped() != 0 {
		t.Errorf("%d foreign and %d dropped datagrams, want 1 and 0", c.Foreign(), c.Dropped())
	}
}

// D18: the codec's client says nothing when nobody is there.
func TestRefusedPort(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	address := d.address()
	d.socket.Close()
	c := dial(t, address, 0)
	for range 100 { // the kernel hands each refusal to the next call
		if err := c.Send(patient(t), Message{Address: "/a"}); err != nil {
			t.Fatalf("Send knows nothing of the device, but says %v", err)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	_, err := c.Ask(ctx, Message{Address: "/a"}, at("/a"))
	if !errors.Is(err, syscall.ECONNREFUSED) || !strings.HasPrefix(err.Error(), "nothing is listening at "+address) {
		t.Errorf("got %v", err)
	}

	d = newDevice(t, address) // switched on
	d.replies(packet("/a", int32(1)))
	if m, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a")); err != nil || m.String() != "/a ,i 1" {
		t.Errorf("after it was switched on: %s, %v", m, err)
	}
	ctx, cancel = context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	_, err = c.Ask(ctx, Message{Address: "/a"}, at("/a")) // it is there, it is just silent
	if !errors.Is(err, context.DeadlineExceeded) || errors.Is(err, syscall.ECONNREFUSED) {
		t.Errorf("silence: %v", err)
	}
}

// A device that answers at the wrong address, or with something unreadable,
// is not the same to a person as one that is silent.
func TestTimeoutSaysWhatWasHeard(t *testing.T) {
	for _, c := range []struct {
		reply []byte
		want  string
	}{
		{packet("/out/01/delay", float32(5)), "heard instead: /out/01/delay ,f 5"},
		{[]byte("/a\x00\x00,I\x00\x00"), `heard instead: osc message "/a": argument 1: type tag 'I' is not supported`},
		{bundle(), "heard instead: a bundle without messages"},
	} {
		d := newDevice(t, "127.0.0.1:0")
		conn := dial(t, d.address(), 0)
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		go func() { // ends the wait when the reply is known to be in
			if _, from, err := d.read(); err == nil {
				d.write(from, c.reply)
			}
			eventually(t, "the drop", func() bool { return conn.Dropped() == 1 })
			cancel()
		}()
		_, err := conn.Ask(expiring{ctx}, Message{Address: "/out/1/delay"}, at("/out/1/delay"))
		start := "no answer to /out/1/delay from " + d.address() + "; "
		if !errors.Is(err, context.DeadlineExceeded) || err.Error() != start+c.want {
			t.Errorf("got %v, want %s%s", err, start, c.want)
		}
	}
}

// expiring is a context whose deadline passes at the moment of its cancel, so
// that a test says when, not a clock.
type expiring struct{ context.Context }

func (c expiring) Err() error {
	if c.Context.Err() != nil {
		return context.DeadlineExceeded
	}
	return nil
}

func TestCancel(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		if _, _, err := d.read(); err != nil {
			t.Error(err)
		}
		cancel()
	}()
	_, err := c.Ask(ctx, Message{Address: "/a"}, at("/a"))
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if len(c.asking) != 0 {
		t.Errorf("%d questions left behind", len(c.asking))
	}
	if err := c.Send(ctx, Message{Address: "/b"}); !errors.Is(err, context.Canceled) {
		t.Errorf("Send with an ended context: %v", err)
	}
	if err := c.Send(patient(t), Message{Address: "/c"}); err != nil {
		t.Error(err)
	}
	if m, _, err := d.read(); err != nil || m.Address != "/c" {
		t.Errorf("the device heard %s, %v, want /c and never /b", m, err)
	}
}

func TestGap(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	const gap = 20 * time.Millisecond
	c := dial(t, d.address(), gap)
	start := time.Now()
	var all sync.WaitGroup
	for range 6 {
		all.Go(func() {
			if err := c.Send(patient(t), Message{Address: "/a"}); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if took := time.Since(start); took < 5*gap { // a slow machine only takes longer
		t.Errorf("6 datagrams in %v, want 5 gaps of %v at least", took, gap)
	}
}

func TestCancelWithinTheGap(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), time.Hour)
	if err := c.Send(patient(t), Message{Address: "/a"}); err != nil {
		t.Fatal(err)
	}
	for range 2 { // one waits for the gap, and after it the turn is still there
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
		_, err := c.Ask(ctx, Message{Address: "/b"}, at("/b"))
		cancel()
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v", err)
		}
	}
	if len(c.turn) != 1 || len(c.asking) != 0 {
		t.Errorf("%d turns and %d questions left", len(c.turn), len(c.asking))
	}
}

// Many at once; the device answers in reverse, and each must get its own.
func TestManyAtOnce(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	const n = 32
	go func() {
		var asked []Message
		var from *net.UDPAddr
		for range n {
			m, f, err := d.read()
			if err != nil {
				t.Error(err)
				return
			}
			asked, from = append(asked, m), f
		}
		for i := n - 1; i >= 0; i-- {
			d.write(from, packet(asked[i].Address, asked[i].Address))
		}
	}()
	var all sync.WaitGroup
	for i := range n {
		all.Go(func() {
			address := fmt.Sprintf("/out/%d", i)
			m, err := c.Ask(patient(t), Message{Address: address}, at(address))
			if err != nil || m.Args[0] != address {
				t.Errorf("%s got %s, %v", address, m, err)
			}
			c.Dropped()
		})
	}
	all.Wait()
	if c.Dropped() != 0 {
		t.Errorf("%d dropped", c.Dropped())
	}
}

// Two who ask the same must both be answered, by one reply each.
func TestOneReplyAnswersOneQuestion(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	answers := make(chan any)
	for range 2 {
		go func() {
			m, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a"))
			if err != nil {
				answers <- err
				return
			}
			answers <- m.Args[0]
		}()
	}
	for i := range 2 {
		_, from, err := d.read()
		if err != nil {
			t.Fatal(err)
		}
		d.write(from, packet("/a", int32(i)))
	}
	got := map[any]bool{<-answers: true, <-answers: true}
	if !got[int32(0)] || !got[int32(1)] {
		t.Errorf("got %v", got)
	}
}

func TestClose(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	go func() {
		if _, _, err := d.read(); err != nil {
			t.Error(err)
		}
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}()
	if _, err := c.Ask(patient(t), Message{Address: "/a"}, at("/a")); !errors.Is(err, net.ErrClosed) {
		t.Errorf("Ask while it closes: %v", err)
	}
	if err := c.Send(patient(t), Message{Address: "/a"}); !errors.Is(err, net.ErrClosed) {
		t.Errorf("Send afterwards: %v", err)
	}
	if err := c.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
	var zero Conn
	if err := zero.Send(t.Context(), Message{Address: "/a"}); err == nil {
		t.Error("a Conn that was never dialled sends")
	}
	if err := zero.Close(); err != nil {
		t.Error(err)
	}
}

func TestWhatCannotBeEncodedIsNotSent(t *testing.T) {
	d := newDevice(t, "127.0.0.1:0")
	c := dial(t, d.address(), 0)
	if err := c.Send(patient(t), Message{Address: "/a", Args: []any{1}}); err == nil || !strings.Contains(err.Error(), "type int") {
		t.Errorf("Send: %v", err)
	}
	if _, err := c.Ask(patient(t), Message{Address: "a"}, at("a")); err == nil || !strings.Contains(err.Error(), "slash") {
		t.Errorf("Ask: %v", err)
	}
	if err := c.Send(patient(t), Message{Address: "/last"}); err != nil {
		t.Error(err)
	}
	if m, _, err := d.read(); err != nil || m.Address != "/last" {
		t.Errorf("the device heard %s, %v", m, err)
	}
}

func TestDialRefuses(t *testing.T) {
	for _, address := range []string{
		"", "localhost", "127.0.0.1", ":9000", "0.0.0.0:9000", "[::]:9000", "127.0.0.1:0",
		"127.0.0.1:99999", "127.0.0.1:http:1", "224.0.0.1:9000", "255.255.255.255:9000",
	} {
		c, err := Dial(address, Options{})
		if err == nil {
			c.Close()
			t.Errorf("%q was taken", address)
		} else if !strings.HasPrefix(err.Error(), fmt.Sprintf("processor address %q: ", address)) {
			t.Errorf("%q: %v", address, err)
		}
	}
}
