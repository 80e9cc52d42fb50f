package control

import (
	"context"
	"flag"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// weather is what a trial does to the datagrams between controller and device.
// What becomes of one follows from the seed, from what is in it and from how many
// of the same went before, so that a trial goes the same way every time.
type weather struct {
	seed                    uint64
	loss, double, corrupt   float64
	slowest                 time.Duration // each way
	silentFrom, silentUntil time.Duration // since the start
}

// storm carries the datagrams of one trial. The real bytes go over it, so that a
// damaged byte is a damaged byte.
type storm struct {
	weather
	to    *device
	start time.Time
	// What the device does besides what it is told.
	clipped int // this output's gain is never above its ceiling
	ceiling float32

	mu      sync.Mutex
	seen    map[uint64]uint64
	waiting []*asker
}

type asker struct {
	answers func(osc.Message) bool
	got     chan osc.Message
}

// fates is when each copy of a datagram arrives, and which bytes of it are
// damaged.
func (s *storm) fates(way string, packet []byte) (when []time.Duration, damaged [][]byte) {
	h := fnv.New64a()
	h.Write([]byte(way))
	h.Write(packet)
	s.mu.Lock()
	s.seen[h.Sum64()]++
	nth := s.seen[h.Sum64()]
	now, start := s.weather, s.start
	s.mu.Unlock()
	rng := rand.New(rand.NewPCG(now.seed, h.Sum64()^nth<<32))
	if passed := time.Since(start); passed >= now.silentFrom && passed < now.silentUntil || rng.Float64() < now.loss {
		return nil, nil
	}
	copies := 1
	for rng.Float64() < now.double/2 && copies < 4 {
		copies++
	}
	for range copies {
		copied := slices.Clone(packet)
		if rng.Float64() < now.corrupt {
			copied[rng.IntN(len(copied))] ^= byte(1 + rng.IntN(255))
		}
		// Nobody's time is anybody else's, so that the order is always the same.
		when = append(when, time.Duration(1+rng.Int64N(int64(now.slowest))))
		damaged = append(damaged, copied)
	}
	return when, damaged
}

// turn changes the weather from now on.
func (s *storm) turn(w weather) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.weather, s.start = w, time.Now()
}

func (s *storm) carry(way string, m osc.Message, arrived func(osc.Message)) {
	packet, err := osc.Encode(m)
	if err != nil {
		s.to.fault("cannot be sent: %v", err)
		return
	}
	when, packets := s.fates(way, packet)
	for i, d := range when {
		time.AfterFunc(d, func() {
			messages, err := osc.Decode(packets[i])
			if err == nil && len(messages) == 1 {
				arrived(messages[0])
			}
		})
	}
}

func (s *storm) Send(ctx context.Context, m osc.Message) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.carry("write", m, s.set)
	return nil
}

