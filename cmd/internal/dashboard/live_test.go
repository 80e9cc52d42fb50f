package dashboard

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

// pipes is a network inside a synctest bubble: connections are net.Pipes, so
// that time moves only when everybody waits. Nothing is buffered: a reader who
// does not read blocks the writer at once, the worst a network can do.
type pipes struct {
	accept chan net.Conn
	closed chan struct{}
}

func (p pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.accept:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p pipes) Close() error   { close(p.closed); return nil }
func (p pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipe"} }

func (p pipes) dial(context.Context, string, string) (net.Conn, error) {
	client, server := net.Pipe()
	p.accept <- server
	return client, nil
}

// wire is a live page of a test, whichever way its pictures come. The end of a
// stream reads like that of a socket.
type wire interface {
	read() (text []byte, err error)
	write(text []byte) error
	Close() error
}

// rig is a served page inside a bubble, and a way to follow it.
type rig struct {
	*Server
	desk    *desktest.Desk
	network pipes
	cookies []*http.Cookie
	way     func(r rig) (wire, *http.Response, error)
}

// inBubble runs a test with a served page, once for each way to follow it. When it
// returns, the page is closed and every goroutine must have ended: synctest fails
// the test otherwise.
func inBubble(t *testing.T, test func(t *testing.T, r rig)) {
	for name, way := range map[string]func(rig) (wire, *http.Response, error){"socket": bySocket, "events": byEvents} {
		t.Run(name, func(t *testing.T) { inOneBubble(t, way, test) })
	}
}

func inOneBubble(t *testing.T, way func(rig) (wire, *http.Response, error), test func(t *testing.T, r rig)) {
	synctest.Test(t, func(t *testing.T) {
		d := desktest.New(desktest.View(control.Idle{}))
		s := New(d, testAccess())
		r := rig{Server: s, desk: d, network: pipes{make(chan net.Conn), make(chan struct{})}, cookies: pairUp(t, s), way: way}
		web := &http.Server{Handler: s}
		served := make(chan error, 1)
		go func() { served <- web.Serve(r.network) }()
		test(t, r)
		s.Close()
		if err := web.Close(); err != nil {
			t.Error(err)
		}
		if err := <-served; !errors.Is(err, http.ErrServerClosed) {
			t.Error(err)
		}
		if n := d.Watching(); n != 0 {
			t.Errorf("%d watches are left", n)
		}
		time.Sleep(time.Second) // of the bubble: net/http lingers for half of one after a refusal
	})
}

func (r rig) dial(t *testing.T) wire {
	t.Helper()
	w, answer, err := r.way(r)
	if err != nil {
		t.Fatalf("dial: %v, %+v", err, answer)
	}
	return w
}

// webSocket is the wire of a live socket.
type webSocket struct{ *websocket.Conn }

func (c webSocket) read() ([]byte, error) {
	_, text, err := c.ReadMessage()
	return text, err
}

func (c webSocket) write(text []byte) error { return c.WriteMessage(websocket.TextMessage, text) }

func bySocket(r rig) (wire, *http.Response, error) {
	dialer := websocket.Dialer{NetDialContext: r.network.dial}
	header := http.Header{"Origin": {"http://" + testHost}, "Cookie": {r.cookies[0].Name + "=" + r.cookies[0].Value}}
	c, answer, err := dialer.Dial("ws://"+testHost+"/live?page=measure", header)
	return webSocket{c}, answer, err
}

func receive(t *testing.T, c wire) frame {
	t.Helper()
	var f frame
	text, err := c.read()
	if err != nil {
		t.Fatalf("no frame: %v", err)
	}
	if err := json.Unmarshal(text, &f); err != nil {
		t.Fatalf("frame %q: %v", text, err)
	}
	return f
}

func say(t *testing.T, c wire, seen int64) {
	t.Helper()
	if err := c.write(fmt.Appendf(nil, `{"seen":%d}`, seen)); err != nil {
		t.Fatal(err)
	}
}

// take reads a picture, acknowledges it and reads the answer.
func take(t *testing.T, c wire) frame {
	t.Helper()
	f := receive(t, c)
	if len(f.Sections) == 0 {
		t.Fatalf("frame %d has no sections, want a picture", f.Seq)
	}
	say(t, c, int64(f.Seq))
	if answer := receive(t, c); len(answer.Sections) != 0 || answer.Seq != f.Seq {
		t.Fatalf("the heartbeat's answer is %+v, want number %d alone", answer, f.Seq)
	}
	return f
}

// beating sends a beat every few seconds until the socket ends, and then closes over.
func beating(c wire, seen int64) (over chan struct{}) {
	over = make(chan struct{})
	go func() {
		defer close(over)
		for c.write(fmt.Appendf(nil, `{"seen":%d}`, seen)) == nil {
			time.Sleep(silentAfter / 2)
		}
	}()
	return over
}

// wantClose reads until the socket ends and checks why.
func wantClose(t *testing.T, c wire, code int) {
	t.Helper()
	for {
		_, err := c.read()
		if err == nil {
			continue
		}
		if end := (*websocket.CloseError)(nil); !errors.As(err, &end) || end.Code != code {
			t.Errorf("socket ended with %v, want code %d", err, code)
		}
		c.Close()
		return
	}
}

func TestLiveSendsThePictureThenWhatChanges(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		defer c.Close()
		first := take(t, c)
		measure, _ := pages.Find("measure")
		if got := slices.Sorted(maps.Keys(first.Sections)); !slices.Equal(got, slices.Sorted(slices.Values(measure.Parts()))) {
			t.Errorf("first picture has %q, want every part of the page", got)
		}
		if now := time.Now().UnixMilli(); first.NowMs != now {
			t.Errorf("the daemon's clock is %d on the wire, %d here", first.NowMs, now)
		}
		r.desk.Show(func(v *desk.View) { v.Feeds[0].LevelDB = -12.3 })
		second := take(t, c)
		if got := slices.Collect(maps.Keys(second.Sections)); !slices.Equal(got, []string{"feeds"}) {
			t.Errorf("after a feed's level changed: sections %q, want feeds alone", got)
		}
		if !strings.Contains(second.Sections["feeds"], "−12.3") || second.Seq != first.Seq+1 {
			t.Errorf("picture %d does not show the new level", second.Seq)
		}
	})
}

