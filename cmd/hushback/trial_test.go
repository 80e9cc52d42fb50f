package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"hushback/cmd/internal/emulated"
	"hushback/configs"
	"hushback/control"
	"hushback/engine"
)

const (
	trialSeed      = 505
	trialLanes     = 8 // trials wait most of the time
	changesInTrial = 2
	// A datagram and its answer are under way for less than this. What the network
	// below does to them is over well before, so that a machine that stands still
	// for a moment decides nothing.
	trialLate = 200 * time.Millisecond
	trialSlow = 20 * time.Millisecond // a way takes so long at most, and what is replayed is no older
)

// often is how many changes are tried, crashes made: what an environment
// variable says or, without it, what can be waited for.
func often(t *testing.T, variable string, usual int) int {
	t.Helper()
	text := os.Getenv(variable)
	if text == "" {
		return usual
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// inLanes runs n subtests, so many at a time, whatever number of processors there
// is: they wait most of the time.
func inLanes(t *testing.T, lanes, n int, test func(*testing.T, int)) {
	var all sync.WaitGroup
	for lane := range lanes {
		all.Go(func() {
			for i := lane; i < n; i += lanes {
				t.Run(fmt.Sprint(i), func(t *testing.T) { test(t, i) })
			}
		})
	}
	all.Wait()
}

// trial is one rack behind a bad network, and what else goes wrong there.
type trial struct {
	*rack
	what    string
	rng     *rand.Rand
	network *emulated.Network
	faults  emulated.Faults
	stuck   int // this channel takes no write; 0 is none
	clipped int // this channel plays no louder than ceiling
	ceiling float64
	// After so many writes of the change somebody turns a knob, the processor
	// restarts with factory settings, the safe preset is called for; 0 is never.
	knob, reset, safe int
	went              chan control.State // how the way to the safe preset ended
}

// TestTrialsThroughABadNetwork sends seeded changes over real sockets through a
// network that loses, doubles, replays, delays and spoils, to processors with
// faults of their own, with somebody else at their knobs. Whatever happens:
// nothing is called kept that is not exactly on the processor, nothing rolled
// back unless it holds exactly that, and what differs from what should stand is
// named.
//
// Where a datagram's bytes are changed on the way, a write can be another write,
// and it may be one to an output that the site has nothing to do with and that
// nobody looks at: these are counted, not judged.
//
// Which datagram a fault hits depends on when each comes, so that a seed draws the
// same trial again but not the same losses.
func TestTrialsThroughABadNetwork(t *testing.T) {
	t.Parallel()
	total := often(t, "HUSHTEST_TRIALS", 24) / changesInTrial
	var mu sync.Mutex
	ended := map[string]int{}
	begun := time.Now()
	inLanes(t, trialLanes, total, func(t *testing.T, n int) {
		for _, how := range newTrial(t, n).run() {
			mu.Lock()
			ended[how]++
			mu.Unlock()
		}
	})
	t.Logf("seed %d, %d trials in %.0f s: %v", trialSeed, total, time.Since(begun).Seconds(), ended)
	for _, how := range []string{"kept", "rolled back", "adrift"} {
		if ended[how] == 0 && total >= 30 {
			t.Errorf("seed %d does not show %q: %v", trialSeed, how, ended)
		}
	}
}

// newTrial draws a trial.
func newTrial(t *testing.T, n int) *trial {
	t.Helper()
	rng := rand.New(rand.NewPCG(trialSeed, uint64(n)))
	share := func(of float64) bool { return rng.Float64() < of }
	kinds := []string{"plain-eight", "counting-twelve", "muteless-four", "bundled-sixty-four"}
	profile, err := configs.OpenProfile(kinds[rng.IntN(len(kinds))])
	if err != nil {
		t.Fatal(err)
	}
	// As shipped, but in a hurry, and answered at the port that asked.
	profile.Gap, profile.ReplyPort = min(profile.Gap, time.Millisecond), 0
	profile.Timeout, profile.Late, profile.Tries = 30*time.Millisecond, trialLate, 6
	profile.Ramp.StepDB, profile.Ramp.Every = 12, time.Millisecond
	for i := range profile.Renew {
		profile.Renew[i].Every = 40 * time.Millisecond
	}
	tr := &trial{rack: &rack{t: t}, rng: rng, went: make(chan control.State, 1)}
	u := tr.install(profile, 4)
	if tr.network, err = emulated.NewNetwork(u.Addr(), trialSeed^uint64(n)<<16); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(tr.network.Close)
	u.address = tr.network.Addr()
	tr.connect()

	f := emulated.Faults{ReplayWithin: trialSlow}
	if share(0.7) {
		f.Lose = 0.4 * rng.Float64() * rng.Float64()
	}
	if share(0.5) {
		f.Double = rng.Float64()
	}
	if share(0.3) {
		f.Replay = 0.5 * rng.Float64()
	}
	if share(0.6) {
		f.Delay = time.Duration(rng.Float64() * float64(trialSlow))
	}
	if share(0.3) {
		f.Spoil = 0.05 * rng.Float64()
	}
	if share(0.1) {
		f.Silence, f.SilentFor = 0.01, time.Duration(50+rng.IntN(1500))*time.Millisecond
	}
	tr.faults = f
	channel := 1 + rng.IntN(u.used)
	if share(0.1) {
		tr.stuck = channel
	}
	if share(0.1) {
		tr.clipped, tr.ceiling = channel, -25*rng.Float64()
	}
	for _, event := range []*int{&tr.knob, &tr.reset, &tr.safe} {
		if share(0.12) {
			*event = 1 + rng.IntN(60)
		}
	}
	tr.what = fmt.Sprintf("seed %d trial %d: %s, %+v, channel %d stuck, %d clipped at %.1f dB, somebody's knob, a reset, safe after write %d, %d, %d",
		trialSeed, n, profile.Name, f, tr.stuck, tr.clipped, tr.ceiling, tr.knob, tr.reset, tr.safe)
	return tr
}

// random is a sheet for every output.
func (tr *trial) random() engine.Sheet {
	var sheet engine.Sheet
	for _, o := range tr.outputs {
		sheet.Settings = append(sheet.Settings, tr.units[0].profile.Snap(engine.Setting{
			Output: o.Number, DelaySec: 0.02 * tr.rng.Float64(), Polarity: 1 - 2*tr.rng.IntN(2),
			GainDB: -30 * tr.rng.Float64(), Muted: tr.rng.IntN(4) == 0,
		}))
	}
	return sheet
}

// run makes two changes after each other, so that answers to one are still under
// way in the next, and then takes the way out of whatever they led to.
func (tr *trial) run() []string {
	u := tr.units[0]
	safe := tr.storeQuiet()
	others := u.Settings()[u.used:]
	var sheets [changesInTrial]engine.Sheet
	for i := range sheets {
		sheets[i] = tr.random()
	}
	u.OnWrite(tr.hands(u.Writes()))
	var how []string
	for i, sheet := range sheets {
		if i == 0 || tr.faults.Lose > 0.2 {
			tr.network.Set(emulated.Faults{}) // a dry run is read in calm
		}
		confirmed, before := tr.draft(sheet)
		tr.network.Set(tr.faults)
		if confirmed == nil {
			how = append(how, "no dry run")
			continue
		}
		u.Stick(tr.stuck, i == 1)
		how = append(how, tr.change(confirmed, before, sheet, safe))
	}
	u.OnWrite(nil)
	u.Stick(tr.stuck, false)
	tr.network.Set(emulated.Faults{})
	if tr.safe > 0 && u.Writes() >= tr.safe {
		if state := <-tr.went; state != nil {
			how = append(how, "safe was called for")
		}
	}
	tr.goSafe()
	tr.mustHold(tr.what+": safe", safe)
	if !slices.Equal(others, u.Settings()[u.used:]) {
		how = append(how, "an output of others was written to")
		if tr.faults.Spoil == 0 && tr.reset == 0 {
			tr.t.Errorf("%s: outputs that are not the site's were changed, and nothing was spoilt", tr.what)
		}
	}
	return how
}

// goSafe goes to the safe preset in calm. A machine that is busy elsewhere may
// take longer than questions here wait, so it is pressed until it is there.
func (tr *trial) goSafe() {
	tr.t.Helper()
	for end := time.Now().Add(patience); ; {
		state, err := tr.Safe(tr.t.Context())
		if back, ok := state.(control.RolledBack); ok && err == nil && back.To == control.ToSafe {
			return
		}
		if time.Now().After(end) {
			tr.t.Fatalf("%s: in calm the safe preset cannot be reached: %#v, %v", tr.what, state, err)
		}
	}
}

// draft takes a dry run and confirms it; what it says stands now must stand.
func (tr *trial) draft(sheet engine.Sheet) (*control.Confirmed, []engine.Setting) {
	d, err := tr.DryRun(tr.t.Context(), sheet)
	if errors.Is(err, control.ErrAdrift) {
		if _, err := tr.Safe(tr.t.Context()); err != nil {
			tr.t.Logf("%s: %v", tr.what, err)
		}
		d, err = tr.DryRun(tr.t.Context(), sheet)
	}
	if err != nil {
		return nil, nil
	}
	confirmed, err := tr.Confirm(d.Digest, control.Consent{})
	if err != nil { // somebody called for the safe preset
		return nil, nil
	}
	return confirmed, d.Before
}

// hands is what is done to the processor besides what it is sent, after some of
// its writes: always before a last look, as what is done after it no look can
// know of.
func (tr *trial) hands(before int) func(int) {
	u := tr.units[0]
	return func(n int) {
		switch n - before {
		case tr.knob:
			set := u.Settings()[tr.rng.IntN(u.used)]
			set.GainDB, set.Polarity = -30*tr.rng.Float64(), -set.Polarity
			u.Set(set)
		case tr.reset:
			u.Reset()
		case tr.safe:
			go func() {
				state, _ := tr.Safe(context.Background())
				tr.went <- state
			}()
		}
		if tr.clipped > 0 {
			if set := u.Settings()[tr.clipped-1]; set.GainDB > tr.ceiling {
				set.GainDB = tr.ceiling
				u.Set(set)
			}
		}
	}
}

// change carries one change out and holds what it says against the processor.
func (tr *trial) change(confirmed *control.Confirmed, before []engine.Setting, sheet engine.Sheet, safe []engine.Setting) string {
	stood, written, begun := tr.holds(), tr.written(), tr.units[0].Seconds()
	state, err := tr.Apply(tr.t.Context(), confirmed, func(ctx context.Context, bench control.Bench) (control.Proof, error) {
		for _, set := range sheet.Settings {
			if !set.Muted && set.Output%2 == 0 {
				if err := bench.Solo(ctx, set.Output); err != nil {
					return control.Proof{}, err
				}
			}
		}
		return control.Proof{Proven: true}, nil
	}, nil)
	holds := tr.holds()
	if tr.faults.Spoil == 0 && tr.knob+tr.reset == 0 {
		tr.neverLouder(begun, before, sheet.Settings, safe)
	}
	judge := func(want []engine.Setting, but []int) {
		tr.t.Helper()
		for _, output := range tr.strange(want) {
			if !slices.Contains(but, output) {
				tr.t.Errorf("%s: %#v\nbut output %d holds %+v\nwant %+v", tr.what, state, output, holds[output-1], want[output-1])
			}
		}
	}
	switch s := state.(type) {
	case control.Kept:
		judge(sheet.Settings, nil)
		return "kept"
	case control.RolledBack:
		if s.To == control.ToSafe {
			judge(safe, nil)
			return "rolled back to safe"
		}
		judge(before, nil)
		return "rolled back"
	case control.Adrift:
		want := before
		if strings.Contains(s.Reason, "to "+control.ToSafe) {
			want = safe
		}
		judge(want, s.Outputs)
		return "adrift"
	}
	if tr.safe == 0 && (err == nil || tr.written() != written || tr.faults == (emulated.Faults{}) && !slices.Equal(stood, holds)) {
		tr.t.Errorf("%s: %#v, %v after %d writes", tr.what, state, err, tr.written()-written)
	}
	return "nothing sent"
}

// neverLouder fails if an output was open and louder at any moment since than in
// all of these states.
func (tr *trial) neverLouder(since float64, states ...[]engine.Setting) {
	for channel, moments := range tr.units[0].Since(since) {
		if channel > tr.units[0].used {
			continue
		}
		loudest := math.Inf(-1)
		for _, state := range states {
			loudest = math.Max(loudest, state[channel-1].GainDB)
		}
		for _, m := range moments {
			if !m.Is.Muted && m.Is.GainDB > loudest+0.01 {
				tr.t.Errorf("%s: output %d was open at %.2f dB, no state has more than %.2f dB", tr.what, channel, m.Is.GainDB, loudest)
			}
		}
	}
}
