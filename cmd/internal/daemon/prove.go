package daemon

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"hushback/control"
	"hushback/engine"
	"hushback/engine/field"
	"hushback/verify"
	"hushback/verify/feed"
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

// takeAll walks through the series of captures.
func (d *Daemon) takeAll(ctx context.Context, bench control.Bench) ([]verify.Capture, error) {
	outputs := d.options.Site.OutputNumbers()
	var captures []verify.Capture
	for i, solo := range append([]int{verify.Everything}, outputs...) {
		d.doing(fmt.Sprintf("measuring %d of %d: %s", i+1, len(outputs)+1, d.openNow(solo)))
		if err := play(ctx, bench, solo); err != nil {
			return nil, err
		}
		pair, err := d.take(ctx, solo)
		if err != nil {
			return nil, err
		}
		captures = slices.Concat(captures, pair)
		d.judged(captures, nil)
	}
	d.doing("judging")
	return captures, bench.Everything(ctx)
}

func play(ctx context.Context, bench control.Bench, solo int) error {
	if solo == verify.Everything {
		return bench.Everything(ctx)
	}
	return bench.Solo(ctx, solo)
}

// openNow says in words which outputs play.
func (d *Daemon) openNow(solo int) string {
	if solo == verify.Everything {
		return "everything open"
	}
	output, _ := d.options.Site.Output(solo)
	return fmt.Sprintf("output %d alone (%s)", solo, output.Label)
}

// take captures one mute state at every microphone at once.
func (d *Daemon) take(ctx context.Context, solo int) ([]verify.Capture, error) {
	periods := periodsOfSolo
	if solo == verify.Everything {
		periods = periodsOfEverything
	}
	taken := make([]verify.Capture, len(d.options.Site.Microphones))
	group, ctx := errgroup.WithContext(ctx)
	for i, mic := range d.options.Site.Microphones {
		group.Go(func() (err error) {
			taken[i], err = d.capture(ctx, mic, solo, periods)
			return err
		})
	}
	return taken, group.Wait()
}

// capture turns whole periods of one microphone's audio into a transfer
// function, starting once everything on its way has arrived.
func (d *Daemon) capture(ctx context.Context, mic engine.Microphone, solo, periods int) (verify.Capture, error) {
	view := d.View()
	period := int(math.Round(view.Site.TestSignal.PeriodSec * SampleRate))
	settle := int(math.Ceil((fadeSec + d.longestWay(mic)) * SampleRate))
	recording, err := d.hub.Capture(ctx, mic.Name, settle, periods*period)
	if err != nil {
		return verify.Capture{}, fmt.Errorf("%s microphone: %w", mic.Name, err)
	}
	function, err := estimate(recording, view.Site.TestSignal.Band, period)
	if err != nil {
		return verify.Capture{}, fmt.Errorf("%s microphone: %w", mic.Name, err)
	}
	arrival, err := field.Arrival(view.Site, view.Sheet, mic)
	if err != nil {
		return verify.Capture{}, fmt.Errorf("%s microphone: %w", mic.Name, err)
	}
	return verify.Capture{
		Microphone: mic.Name, Role: mic.Role, Solo: solo, SheetDigest: view.Sheet.Digest(),
		Taken: time.Now(), DelaySec: arrival, Function: function.Advance(arrival),
	}, nil
}

func estimate(r feed.Recording, band engine.Band, period int) (transfer.Function, error) {
	return transfer.Estimate(r.Reference, r.Microphone, float64(r.Rate), band,
		transfer.Options{Segment: period, Hop: period, Window: transfer.Rectangular})
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
