package sound

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"hushback/cmd/internal/pcm"
	"hushback/verify/feed"
)

// Listening says what is heard and where it goes.
type Listening struct {
	Microphone string
	URL, Token string // of the daemon's feed: ws://HOST:PORT/feed

	In               io.Reader  // the recorder
	Raw              pcm.Format // of In, if it has no WAV header
	Reference, Heard int        // channels, counted from 1
	Paced            bool       // In is a file: it is played at the pace it was recorded at

	// LatencySec is how far the recorder's pipe is behind what is being heard. A
	// capture that begins too early holds sound of before, so too much of it costs
	// a moment and too little a measurement.
	LatencySec float64

	Say func(Level) // told once a second; may be nil
}

// Level is how the listening goes.
type Level struct {
	Connected   bool
	ReferenceDB float64 // peak over the last second, re full scale
	HeardDB     float64
	Clipped     bool
	Frames      int64
	Trouble     string // why there is no connection, "" while there is one
}

// Times of the connection.
const (
	firstPause   = 250 * time.Millisecond
	longestPause = 5 * time.Second
	sendPatience = 2 * time.Second // a daemon that takes no more loses frames, not the recorder
)

// Listen reads the recorder until it ends or ctx does, neither of which is an
// error, and keeps the daemon fed: a connection that breaks is made again, and what
// was recorded meanwhile is a gap that the daemon knows of.
func Listen(ctx context.Context, l Listening) error {
	r, err := pcm.NewReader(l.In, l.Raw)
	if err != nil {
		return err
	}
	for what, channel := range map[string]int{"reference": l.Reference, "microphone": l.Heard} {
		if channel < 1 || channel > r.Channels {
			return fmt.Errorf("audio: %s channel %d, the stream has 1 to %d", what, channel, r.Channels)
		}
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	e := &ear{Listening: l, rate: r.Rate, parts: make(chan part, 32)}
	var working sync.WaitGroup
	working.Go(func() { e.deliver(ctx) })
	err = e.hear(ctx, r)
	close(e.parts)
	if ctx.Err() != nil || err != nil {
		cancel()
	}
	working.Wait()
	return err
}

// part is consecutive frames, reference and microphone by turns.
type part struct {
	first   int64
	samples []float32
}

// ear is one listening. hear's goroutine reads the recorder, deliver's sends.
type ear struct {
	Listening
	rate  int
	parts chan part
	read  atomic.Int64 // frames

	mu   sync.Mutex
	said Level
}

// hear cuts the recorder's frames into tenths of a second.
func (e *ear) hear(ctx context.Context, r *pcm.Reader) error {
	stop := context.AfterFunc(ctx, func() {
		if c, ok := e.In.(io.Closer); ok {
			c.Close() // else a recorder that says nothing keeps us
		}
	})
	defer stop()
	frame := make([]float64, r.Channels)
	var now part
	var reference, heard float64
	begun := time.Now()
	for ctx.Err() == nil {
		err := r.Read(frame)
		if errors.Is(err, io.EOF) || err != nil && ctx.Err() != nil {
			break
		}
		if err != nil {
			return fmt.Errorf("audio: %w", err)
		}
		x, y := frame[e.Reference-1], frame[e.Heard-1]
		reference, heard = math.Max(reference, math.Abs(x)), math.Max(heard, math.Abs(y))
		now.samples = append(now.samples, float32(x), float32(y))
		n := e.read.Add(1)
		if len(now.samples) == 2*(e.rate/10) {
			if e.Paced {
				e.wait(ctx, begun.Add(time.Duration(float64(n)/float64(e.rate)*float64(time.Second))))
			}
			e.pass(now)
			now = part{first: n}
		}
		if n%int64(e.rate) == 0 {
			e.tell(reference, heard, n)
			reference, heard = 0, 0
		}
	}
	if len(now.samples) > 0 {
		e.pass(now)
	}
	return nil
}

// pass hands frames on. Where the daemon is behind they are dropped, and deliver
// tells it so.
func (e *ear) pass(p part) {
	select {
	case e.parts <- p:
	default:
	}
}

func (e *ear) wait(ctx context.Context, until time.Time) {
	select {
	case <-time.After(time.Until(until)):
	case <-ctx.Done():
	}
}

func (e *ear) tell(reference, heard float64, frames int64) {
	const clipped = 0.999
	e.mu.Lock()
	e.said.ReferenceDB, e.said.HeardDB = 20*math.Log10(math.Max(reference, 1e-9)), 20*math.Log10(math.Max(heard, 1e-9))
	e.said.Clipped, e.said.Frames = reference >= clipped || heard >= clipped, frames
	said := e.said
	e.mu.Unlock()
	if e.Say != nil {
		e.Say(said)
	}
}

func (e *ear) connection(up bool, trouble string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.said.Connected, e.said.Trouble = up, trouble
}

// deliver keeps a connection and sends what comes, until there is no more.
func (e *ear) deliver(ctx context.Context) {
	pause := firstPause
	for {
		agent, err := feed.Connect(ctx, e.URL, e.Token, feed.Hello{Microphone: e.Microphone, Rate: e.rate})
		if err == nil {
			e.connection(true, "")
			pause = firstPause
			more, sendErr := e.send(ctx, agent)
			agent.Close()
			if !more {
				return
			}
			err = sendErr
		}
		e.connection(false, err.Error())
		deadline := time.After(pause)
		for waiting := true; waiting; { // what comes meanwhile is lost
			select {
			case _, more := <-e.parts:
				if !more {
					return
				}
			case <-deadline:
				waiting = false
			case <-ctx.Done():
				return
			}
		}
		pause = min(2*pause, longestPause)
	}
}

// send is one connection's. more is false once everything was sent.
func (e *ear) send(ctx context.Context, agent *feed.Agent) (more bool, err error) {
	behind := int64(e.LatencySec * float64(e.rate))
	agent.Marks(func() uint64 { return uint64(e.read.Load() + behind) })
	var next int64 // that the daemon expects
	for {
		select {
		case p, more := <-e.parts:
			if !more {
				return false, nil
			}
			agent.Skip(uint64(p.first - next))
			next = p.first + int64(len(p.samples)/2)
			soon, cancel := context.WithTimeout(ctx, sendPatience)
			err := agent.Send(soon, p.samples)
			cancel()
			if err != nil {
				return true, err
			}
		case <-ctx.Done():
			return false, nil
		}
	}
}
