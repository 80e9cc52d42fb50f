package dashboard

import (
	"bufio"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/gorilla/websocket"
)

// eventSource is the wire of a stream of events: a reader of text/event-stream as
// the HTML standard has it (9.2.6), as far as this server uses it.
type eventSource struct {
	client *http.Client
	page   string // the address of the daemon
	header http.Header
	answer *http.Response
	lines  *bufio.Scanner
	stream string
}

func byEvents(r rig) (wire, *http.Response, error) {
	e := &eventSource{
		client: &http.Client{Transport: &http.Transport{DialContext: r.network.dial, DisableKeepAlives: true, DisableCompression: true}},
		page:   "http://" + testHost,
		header: http.Header{"Cookie": {r.cookies[0].Name + "=" + r.cookies[0].Value}},
	}
	return e, e.answer, e.open()
}

func (e *eventSource) open() (err error) {
	if e.answer, err = e.ask("GET", "/events?page=measure", ""); err != nil {
		return err
	}
	if e.answer.StatusCode != http.StatusOK || e.answer.Header.Get("Content-Type") != "text/event-stream" {
		e.Close()
		return fmt.Errorf("answered with %s", e.answer.Status)
	}
	e.lines = bufio.NewScanner(e.answer.Body)
	e.lines.Buffer(nil, 1<<20)
	event, data, err := e.next()
	if e.stream = data; err == nil && event != "stream" {
		err = fmt.Errorf("the first event is %q", event)
	}
	return err
}

// ask makes a request as a browser on the page does.
func (e *eventSource) ask(method, path, body string) (*http.Response, error) {
	r, err := http.NewRequest(method, e.page+path, strings.NewReader(body))
	if err != nil {
		return nil, err
	}
	r.Header = e.header.Clone()
	if method != "GET" {
		r.Header.Set("Origin", e.page)
	}
	return e.client.Do(r)
}

// next is the next event and its data.
func (e *eventSource) next() (event, data string, err error) {
	for e.lines.Scan() {
		field, value, _ := strings.Cut(e.lines.Text(), ": ")
		switch field {
		case "event":
			event = value
		case "data":
			data += value
		case "":
			return event, data, nil
		default:
			return "", "", fmt.Errorf("field %q", field)
		}
	}
	return "", "", errors.Join(errors.New("the stream ended"), e.lines.Err())
}

func (e *eventSource) read() ([]byte, error) {
	switch event, data, err := e.next(); {
	case err != nil:
		return nil, err
	case event == "frame":
		return []byte(data), nil
	case event == "bye":
		code, err := strconv.Atoi(data)
		return nil, errors.Join(&websocket.CloseError{Code: code}, err)
	default:
		return nil, fmt.Errorf("event %q", event)
	}
}

func (e *eventSource) write(text []byte) error {
	answer, err := e.ask("POST", "/seen?stream="+e.stream, string(text))
	if err != nil {
		return err
	}
	answer.Body.Close()
	if answer.StatusCode != http.StatusNoContent {
		return fmt.Errorf("answered with %s", answer.Status)
	}
	return nil
}

func (e *eventSource) Close() error { return e.answer.Body.Close() }

// A beat is taken only from the phone whose stream it names.
func TestBeatsBelongToTheirStream(t *testing.T) {
	inOneBubble(t, byEvents, func(t *testing.T, r rig) {
		c := r.dial(t)
		defer c.Close()
		first := receive(t, c)
		name := c.(*eventSource).stream
		beat := func(stream, body string, headers map[string]string, cookies []*http.Cookie) int {
			v := visit{method: "POST", path: "/seen?stream=" + stream, headers: headers, cookies: cookies, body: body}
			return v.to(r.Server).StatusCode
		}
		mine := fmt.Sprintf(`{"seen":%d}`, first.Seq)
		for what, got := range map[string][2]int{
			"of nobody":         {beat(name, mine, fromScript(), nil), http.StatusUnauthorized},
			"of another phone":  {beat(name, mine, fromScript(), pairUp(t, r.Server)), http.StatusNotFound},
			"of another site":   {beat(name, mine, map[string]string{"Origin": "http://evil.example"}, r.cookies), http.StatusForbidden},
			"from nowhere":      {beat(name, mine, nil, r.cookies), http.StatusForbidden},
			"for no stream":     {beat("", mine, fromScript(), r.cookies), http.StatusNotFound},
			"for a made-up one": {beat(strings.Repeat("ab", 32), mine, fromScript(), r.cookies), http.StatusNotFound},
		} {
			if got[0] != got[1] {
				t.Errorf("a beat %s: got %d, want %d", what, got[0], got[1])
			}
		}
		say(t, c, int64(first.Seq))
		if f := receive(t, c); f.Seq != first.Seq || len(f.Sections) != 0 {
			t.Errorf("the page's own beat is answered with %+v", f)
		}
	})
}

// Where a stream has ended, its beats are told so, and nothing of it is kept.
func TestStreamIsForgottenAtItsEnd(t *testing.T) {
	inOneBubble(t, byEvents, func(t *testing.T, r rig) {
		c := r.dial(t)
		take(t, c)
		c.Close()
		synctest.Wait()
		if n := len(r.streams.open); n != 0 {
			t.Errorf("%d streams are kept", n)
		}
		if err := c.write([]byte(`{"seen":1}`)); err == nil || !strings.Contains(err.Error(), "404") {
			t.Errorf("a beat for it: %v", err)
		}
	})
}

func TestStreamsOfOtherSitesAreRefused(t *testing.T) {
	inOneBubble(t, byEvents, func(t *testing.T, r rig) {
		for name, headers := range map[string]map[string]string{
			"foreign origin": {"Origin": "http://evil.example"}, "null origin": {"Origin": "null"}, "other port": {"Origin": "http://localhost:9999"},
			"same site": {"Sec-Fetch-Site": "same-site"}, "cross site": {"Sec-Fetch-Site": "cross-site"},
		} {
			if got := (visit{method: "GET", path: "/events?page=measure", headers: headers, cookies: r.cookies}).to(r.Server).StatusCode; got != http.StatusForbidden {
				t.Errorf("%s: got %d, want 403", name, got)
			}
		}
	})
}
