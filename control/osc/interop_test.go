package osc

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// Two implementations that nobody here wrote: liblo (Debian's liblo-tools) and
// the npm package osc. `bash .ci/run` installs both; go test -short does without.

// tool is the path of a program that a test cannot do without.
func tool(t *testing.T, name, install string) string {
	t.Helper()
	if testing.Short() {
		t.Log("short: nothing is exchanged with other implementations")
		return ""
	}
	path, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is needed: %s (or go test -short)", name, install)
	}
	return path
}

const (
	needLiblo = "apt-get install liblo-tools"
	needNode  = "apt-get install nodejs npm && npm install --no-save --omit=optional --prefix .ci osc@2.4.5"
)

// freePort is a port that nothing listens at.
func freePort(t *testing.T, network string) int {
	t.Helper()
	if network == "udp" {
		d := newDevice(t, "127.0.0.1:0")
		defer d.socket.Close()
		return d.socket.LocalAddr().(*net.UDPAddr).Port
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// started runs a program until the test ends and gives its lines as they come.
func started(t *testing.T, name string, args ...string) <-chan string {
	t.Helper()
	command := exec.Command(name, args...)
	out, err := command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	command.Stderr = t.Output()
	if modules, err := filepath.Abs("../../.ci/node_modules"); err == nil {
		command.Env = append(os.Environ(), "NODE_PATH="+modules)
	}
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	lines := make(chan string, 1000)
	go func() {
		defer close(lines)
		for in := bufio.NewScanner(out); in.Scan(); {
			lines <- in.Text()
		}
	}()
	t.Cleanup(func() {
		command.Process.Kill()
		command.Wait()
	})
	return lines
}

func nextLine(t *testing.T, lines <-chan string) string {
	t.Helper()
	select {
	case line, ok := <-lines:
		if !ok {
			t.Fatal("the other program ended")
		}
		return line
	case <-time.After(patience):
		t.Fatal("the other program says nothing")
	}
	return ""
}

// everything is one message of each type that Message can hold, with what
// oscdump writes for it.
var everything = []struct {
	args []any
	dump string
}{
	{[]any{int32(-7)}, "i -7"},
	{[]any{int64(1 << 40)}, "h 1099511627776"},
	{[]any{float32(-7.5)}, "f -7.500000"},
	{[]any{2.25}, "d 2.250000"},
	{[]any{"sub left"}, `s "sub left"`},
	{[]any{[]byte{0xaa, 0xbb, 0xcc}}, "b [3b 0xaa 0xbb 0xcc]"},
	{[]any{true, false, nil}, "TFN #T #F Nil"},
	{[]any{TimeTag(0xfedcba9876543210)}, "t fedcba98.76543210"},
	{[]any{int32(1), "x", float32(-6), false, int64(2)}, `isfFh 1 "x" -6.000000 #F 2`},
	{nil, ""},
}

// What is sent here, liblo's oscdump must print: alone, in bundles, over TCP in
// both framings (liblo tells them apart by the first byte).
func TestLibloReadsWhatIsSent(t *testing.T) {
	dump := tool(t, "oscdump", needLiblo)
	if dump == "" {
		return
	}
	for _, o := range []Options{{}, {Bundle: 4}, {Transport: TCPLength}, {Transport: TCPSLIP}} {
		network := "udp"
		if o.Transport != "" {
			network = "tcp"
		}
		port := freePort(t, network)
		lines := started(t, dump, "-L", fmt.Sprintf("osc.%s://:%d", network, port))
		c := dialWith(t, fmt.Sprintf("127.0.0.1:%d", port), o)
		greet(t, c, lines)
		var messages []Message
		for i, e := range everything {
			messages = append(messages, Message{Address: fmt.Sprintf("/m/%d", i), Args: e.args})
		}
		if err := c.SendAll(patient(t), messages); err != nil {
			t.Fatal(err)
		}
		for i, e := range everything {
			line := nextLine(t, lines)
			for strings.HasSuffix(line, "/hello ") {
				line = nextLine(t, lines)
			}
			_, said, _ := strings.Cut(line, " ") // the time comes first
			if want := strings.TrimSpace(fmt.Sprintf("/m/%d %s", i, e.dump)); strings.TrimSpace(said) != want {
				t.Errorf("%+v: oscdump read %q, want %q", o, said, want)
			}
		}
	}
}

// greet repeats a greeting until the other program, which starts in its own
// time, has heard one.
func greet(t *testing.T, c *Conn, lines <-chan string) {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); {
		_ = c.Send(patient(t), Message{Address: "/hello"})
		select {
		case <-lines:
			return
		case <-time.After(20 * time.Millisecond):
		}
	}
	t.Fatal("oscdump hears nothing")
}

// What liblo's oscsend sends must be read here as what was typed.
func TestLibloIsRead(t *testing.T) {
	send := tool(t, "oscsend", needLiblo)
	if send == "" {
		return
	}
	for _, c := range []struct {
		types string
		typed []string
		want  Message
	}{
		{"i", []string{"-7"}, Message{Address: "/x/1", Args: []any{int32(-7)}}},
		{"h", []string{"1099511627776"}, Message{Address: "/x/1", Args: []any{int64(1 << 40)}}},
		{"f", []string{"-6"}, Message{Address: "/x/1", Args: []any{float32(-6)}}},
		{"d", []string{"2.25"}, Message{Address: "/x/1", Args: []any{2.25}}},
		{"s", []string{"sub left"}, Message{Address: "/x/1", Args: []any{"sub left"}}},
		{"TFN", nil, Message{Address: "/x/1", Args: []any{true, false, nil}}},
		{"isf", []string{"1", "", "0.1"}, Message{Address: "/x/1", Args: []any{int32(1), "", float32(0.1)}}},
		{"", nil, Message{Address: "/x/1"}},
	} {
		check := func(packet []byte, way string) {
			t.Helper()
			messages, err := Decode(packet)
			if err != nil || len(messages) != 1 || !same(messages[0], c.want) {
				t.Errorf("oscsend %s %q over %s: read %v, %v", c.types, c.typed, way, messages, err)
			}
		}
		d := newDevice(t, "127.0.0.1:0")
		sends(t, send, "osc.udp://"+d.address(), c.types, c.typed)
		buffer := make([]byte, 1<<16)
		d.socket.SetReadDeadline(time.Now().Add(patience))
		n, _, err := d.socket.ReadFromUDP(buffer)
		if err != nil {
			t.Fatal(err)
		}
		check(buffer[:n], "UDP")

		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		taken := make(chan []byte, 1)
		go func() {
			line, err := l.Accept()
			if err != nil {
				return
			}
			defer line.Close()
			packet, err := unframeLength(bufio.NewReader(line))
			if err != nil {
				t.Error(err)
			}
			taken <- packet
			io.Copy(io.Discard, line)
		}()
		sends(t, send, "osc.tcp://"+l.Addr().String(), c.types, c.typed)
		select {
		case packet := <-taken:
			check(packet, "TCP")
		case <-time.After(patience):
			t.Error("nothing came over TCP")
		}
		l.Close()
	}
}

func sends(t *testing.T, program, url, types string, values []string) {
	t.Helper()
	out, err := exec.Command(program, slices.Concat([]string{url, "/x/1", types}, values)...).CombinedOutput()
	if err != nil {
		t.Fatalf("oscsend: %v: %s", err, out)
	}
}

// The npm package osc answers what it is asked with the same message: both
// directions of every type, over UDP and over TCP with SLIP, and a bundle back.
func TestNodeEchoes(t *testing.T) {
	node := tool(t, "node", needNode)
	if node == "" {
		return
	}
	for kind, o := range map[string]Options{"udp": {}, "slip": {Transport: TCPSLIP}} {
		network := map[string]string{"udp": "udp", "slip": "tcp"}[kind]
		port := freePort(t, network)
		lines := started(t, node, "../../testdata/interop/osc_echo.js", kind, fmt.Sprint(port))
		select {
		case line, ok := <-lines:
			if !ok || line != "ready" {
				t.Fatalf("the echo did not start (%q): %s", line, needNode)
			}
		case <-time.After(patience):
			t.Fatal("the echo does not start")
		}
		c := dialWith(t, fmt.Sprintf("127.0.0.1:%d", port), o)
		for i, e := range everything {
			q := Message{Address: fmt.Sprintf("/m/%d", i), Args: e.args}
			m, err := c.Ask(patient(t), q, at(q.Address))
			if err != nil || !same(m, q) {
				t.Errorf("%s: asked %s, answered %s, %v", kind, q, m, err)
			}
		}
		q := Message{Address: "/together", Args: []any{int32(5)}}
		m, err := c.Ask(patient(t), q, at("/second"))
		if err != nil || m.String() != "/second ,i 5" {
			t.Errorf("%s: a bundle was answered with %s, %v", kind, m, err)
		}
	}
}
