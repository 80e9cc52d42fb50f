//go:build soak

package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hushback/cmd/internal/dashboard/pages"
)

// soakPhone is a browser, as far as a daemon can tell: an address and a cookie of its
// own, and pages that follow.
type soakPhone struct {
	t      *testing.T
	url    string
	rng    *rand.Rand
	client *http.Client
	dialer websocket.Dialer
	crowd  *soakCrowd
}

// soakCrowd counts what phones saw and did.
type soakCrowd struct {
	phones                              []*soakPhone
	pictures, bytes, links, slept, trys atomic.Int64
	done                                sync.WaitGroup
}

// newCrowdOf pairs phones, each from an address of its own: no more than a few
// tries a minute are let in from one.
func newCrowdOf(t *testing.T, p *process, n int) *soakCrowd {
	t.Helper()
	c := &soakCrowd{}
	for i := range n {
		jar, err := cookiejar.New(nil)
		must(t, err)
		from := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 1, byte(1+i))}, Timeout: patience}
		o := &soakPhone{
			t: t, url: p.note.URL, rng: rand.New(rand.NewPCG(soakSeed, 100+uint64(i))), crowd: c,
			client: &http.Client{Jar: jar, Transport: &http.Transport{DialContext: from.DialContext}},
			dialer: websocket.Dialer{NetDialContext: from.DialContext, Jar: jar},
		}
		if status, said := o.press("/pair", url.Values{"code": {p.code}}); status != http.StatusNoContent {
			t.Fatalf("phone %d is not paired: %d %s", i+1, status, said)
		}
		c.phones = append(c.phones, o)
	}
	return c
}

// leave closes what browsers keep open in case it is wanted again.
func (c *soakCrowd) leave() {
	c.done.Wait()
	for _, o := range c.phones {
		o.client.CloseIdleConnections()
	}
}