func (s *storm) SendAll(ctx context.Context, messages []osc.Message) error {
	for _, m := range messages {
		if err := s.Send(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

// set takes a write if it is one: known address, right type, in range, as a
// processor would.
func (s *storm) set(m osc.Message) {
	d := s.to
	d.mu.Lock()
	defer d.mu.Unlock()
	was, known := d.values[m.Address]
	if !known || len(m.Args) != 1 || fmt.Sprintf("%T", was) != fmt.Sprintf("%T", m.Args[0]) {
		return
	}
	if d.stuck != nil && d.stuck(m.Address, m.Args[0]) {
		return
	}
	switch v := m.Args[0].(type) {
	case int32:
		if v != 0 && v != 1 {
			return
		}
	case float32:
		gain := strings.HasSuffix(m.Address, "/gain")
		if !(v >= -60) || gain && v > 6 || !gain && (v < 0 || v > 500) {
			return
		}
		if gain && m.Address == fmt.Sprintf("/out/%d/gain", s.clipped) {
			m.Args[0] = min(v, s.ceiling)
		}
	}
	d.values[m.Address] = m.Args[0]
}

func (s *storm) Ask(ctx context.Context, query osc.Message, answers func(osc.Message) bool) (osc.Message, error) {
	a := &asker{answers, make(chan osc.Message, 1)}
	s.mu.Lock()
	s.waiting = append(s.waiting, a)
	s.mu.Unlock()
	s.carry("query", query, func(query osc.Message) {
		s.to.mu.Lock()
		value, known := s.to.values[query.Address]
		s.to.mu.Unlock()
		if known && len(query.Args) == 0 {
			s.carry("reply", osc.Message{Address: query.Address, Args: []any{value}}, s.deliver)
		} else if known && len(query.Args) == 1 {
			s.set(query)
		}
	})
	select {
	case m := <-a.got:
		return m, nil
	case <-ctx.Done():
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if i := slices.Index(s.waiting, a); i >= 0 {
		s.waiting = slices.Delete(s.waiting, i, i+1)
	}
	return osc.Message{}, fmt.Errorf("no answer to %s: %w", query.Address, ctx.Err())
}

func (s *storm) deliver(m osc.Message) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, a := range s.waiting {
		if a.answers(m) {
			a.got <- m
			s.waiting = slices.Delete(s.waiting, i, i+1)
			return
		}
	}
}

// trials is how many changes are tried: HUSHTEST_TRIALS or, without it, enough
// to meet every fault many times.
func trials(t *testing.T) uint64 {
	if text := os.Getenv("HUSHTEST_TRIALS"); text != "" {
		n, err := strconv.ParseUint(text, 10, 32)
		must(t, err)
		return n
	}
	return 300
}

var trialSeed = flag.Uint64("trial-seed", 77, "seed of TestTrial")

// TestTrial sends seeded changes through bad weather to a device that has faults
// of its own, with somebody else at its knobs. Whatever happens: nothing is called
// kept that is not exactly on the device, nothing is called rolled back unless the
// device holds exactly that, and an output that differs from what should stand is
// named as in doubt.
func TestTrial(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	ended := map[string]int{}
	total := trials(t)
	dir := t.TempDir()
	const lanes = 4
	t.Run("lanes", func(t *testing.T) {
		for lane := range uint64(lanes) {
			t.Run(fmt.Sprint(lane), func(t *testing.T) {
				t.Parallel()
				for n := lane; n < total; n += lanes {
					synctest.Test(t, func(t *testing.T) {
						how := trial(t, *trialSeed, n, filepath.Join(dir, fmt.Sprint(n)))
						mu.Lock()
						defer mu.Unlock()
						ended[how]++
					})
				}
			})
		}
	})
	t.Logf("seed %d, %d changes: %v", *trialSeed, total, ended)
	for _, how := range []string{"kept", "rolled back", "adrift", "safe"} {
		if ended[how] < int(total)/60 {
			t.Errorf("seed %d does not show %q: %v", *trialSeed, how, ended)
		}
	}
}

// plan is one trial: what happens and when.
type plan struct {
	rng           *rand.Rand
	storm         *storm
	before, after []engine.Setting
	stuck         string
	at            map[string]time.Duration // when somebody turns a knob, the device restarts, safe is pressed

	mu     sync.Mutex
	hand   time.Time        // when the device was last touched by another's hand
	behind []engine.Setting // and what it held just before
}

func draw(seed, n uint64) *plan {
	rng := rand.New(rand.NewPCG(seed, n))
	random := func() []engine.Setting {
		var all []engine.Setting
		for i := range 4 {
			all = append(all, engine.Setting{
				Output: i + 1, DelaySec: float64(rng.IntN(2000)) * 1e-5, Polarity: 1 - 2*rng.IntN(2),
				GainDB: -float64(rng.IntN(300)) / 10, Muted: rng.IntN(4) == 0,
			})
		}
		return all
	}
	p := &plan{rng: rng, before: random(), after: random(), at: map[string]time.Duration{}}
	p.storm = &storm{
		to: newDevice(p.before), start: time.Now(), seen: map[uint64]uint64{}, ceiling: 6,
		weather: weather{seed: seed ^ n<<20, slowest: time.Duration(1 + rng.IntN(49)*int(time.Millisecond))},
	}
	often := func(share float64) bool { return rng.Float64() < share }
	if often(0.7) {
		p.storm.loss = 0.4 * rng.Float64() * rng.Float64()
	}
	if often(0.5) {
		p.storm.double = rng.Float64()
	}
	if often(0.3) {
		p.storm.corrupt = 0.05 * rng.Float64()
	}
	if often(0.15) {
		p.storm.silentFrom = time.Duration(rng.IntN(3000)) * time.Millisecond
		p.storm.silentUntil = p.storm.silentFrom + time.Duration(rng.IntN(4000))*time.Millisecond
	}
	if often(0.1) {
		p.storm.clipped, p.storm.ceiling = 1+rng.IntN(4), float32(-30*rng.Float64())
	}
	if often(0.1) {
		p.stuck = fmt.Sprintf("/out/%d/%s", 1+rng.IntN(4), []string{"gain", "delay", "polarity", "mute"}[rng.IntN(4)])
	}
	for _, event := range []struct {
		what  string
		share float64
	}{{"knob", 0.2}, {"restart", 0.15}, {"safe", 0.15}} {
		if often(event.share) {
			p.at[event.what] = time.Duration(rng.IntN(4000)) * time.Millisecond
		}
	}
	return p
}

// foreign is what somebody else does to the device, and what its own restart
// does.
func (p *plan) foreign(event string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.hand, p.behind = time.Now(), nil
	for output := 1; output <= 4; output++ {
		p.behind = append(p.behind, p.storm.to.get(output))
	}
	switch event {
	case "knob":
		set := p.storm.to.get(1 + p.rng.IntN(4))
		set.GainDB, set.Muted = -float64(p.rng.IntN(300))/10, !set.Muted
		p.storm.to.put(set)
	case "restart":
		for output := 1; output <= 4; output++ {
			p.storm.to.put(engine.Setting{Output: output, Polarity: 1, GainDB: -40})
		}
	}
}

// untouched reports whether nobody else was at the device for so long.
func (p *plan) untouched(long time.Duration) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return time.Since(p.hand) > long
}

func stormy() processor.Profile {
	p := kindOf()
	p.Timeout = 40 * time.Millisecond // many answers come later
	p.Late = 100 * time.Millisecond   // there and back at the slowest is less
	return p
}

// trial carries one change out and says how it ended.
func trial(t *testing.T, seed, n uint64, path string) string {
	p := draw(seed, n)
	what := fmt.Sprintf("seed %d trial %d", seed, n)
	store, err := preset.Open(path)
	must(t, err)
	defer store.Close()
	must(t, store.Put(preset.Preset{Name: preset.Safe, Taken: time.Now(), Settings: safe()}))
	r := &rig{t: t, device: p.storm.to, store: store, line: &line{}}
	cfg := r.config()
	cfg.Processors = []Processor{{Profile: stormy(), Wire: p.storm}}
	c, err := New(cfg)
	must(t, err)
	calm := p.storm.weather // the weather begins once there is a dry run
	p.storm.turn(weather{seed: calm.seed, slowest: calm.slowest})
	d, err := c.DryRun(t.Context(), engine.Sheet{Settings: p.after})
	must(t, err)
	confirmed, err := c.Confirm(d.Digest, Consent{})
	must(t, err)
	p.storm.turn(calm)
	if p.stuck != "" {
		p.storm.to.mu.Lock()
		p.storm.to.stuck = func(address string, _ any) bool { return address == p.stuck }
		p.storm.to.mu.Unlock()
	}
	// Somebody else's hand counts until the decision to keep.
	var hands []*time.Timer
	for _, event := range []string{"knob", "restart"} {
		if at, ok := p.at[event]; ok {
			hands = append(hands, time.AfterFunc(at, func() { p.foreign(event) }))
		}
	}
	pressed := make(chan State, 1)
	if at, ok := p.at["safe"]; ok {
		time.AfterFunc(at, func() { state, _ := c.Safe(t.Context()); pressed <- state })
	}
	handsOff := func() {
		for _, h := range hands {
			h.Stop()
		}
	}
	state, err := c.Apply(t.Context(), confirmed, func(ctx context.Context, b Bench) (Proof, error) {
		for _, set := range p.after {
			if !set.Muted {
				if err := b.Solo(ctx, set.Output); err != nil {
					return Proof{}, err
				}
			}
			time.Sleep(time.Duration(n%7) * 50 * time.Millisecond)
		}
		return Proof{Proven: true}, b.Everything(ctx)
	}, func(context.Context, Held) Decision {
		handsOff()
		return Keep
	})
	handsOff()
	if _, idle := state.(Idle); !idle {
		must(t, err)
	}
	how, last := p.judge(t, what, state), state
	if _, ok := p.at["safe"]; ok {
		if state := <-pressed; state != nil {
			if after := p.judge(t, what+", then safe", state); after != "nothing sent" {
				how, last = after, state
			}
		}
	}
	time.Sleep(time.Minute) // what is still under way arrives, and must change nothing
	if p.untouched(time.Minute + time.Second) {
		p.judge(t, what+", a minute later", last)
	}
	return how
}

// judge holds what a state says against the device.
func (p *plan) judge(t *testing.T, what string, state State) string {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	exactly := func(want []engine.Setting, but []int) {
		t.Helper()
		// What another's hand does in the moment of a last look, no look can know of.
		_, kept := state.(Kept)
		lastLook := !kept && time.Since(p.hand) < 500*time.Millisecond
		for _, set := range want {
			if lastLook && alike(p.behind[set.Output-1], set) {
				continue
			}
			if got := p.storm.to.get(set.Output); !alike(got, set) && !slices.Contains(but, set.Output) {
				t.Errorf("%s: %T, but the device holds %+v\nwant %+v\nweather %+v, stuck %q, events %v", what, state, got, set, p.storm.weather, p.stuck, p.at)
			}
		}
	}
	switch s := state.(type) {
	case Kept:
		exactly(p.after, nil)
		return "kept"
	case RolledBack:
		if s.To == ToSafe {
			exactly(safe(), nil)
			return "safe"
		}
		exactly(p.before, nil)
		return "rolled back"
	case Adrift:
		want := p.before
		if strings.Contains(s.Reason, "to "+ToSafe) {
			want = safe()
		}
		exactly(want, s.Outputs)
		return "adrift"
	}
	return "nothing sent"
}
