package main

import (
	"context"
	"net"
	"testing"
	"time"

	"hushback/cmd/internal/emulated"
	"hushback/configs"
	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/control/wire"
	"hushback/engine"
)

// BenchmarkSixtyFourOutputs sends 64 outputs × 4 parameters to a processor that
// asks for no pacing, and reads every one of the 256 values back; beside it, in
// the same run, stand 256 bare round trips after 256 bare writes on a socket
// without any codec.
func BenchmarkSixtyFourOutputs(b *testing.B) {
	for _, c := range []struct {
		name string
		lose float64
	}{{"loopback", 0}, {"5 % lost each way", 0.05}} {
		b.Run(c.name, func(b *testing.B) {
			w, device, states, address := sixtyFour(b, c.lose)
			steps := [2][]wire.Step{}
			for i := range steps {
				var err error
				if steps[i], err = w.Way(wire.PartSend, states[i], states[1-i]); err != nil || len(steps[i]) != 256 {
					b.Fatalf("%d steps, %v", len(steps[i]), err)
				}
			}
			var bare time.Duration
			var writes, n int
			for b.Loop() {
				before := device.Writes()
				way := steps[n%2]
				n++
				readings, doubts := w.Carry(b.Context(), way, wire.GoOn, func(int, []wire.Reading) {})
				if len(readings) != 256 || len(doubts) != 0 {
					b.Fatalf("%d readings, doubts %v", len(readings), doubts)
				}
				writes += device.Writes() - before
				if c.lose == 0 {
					b.StopTimer()
					bare += roundTrips(b, address, way)
					b.StartTimer()
				}
			}
			each := b.Elapsed() / time.Duration(n)
			b.ReportMetric(float64(each.Microseconds())/1000, "ms/change")
			b.ReportMetric(float64(writes)/float64(n), "writes/change")
			if c.lose == 0 {
				b.ReportMetric(float64(bare.Microseconds())/1000/float64(n), "ms/bare")
				b.ReportMetric(float64(b.Elapsed())/float64(bare), "×bare")
			}
		})
	}
}

// sixtyFour is a way to a processor with 64 outputs, and two states between which
// a change writes each parameter of each output once: muted as they are, and no
// gain goes up.
func sixtyFour(b *testing.B, lose float64) (*wire.Wire, *emulated.Processor, [2][]engine.Setting, string) {
	b.Helper()
	profile, err := configs.OpenProfile("bundled-sixty-four")
	if err != nil {
		b.Fatal(err)
	}
	profile.ReplyPort = 0
	for i := range profile.Renew {
		profile.Renew[i].Every = 200 * time.Millisecond
	}
	device, err := emulated.Start(context.Background(), emulated.Options{Kind: profile.Name})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(device.Close)
	network, err := emulated.NewNetwork(device.Addr(), 64)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(network.Close)
	address := device.Addr()
	if lose > 0 {
		network.Set(emulated.Faults{Lose: lose})
		address = network.Addr()
	}
	conn, err := osc.Dial(address, profile.Options())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { conn.Close() })
	var outputs []engine.Output
	var states [2][]engine.Setting
	for n := 1; n <= profile.Outputs; n++ {
		outputs = append(outputs, engine.Output{Number: n})
		for i := range states {
			states[i] = append(states[i], profile.Snap(engine.Setting{
				Output: n, DelaySec: float64(n+i) / 1000, Polarity: 1 - 2*i, GainDB: -20, Muted: true,
			}))
		}
	}
	w, err := wire.New([]wire.Processor{{Profile: profile, Wire: conn}}, outputs)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := w.Read(b.Context()); err != nil {
		b.Fatal(err)
	}
	return w, device, states, address
}

// roundTrips takes as long as the writes of these steps and one question for each
// take on a bare socket, one after another.
func roundTrips(b *testing.B, address string, steps []wire.Step) time.Duration {
	b.Helper()
	profile, err := configs.OpenProfile("bundled-sixty-four")
	if err != nil {
		b.Fatal(err)
	}
	var queries [][]byte
	for _, s := range steps {
		q, err := profile.Ask(processor.Delay, s.Output, false, 0)
		if err != nil {
			b.Fatal(err)
		}
		packet, err := osc.Encode(q.Message)
		if err != nil {
			b.Fatal(err)
		}
		queries = append(queries, packet)
	}
	conn, err := net.Dial("udp", address)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	if err := conn.SetDeadline(time.Now().Add(patience)); err != nil {
		b.Fatal(err)
	}
	answer := make([]byte, 512)
	begun := time.Now()
	for i, s := range steps {
		if _, err := conn.Write(s.Bytes); err != nil {
			b.Fatal(err)
		}
		if _, err := conn.Write(queries[i]); err != nil {
			b.Fatal(err)
		}
		if _, err := conn.Read(answer); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(begun)
}