// ask makes one request as the page's script does; 0 is that nobody answered.
func (o *soakPhone) ask(method, path string, form url.Values) (status int, said string) {
	request, err := http.NewRequest(method, o.url+path, strings.NewReader(form.Encode()))
	if err != nil {
		return 0, err.Error()
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if method == http.MethodPost {
		request.Header.Set("Origin", o.url)
	}
	answer, err := o.client.Do(request)
	if err != nil {
		return 0, err.Error()
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		return 0, err.Error()
	}
	o.crowd.bytes.Add(int64(len(body)))
	return answer.StatusCode, strings.TrimSpace(string(body))
}

func (o *soakPhone) press(path string, form url.Values) (status int, said string) {
	return o.ask(http.MethodPost, path, form)
}

// Kinds of phones.
const (
	bySocket = iota
	byEvents
	sleeps  // by socket, and now and then the screen goes dark
	designs // by socket, and tries things out
)

// live goes from page to page and follows each for a while, until ctx ends.
func (o *soakPhone) live(ctx context.Context, kind int) {
	for ctx.Err() == nil {
		all := pages.All()
		page := all[o.rng.IntN(len(all))].Name
		if status, said := o.ask(http.MethodGet, "/"+page, nil); status != http.StatusOK {
			o.t.Errorf("page %s: %d %s", page, status, tail(said, 200))
			return
		}
		if kind == designs {
			o.tryOut()
		}
		awake, cancel := context.WithTimeout(ctx, time.Duration(10+o.rng.IntN(30))*time.Second)
		began := time.Now()
		err := o.follow(awake, kind, page)
		cancel()
		if err != nil {
			o.t.Errorf("following %s from %s to %s: %v", page, began.Format(time.TimeOnly), time.Now().Format(time.TimeOnly), err)
			return
		}
		if kind == sleeps {
			o.crowd.slept.Add(1)
			select {
			case <-ctx.Done():
			case <-time.After(time.Duration(5+o.rng.IntN(15)) * time.Second):
			}
		}
	}
}

// tryOut looks at what another arrangement would do, with its pictures.
func (o *soakPhone) tryOut() {
	treatment := []string{"", "null", "end-fire", "gradient", "plain"}[o.rng.IntN(5)]
	status, said := o.ask(http.MethodGet, "/design?treatment="+treatment, nil)
	o.crowd.trys.Add(1)
	if status != http.StatusOK && status < 400 {
		o.t.Errorf("trying %q out: %d %s", treatment, status, tail(said, 200))
	}
	for _, at := range regexp.MustCompile(`/design/picture\?[^" ]+`).FindAllString(said, 4) {
		o.ask(http.MethodGet, html.UnescapeString(at), nil)
	}
}

// carried is what a live page brings and takes.
type carried interface {
	next() (frame []byte, err error)
	beat(seen int64) error
	// hangUp ends it without a word, as a phone does that is put to sleep.
	hangUp()
}

// follow follows a page as its script does. The error is that it ended too soon.
func (o *soakPhone) follow(ctx context.Context, kind int, page string) error {
	open := o.openSocket
	if kind == byEvents {
		open = o.openEvents
	}
	by, err := open(ctx, page)
	if err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	o.crowd.links.Add(1)
	defer context.AfterFunc(ctx, by.hangUp)()
	defer by.hangUp()
	var seen atomic.Int64
	seen.Store(-1)
	over := make(chan struct{})
	var beating sync.WaitGroup
	defer beating.Wait()
	defer close(over)
	beating.Go(func() {
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for {
			select {
			case <-over:
				return
			case <-tick.C:
				if err := by.beat(seen.Load()); err != nil && ctx.Err() == nil {
					o.t.Logf("a beat at %s: %v", time.Now().Format(time.TimeOnly), err)
				}
			}
		}
	})
	for {
		text, err := by.next()
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		o.crowd.bytes.Add(int64(len(text)))
		var f struct {
			Seq      int64
			Sections map[string]string
		}
		if err := json.Unmarshal(text, &f); err != nil {
			return err
		}
		if len(f.Sections) == 0 {
			continue
		}
		if f.Seq <= seen.Load() {
			return fmt.Errorf("picture %d came after %d", f.Seq, seen.Load())
		}
		o.crowd.pictures.Add(1)
		seen.Store(f.Seq)
		_ = by.beat(f.Seq)
	}
}

// aSocket is a page by websocket.
type aSocket struct {
	conn  *websocket.Conn
	write sync.Mutex
}

func (o *soakPhone) openSocket(ctx context.Context, page string) (carried, error) {
	conn, answer, err := o.dialer.DialContext(ctx, "ws"+strings.TrimPrefix(o.url, "http")+"/live?page="+page, http.Header{"Origin": {o.url}})
	if err != nil {
		return nil, fmt.Errorf("%w (%+v)", err, answer)
	}
	return &aSocket{conn: conn}, nil
}

func (s *aSocket) next() ([]byte, error) {
	_, text, err := s.conn.ReadMessage()
	return text, err
}

func (s *aSocket) beat(seen int64) error {
	s.write.Lock()
	defer s.write.Unlock()
	return s.conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"seen":%d}`, seen))
}

func (s *aSocket) hangUp() { s.conn.Close() }

// someEvents is a page by server-sent events.
type someEvents struct {
	phone *soakPhone
	body  io.ReadCloser
	lines *bufio.Scanner
	name  string
}

func (o *soakPhone) openEvents(ctx context.Context, page string) (carried, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, o.url+"/events?page="+page, nil)
	if err != nil {
		return nil, err
	}
	answer, err := o.client.Do(request)
	if err != nil {
		return nil, err
	}
	if answer.StatusCode != http.StatusOK {
		answer.Body.Close()
		return nil, fmt.Errorf("events: %s", answer.Status)
	}
	s := &someEvents{phone: o, body: answer.Body, lines: bufio.NewScanner(answer.Body)}
	s.lines.Buffer(nil, 4<<20)
	name, err := s.event("stream")
	s.name = string(name)
	return s, err
}

func (s *someEvents) next() ([]byte, error) { return s.event("frame") }

// event is the data of the next event, which must be of this kind.
func (s *someEvents) event(kind string) ([]byte, error) {
	is := ""
	for s.lines.Scan() {
		line := s.lines.Text()
		if name, found := strings.CutPrefix(line, "event: "); found {
			is = name
		}
		if data, found := strings.CutPrefix(line, "data: "); found {
			if is != kind {
				return nil, fmt.Errorf("an event %q: %s", is, data)
			}
			return []byte(data), nil
		}
	}
	if err := s.lines.Err(); err != nil {
		return nil, err
	}
	return nil, io.EOF
}

func (s *someEvents) beat(seen int64) error {
	request, err := http.NewRequest(http.MethodPost, s.phone.url+"/seen?stream="+s.name, strings.NewReader(fmt.Sprintf(`{"seen":%d}`, seen)))
	if err != nil {
		return err
	}
	request.Header.Set("Origin", s.phone.url)
	answer, err := s.phone.client.Do(request)
	if err != nil {
		return err
	}
	io.Copy(io.Discard, answer.Body)
	return answer.Body.Close()
}

func (s *someEvents) hangUp() { s.body.Close() }
