package daemon

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"hushback/cmd/internal/desk"
	"hushback/control"
	"hushback/engine"
	"hushback/engine/field"
	"hushback/verify"
	"hushback/verify/transfer"
)

// How many whole periods of the test signal a capture averages. The sum and
// the null are what the verdict rests on; a solo only has to tell levels.
const (
	periodsOfEverything = 6
	periodsOfSolo       = 3
)

// fadeSec is what a processor may take to fade an output in or out.
const fadeSec = 0.1

// prove measures the sheet that stands on the processor: everything open, then
// each output alone, at both microphones at once; and judges it.
func (d *Daemon) prove(ctx context.Context, bench control.Bench) (control.Proof, error) {
	captures, err := d.takeAll(ctx, bench)
	if err != nil {
		return control.Proof{}, err
	}
	view := d.View()
	verdict, err := verify.Judge(view.Site, view.Prediction, captures)
	if err != nil {
		return control.Proof{}, fmt.Errorf("judging: %w", err)
	}
	d.judged(captures, &verdict)
	if verdict.Outcome != verify.Proven {
		d.job("working out what is wrong and what would do better", func() { d.explain(desk.Flatten(view.State).Change, view.Site, view.Sheet, captures) })
	}
	return control.Proof{Proven: verdict.Outcome == verify.Proven, Reason: inShort(verdict)}, nil
}

// inShort is a verdict in one sentence: what weighs most, and how much more
// there is to read in the verdict itself.
func inShort(v verify.Verdict) string {
	text := fmt.Sprintf("%s: %s", v.Outcome, v.Reasons[0])
	if more := len(v.Reasons) - 1; more > 0 {
		text += fmt.Sprintf(" (and %d more, see the verdict)", more)
	}
	return text
}

// takeAll walks through the series of captures, at all places at once or, with
// one microphone that is moved, at one after the other.
func (d *Daemon) takeAll(ctx context.Context, bench control.Bench) ([]verify.Capture, error) {
	site := d.View().Site
	states, rounds := site.Heard(), d.rounds()
	d.latency = map[string]float64{}
	var captures []verify.Capture
	for k, mics := range rounds {
		if d.feedOf(mics[0].Name) == Moved {
			if err := d.place(ctx, mics[0]); err != nil {
				return nil, err
			}
		}
		for i, h := range states {
			d.doing(fmt.Sprintf("measuring %d of %d: %s", 1+i+k*len(states), len(states)*len(rounds), h.Words(site)))
			if err := play(ctx, bench, h.Outputs(site)); err != nil {
				return nil, err
			}
			more, err := d.take(ctx, h, mics)
			if err != nil {
				return nil, err
			}
			captures = slices.Concat(captures, more)
			d.judged(captures, nil)
		}
	}
	d.doing("judging")
	return captures, bench.Everything(ctx)
}

func play(ctx context.Context, bench control.Bench, outputs []int) error {
	if outputs == nil {
		return bench.Everything(ctx)
	}
	return bench.Solo(ctx, outputs...)
}

