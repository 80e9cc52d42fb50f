package feed

import (
	"fmt"
	"runtime"
	"sync"
	"testing"

	"hushback/engine"
	"hushback/verify/transfer"
)

// streams sends so many seconds of two-channel audio at 48 kHz from eight agents
// at once, as fast as they can, while a capture of nearly all of it is taken at
// each and made a transfer function of, on two cores. What is captured it compares
// sample by sample, and it counts what arrived.
func streams(t testing.TB, seconds int) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(2))
	var names []string
	for i := range 8 {
		names = append(names, fmt.Sprint("microphone ", i))
	}
	hub, url := rig(t, names...)
	hub.patience.sample = usual().function // a busy machine is late
	second := values(0, rate)              // whatever second it is: what counts is the index, and that in the frame
	var all sync.WaitGroup
	for _, name := range names {
		p := connect(t, hub, url, name)
		asked := make(chan struct{})
		p.Marks(func() uint64 { close(asked); return 0 })
		all.Go(func() {
			<-asked
			for range seconds {
				_ = p.Send(second)
				if err := p.Flush(within(t)); err != nil {
					t.Error(err)
				}
			}
		})
		all.Go(func() {
			r, err := hub.Capture(within(t), name, 0.25, float64(seconds)-0.5)
			if err != nil {
				t.Error(err)
				return
			}
			wrong := 0
			for i := range r.Reference {
				at := (int(r.First) + i) % rate
				if r.Reference[i] != float64(second[2*at]) || r.Microphone[i] != float64(second[2*at+1]) {
					wrong++
				}
			}
			if len(r.Reference) != seconds*rate-rate/2 || len(r.Microphone) != len(r.Reference) || wrong > 0 {
				t.Errorf("%s: %d and %d samples, %d of them wrong", name, len(r.Reference), len(r.Microphone), wrong)
			}
			o := transfer.Options{Segment: rate / 2, Hop: rate / 2, Window: transfer.Rectangular}
			if _, err := transfer.Estimate(r.Reference, r.Microphone, rate, engine.Band{LowHz: 20, HighHz: 120}, o); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	for _, name := range names {
		tape := hub.place(name).tape
		if _, _, gaps := tape.level(); tape.expected() != uint64(seconds*rate) || gaps != 0 {
			t.Errorf("%s: %d samples arrived, %d gaps; %d were sent", name, tape.expected(), gaps, seconds*rate)
		}
	}
}

// Eight streams together lose nothing, whatever time they take.
func TestEightStreamsTogether(t *testing.T) { streams(t, 5) }

// BenchmarkEightStreams tells how many times faster than real time eight streams
// go together, from the agents' samples to the transfer functions.
func BenchmarkEightStreams(b *testing.B) {
	const seconds = 60
	for b.Loop() {
		streams(b, seconds)
	}
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "times-real-time")
}