func TestLiveSkipsWhatAPageWasTooSlowFor(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		defer c.Close()
		first := receive(t, c)
		for i := range 50 {
			r.desk.Show(func(v *desk.View) { v.Feeds[0].LevelDB = -float64(i) })
			synctest.Wait()
		}
		say(t, c, -1) // alive, but not that far yet
		if f := receive(t, c); len(f.Sections) != 0 {
			t.Fatal("a second picture came before the first was taken in")
		}
		say(t, c, int64(first.Seq))
		receive(t, c)
		if f := take(t, c); f.Seq != first.Seq+50 || !strings.Contains(f.Sections["feeds"], "−49.0") {
			t.Errorf("the next picture is number %d, want the newest, %d", f.Seq, first.Seq+50)
		}
	})
}

func TestLiveSaysNothingWhenNothingOnThePageChanges(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		defer c.Close()
		take(t, c)
		r.desk.Show(func(*desk.View) {})
		synctest.Wait()
		say(t, c, 0)
		if f := receive(t, c); len(f.Sections) != 0 {
			t.Errorf("an unchanged page was sent %d sections", len(f.Sections))
		}
	})
}

func TestLiveDropsAPageThatStalls(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		began := time.Now()
		over := beating(c, -1) // alive, yet never takes the picture in
		wantClose(t, c, closeStalled)
		if took := time.Since(began); took != stalledAt {
			t.Errorf("dropped after %v, want %v", took, stalledAt)
		}
		<-over
	})
}

func TestLiveDropsAPageThatDoesNotRead(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		defer c.Close()
		time.Sleep(writeWithin + farewell + time.Second)
		synctest.Wait()
		if n := r.desk.Watching(); n != 0 {
			t.Errorf("%d watches, want the blocked page dropped", n)
		}
	})
}

func TestLiveDropsAPageThatFallsSilent(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		defer c.Close()
		take(t, c)
		time.Sleep(silentAfter + time.Second)
		synctest.Wait()
		if n := r.desk.Watching(); n != 0 {
			t.Errorf("%d watches, want the silent page dropped", n)
		}
	})
}

func TestLiveKeepsAPageThatBeats(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		defer c.Close()
		f := take(t, c)
		for range 60 {
			time.Sleep(time.Second)
			say(t, c, int64(f.Seq))
			receive(t, c)
		}
		if c := r.door.Controls(); !c.Held || c.Silent {
			t.Errorf("a phone whose page beats is not heard: %+v", c)
		}
	})
}

func TestLiveDropsNonsense(t *testing.T) {
	for _, nonsense := range []string{"", "hello", "{}{}", `{"seen":1.5}`, `{"seen":1,"keep":true}`, `{"seen":1` + strings.Repeat(" ", 300) + `}`} {
		inBubble(t, func(t *testing.T, r rig) {
			c := r.dial(t)
			defer c.Close()
			take(t, c)
			_ = c.write([]byte(nonsense)) // a press is refused at once, a socket ends
			if _, err := c.read(); err == nil {
				t.Errorf("%q was answered, want the socket ended", nonsense)
			}
		})
	}
}