// take captures one state of the series at some places at once.
func (d *Daemon) take(ctx context.Context, h engine.Heard, mics []engine.Microphone) ([]verify.Capture, error) {
	periods := periodsOfSolo
	if h.Outputs(d.View().Site) == nil {
		periods = periodsOfEverything
	}
	taken := make([]verify.Capture, len(mics))
	group, ctx := errgroup.WithContext(ctx)
	for i, mic := range mics {
		group.Go(func() (err error) {
			taken[i], err = d.capture(ctx, mic, h, periods)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	return taken, d.takeLatencyOut(taken)
}

// longestLatency is the most that a processor and its converters are looked
// through for, in seconds. It is below the test signal's period.
const longestLatency = 0.2

// takeLatencyOut takes out of captures what all of them are late by on top of the
// predicted arrival. It is found once, from the first of a series where the
// sound adds up, and stays the same for all the others: if each capture had its
// own, what is early or late against what could no longer be told. A program that
// measures by itself counts by itself, as it may have taken a delay out already.
// Then every capture is brought onto the lines of the test signal.
func (d *Daemon) takeLatencyOut(captures []verify.Capture) error {
	site := d.View().Site
	for i := range captures {
		c := &captures[i]
		clock := d.clock(c.Microphone)
		if _, found := d.latency[clock]; !found {
			d.latency[clock] = d.firstOf(clock, captures).Delay(math.Min(longestLatency, 0.9*site.TestSignal.PeriodSec))
		}
		c.LatencySec = d.latency[clock]
		c.Function = c.Function.Advance(c.LatencySec)
		if clock != "" {
			var err error
			if c.Function, err = c.Function.At(site.TestSignal.Lines()); err != nil {
				return fmt.Errorf("%s microphone: %w", c.Microphone, err)
			}
		}
	}
	return nil
}

// clock tells apart whose latency a capture has: "" is all audio, which runs
// through one processor; a program that measures by itself is its own.
func (d *Daemon) clock(microphone string) string {
	if d.measures(microphone) != nil {
		return microphone
	}
	return ""
}

// firstOf is the first function with a latency, in front if it is there.
func (d *Daemon) firstOf(clock string, captures []verify.Capture) transfer.Function {
	var first *verify.Capture
	for i, c := range captures {
		if d.clock(c.Microphone) == clock && (first == nil || c.Role == engine.RoleFront) {
			first = &captures[i]
		}
	}
	return first.Function
}

// capture takes one transfer function at a microphone, starting once everything
// on its way has arrived.
func (d *Daemon) capture(ctx context.Context, mic engine.Microphone, h engine.Heard, periods int) (verify.Capture, error) {
	view := d.View()
	function, err := d.listen(ctx, mic, periods)
	if err != nil {
		return verify.Capture{}, fmt.Errorf("%s microphone: %w", mic.Name, err)
	}
	arrival, err := field.Arrival(view.Site, view.Sheet, mic)
	if err != nil {
		return verify.Capture{}, fmt.Errorf("%s microphone: %w", mic.Name, err)
	}
	return verify.Capture{
		Microphone: mic.Name, Role: mic.Role, Solo: h.Solo, Row: h.Row, SheetDigest: view.Sheet.Digest(),
		Taken: time.Now(), Air: view.Site.Air, DelaySec: arrival, Function: function.Advance(arrival),
	}, nil
}

// listen makes a function of whole periods of a microphone's audio, or takes one
// from the program that measures there.
func (d *Daemon) listen(ctx context.Context, mic engine.Microphone, periods int) (transfer.Function, error) {
	settleSec := fadeSec + d.longestWay(mic)
	if function := d.measures(mic.Name); function != nil {
		return function(ctx, time.Duration(settleSec*float64(time.Second)))
	}
	signal := d.View().Site.TestSignal
	recording, err := d.hub.Capture(ctx, d.feedOf(mic.Name), settleSec, float64(periods)*transfer.Lengthen(signal.Kind)*signal.PeriodSec)
	if err != nil {
		return transfer.Function{}, err
	}
	f, err := transfer.OfSignal(signal, recording.Reference, recording.Microphone, recording.Rate)
	if err != nil {
		return transfer.Function{}, err
	}
	return f.At(signal.Lines())
}

// longestWay is the longest time, in seconds, from the processor's input to a
// microphone under the sheet; the coldest air that counts makes it longer.
func (d *Daemon) longestWay(mic engine.Microphone) float64 {
	const slowest = 300 // m/s, below any air that a show is played in
	view := d.View()
	longest := 0.0
	for _, source := range view.Site.Sources {
		set, _ := view.Sheet.Setting(source.Output)
		way := source.At.Distance(mic.At)
		for _, w := range view.Site.Walls { // an echo comes at most so much later
			way = math.Max(way, source.At.Distance(mic.At)+2*w.Distance(mic.At))
		}
		longest = math.Max(longest, set.DelaySec+way/slowest)
	}
	return longest
}
