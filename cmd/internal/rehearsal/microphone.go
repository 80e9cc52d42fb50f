package rehearsal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"hushback/engine"
	"hushback/verify/feed/agent"
	"hushback/verify/feed/protocol"
)

const (
	frameSamples = sampleRate / 10
	feedPatience = 10 * time.Second // without a connection, then it gives up
)

// microphone is one simulated microphone with its own agent.
type microphone struct {
	name         string
	hears        func() engine.Role // where it stands
	space        *space
	rig          *Rig
	patience     time.Duration
	seed, stream uint64 // of its noise
}

// listen keeps the microphone connected until ctx ends. The error says why the
// feed could not be reached for longer than its patience.
func (m *microphone) listen(ctx context.Context, feedURL, token string) error {
	to, err := agent.Start(feedURL, token, protocol.Hello{Microphone: m.name, Rate: sampleRate})
	if err != nil {
		return fmt.Errorf("simulated microphone %s: %w", m.name, err)
	}
	defer to.Close()
	if err := m.play(ctx, to); err != nil {
		return fmt.Errorf("simulated microphone %s: %w", m.name, err)
	}
	return nil
}

// play gives frame after frame as their time is over, until ctx ends, or with
// an error when there was no connection for too long. Sample 0 is the one being
// taken as it begins.
func (m *microphone) play(ctx context.Context, to *agent.Agent) error {
	noise := rand.New(rand.NewPCG(m.seed, m.stream))
	begin, lastSeen := m.rig.seconds(), time.Now()
	to.Marks(func() uint64 { return uint64((m.rig.seconds() - begin) * sampleRate) })
	for frame := 0; ; frame++ {
		from := begin + float64(frame*frameSamples)/sampleRate
		left := from + float64(frameSamples)/sampleRate - m.rig.seconds()
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Duration(left * float64(time.Second))):
		}
		if err := to.Send(m.record(from, frameSamples, noise)); err != nil {
			return err
		}
		switch state := to.State(); {
		case state.Connected:
			lastSeen = time.Now()
		case state.Trouble != "" && time.Since(lastSeen) > m.patience:
			return fmt.Errorf("no feed for %v: %s", m.patience, state.Trouble)
		}
	}
}

// record is n samples from a time of the processor's clock on, reference and
// microphone by turns. That time must be over: only then is all known that the
// outputs did. What a sample holds follows from its time alone (and from chance
// for the noise), so a machine that is late makes frames late, never wrong.
func (m *microphone) record(from float64, n int, noise *rand.Rand) []float32 {
	reference, heard := make([]float64, n), make([]float64, n)
	m.space.signal.add(reference, from, unity)
	m.space.hear(m.hears(), m.rig.since(from-m.space.reach), from, heard)
	audio := make([]float32, 0, 2*n)
	for i, x := range reference {
		y := heard[i] + m.space.noise*noise.NormFloat64()
		audio = append(audio, float32(x), float32(max(-1, min(1, y))))
	}
	return audio
}