func TestLiveEndsWithThePairing(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		seq := take(t, c).Seq
		began := time.Now()
		over := beating(c, int64(seq))
		wantClose(t, c, closeExpired)
		if took := time.Since(began); took != testAccess().Session {
			t.Errorf("ended after %v, want %v", took, testAccess().Session)
		}
		<-over
	})
}

func TestCloseSaysGoodbyeAndWaits(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		var conns []wire
		for range 5 {
			c := r.dial(t)
			take(t, c)
			conns = append(conns, c)
		}
		closed := make(chan struct{})
		go func() { r.Close(); close(closed) }()
		for _, c := range conns {
			wantClose(t, c, websocket.CloseGoingAway)
		}
		<-closed
		if n := r.desk.Watching(); n != 0 {
			t.Errorf("Close came back with %d sockets open", n)
		}
		if _, answer, err := r.way(r); err == nil || answer.StatusCode != http.StatusServiceUnavailable {
			t.Errorf("a socket after Close: %v, want 503", err)
		}
	})
}

func TestLiveEndsWithTheDaemon(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		take(t, c)
		r.desk.End()
		wantClose(t, c, websocket.CloseGoingAway)
	})
}

// The last picture says how things ended, so it comes even to a page that has
// not taken the one before in.
func TestLiveShowsTheLastPictureBeforeGoodbye(t *testing.T) {
	ends := map[string]func(rig){"close": func(r rig) { r.Close() }, "daemon": func(r rig) { r.desk.End() }}
	for name, end := range ends {
		inBubble(t, func(t *testing.T, r rig) {
			c := r.dial(t)
			first := receive(t, c)
			synctest.Wait()
			r.desk.Show(func(v *desk.View) { v.Notice = "The daemon was stopped. All is well." })
			synctest.Wait()
			go end(r)
			last := receive(t, c)
			if last.Seq != first.Seq+1 || !strings.Contains(last.Sections["now"], "All is well.") {
				t.Errorf("%s: the last frame is number %d with %d sections", name, last.Seq, len(last.Sections))
			}
			wantClose(t, c, websocket.CloseGoingAway)
		})
	}
}

func TestGoodbyeToAPageThatDoesNotReadIsShort(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		defer c.Close()
		receive(t, c)
		r.desk.Show(func(v *desk.View) { v.Notice = "The daemon was stopped." })
		synctest.Wait()
		began := time.Now()
		r.Close()
		if took := time.Since(began); took > 2*farewell {
			t.Errorf("a page that does not read held the daemon up for %v", took)
		}
	})
}

func TestLiveSocketsAreBounded(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		for range maxLive {
			c := r.dial(t)
			defer c.Close()
			take(t, c)
		}
		if _, answer, err := r.way(r); err == nil || answer.StatusCode != http.StatusServiceUnavailable {
			t.Errorf("socket %d: %v, want 503", maxLive+1, err)
		}
	})
}

// The same over real sockets, as browsers and others would ask.
func TestLiveOverTheNetwork(t *testing.T) {
	s, d := started(t, control.Idle{})
	web := httptest.NewServer(s)
	defer web.Close()
	host := strings.TrimPrefix(web.URL, "http://")
	_, port, err := net.SplitHostPort(host)
	if err != nil {
		t.Fatal(err)
	}
	dial := func(origin, cookie, token string) (*websocket.Conn, *http.Response, error) {
		header := http.Header{}
		for k, v := range map[string]string{"Origin": origin, "Cookie": cookie, "Authorization": token} {
			if v != "" {
				header.Set(k, v)
			}
		}
		return websocket.DefaultDialer.Dial("ws://"+host+"/live?page=measure", header)
	}
	cookie := "hushback_" + port + "=" + pairUp(t, s)[0].Value
	refused := []struct {
		name, origin, cookie, token string
		want                        int
	}{
		{"no pairing", web.URL, "", "", http.StatusUnauthorized},
		{"foreign origin", "http://evil.example", cookie, "", http.StatusForbidden},
		{"no origin", "", cookie, "", http.StatusForbidden},
		{"null origin", "null", cookie, "", http.StatusForbidden},
		{"program", "", "", "Bearer " + testToken, http.StatusForbidden},
	}
	for _, c := range refused {
		if _, answer, err := dial(c.origin, c.cookie, c.token); err == nil || answer.StatusCode != c.want {
			t.Errorf("%s: %v with %+v, want %d", c.name, err, answer, c.want)
		}
	}
	conn, _, err := dial(web.URL, cookie, "")
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	take(t, webSocket{conn})
	d.Show(func(v *desk.View) { v.State = control.Sending{Change: "c-0009", Sent: 3, Total: 9} })
	if f := take(t, webSocket{conn}); !strings.Contains(f.Sections["now"], "3 of 9") {
		t.Errorf("the change is not in %q", f.Sections["now"])
	}
	go s.Close()
	wantClose(t, webSocket{conn}, websocket.CloseGoingAway)
}
