package sound

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"sync/atomic"
	"time"

	"hushback/cmd/internal/pcm"
	"hushback/verify/feed/agent"
	"hushback/verify/feed/protocol"
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
	Lost        uint64 // frames that were dropped because the daemon was away too long
	Trouble     string // why there is no connection, or none a moment ago
}

// lastPatience is how long the daemon may take for what is left when a recording
// ends.
const lastPatience = 2 * time.Second

// Carried is what a listening came to.
type Carried struct {
	Rate    int    // samples a second
	Frames  int64  // that the recorder gave
	Lost    uint64 // of them: dropped because the daemon was away too long, or never taken by it
	Times   int    // that the daemon was connected
	Trouble string // why it was not, at the end
}

// Listen reads the recorder until it ends or ctx does, neither of which is an
// error, and keeps the daemon fed, in the form in which the recorder gives it. A
// connection that breaks is made again, and goes on where it broke.
func Listen(ctx context.Context, l Listening) (Carried, error) {
	r, err := pcm.NewReader(l.In, l.Raw)
	if err != nil {
		return Carried{}, err
	}
	for what, channel := range map[string]int{"reference": l.Reference, "microphone": l.Heard} {
		if channel < 1 || channel > r.Channels {
			return Carried{}, fmt.Errorf("audio: %s channel %d, the stream has 1 to %d: name the right one with --%s-channel", what, channel, r.Channels, what)
		}
	}
	to, err := agent.Start(l.URL, l.Token, protocol.Hello{
		Microphone: l.Microphone, Rate: r.Rate, Layout: protocol.Layout{Format: protocol.Format(r.Encoding)},
	})
	if err != nil {
		return Carried{}, err
	}
	defer to.Close()
	e := &ear{Listening: l, to: to}
	behind := int64(l.LatencySec * float64(r.Rate))
	to.Marks(func() uint64 { return uint64(e.read.Load() + behind) })
	err = e.hear(ctx, r)
	if stopped := ctx.Err() != nil; err == nil && (!stopped || to.State().Connected) {
		soon, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastPatience)
		defer cancel()
		_ = to.Flush(soon) // a daemon that is not there misses the end
	}
	s := to.State()
	return Carried{Rate: r.Rate, Frames: e.read.Load(), Lost: s.Lost + s.Kept, Times: s.Times, Trouble: s.Trouble}, err
}

// ear is one listening.
type ear struct {
	Listening
	to   *agent.Agent
	read atomic.Int64 // frames
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
	var part []float32
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
		part = append(part, float32(x), float32(y))
		n := e.read.Add(1)
		if len(part) == protocol.Channels*(r.Rate/10) {
			if e.Paced {
				e.wait(ctx, begun.Add(time.Duration(float64(n)/float64(r.Rate)*float64(time.Second))))
			}
			if err := e.to.Send(part); err != nil {
				return err
			}
			part = part[:0]
		}
		if n%int64(r.Rate) == 0 {
			e.tell(reference, heard, n)
			reference, heard = 0, 0
		}
	}
	return e.to.Send(part)
}

func (e *ear) wait(ctx context.Context, until time.Time) {
	select {
	case <-time.After(time.Until(until)):
	case <-ctx.Done():
	}
}

func (e *ear) tell(reference, heard float64, frames int64) {
	if e.Say == nil {
		return
	}
	const clipped = 0.999
	decibels := func(peak float64) float64 { return 20 * math.Log10(math.Max(peak, 1e-9)) }
	state := e.to.State()
	e.Say(Level{
		Connected: state.Connected, Trouble: state.Trouble, Lost: state.Lost,
		ReferenceDB: decibels(reference), HeardDB: decibels(heard), Clipped: reference >= clipped || heard >= clipped, Frames: frames,
	})
}
