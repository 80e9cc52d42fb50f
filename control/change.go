package control

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"hushback/control/preset"
	"hushback/control/wire"
	"hushback/engine"
)

// Proof is what measuring says of the sheet that stands on the processors.
type Proof struct {
	Proven bool
	Reason string // why not; or in short what was shown
}

// Prove measures and judges. It must return soon after ctx ends; whether it
// does or not, the bench is closed then. An error rolls the change back.
type Prove func(ctx context.Context, bench Bench) (Proof, error)

// Decision is what becomes of a held change.
type Decision int

// The decisions.
const (
	RollBack Decision = iota
	Keep
)

// Decide says what becomes of a held change. ctx ends at the keep-by moment,
// and when the change is cancelled; whatever Decide says then is too late.
type Decide func(ctx context.Context, held Held) Decision

// change is one change on its way, from the first journal entry on.
type change struct {
	c        *Controller
	record   preset.Change
	dry      DryRun
	readings []Reading
}

// Apply carries out a confirmed dry run: one transaction that ends Kept,
// RolledBack or Adrift.
//
// Before the first write the processors must, looked at for certain, stand as
// they did at the dry run, a safe preset must be there, the as-found preset is
// stored if there is none, and the journal has what a restart needs to go back.
// The sheet is sent and read back; prove measures it; every output is brought to
// its sheet state. A change that is not proven is rolled back there and then; a
// proven one is held, and decide says what becomes of it. Without a decide it is
// kept, as long as a last certain look finds the sheet on the processors. When ctx
// ends (its cause is told as the reason), or Safe is called, or anything fails, the
// change is rolled back before Apply returns.
//
// With Idle the error says why nothing was sent. Any other state may come with
// an error too: that of a journal that could not be written.
func (c *Controller) Apply(ctx context.Context, confirmed *Confirmed, prove Prove, decide Decide) (State, error) {
	ctx, j, err := c.take(ctx, changing)
	if err != nil {
		return Idle{}, err
	}
	var final State = Idle{}
	defer func() { c.leave(j, final) }()
	if prove == nil {
		return final, errors.New("control: a change needs a proof")
	}
	ch, err := c.begin(ctx, confirmed)
	if err != nil {
		return final, err
	}
	why := ch.carryOut(ctx, prove, decide)
	if why == nil {
		why = ch.stillStands(ctx)
	}
	if why == nil {
		if why = c.cfg.Store.End(c.entry(ch.record.ID, "kept", c.exceptBlind("the sheet stays on the processors")), ch.dry.After); why == nil {
			final = Kept{Change: ch.record.ID, Readings: ch.readings, Blind: ch.dry.Blind}
			c.nothingStrange()
			c.notify(final)
			return final, nil
		}
	}
	final, err = c.rollBack(ctx, ch.record, reason(ctx, why))
	return final, err
}

// begin checks everything that must hold before the first write, and opens the
// change in the journal.
func (c *Controller) begin(ctx context.Context, confirmed *Confirmed) (*change, error) {
	d, err := c.redeem(confirmed)
	if err != nil {
		return nil, err
	}
	if err := c.checkNotAdrift(); err != nil {
		return nil, err
	}
	if _, err := c.safePreset(); err != nil {
		return nil, err
	}
	now, err := c.look(ctx)
	if err != nil {
		return nil, err
	}
	if err := c.checkUnchanged(d.Before, now); err != nil {
		return nil, err
	}
	if err := c.storeAsFound(now); err != nil {
		return nil, err
	}
	opened := c.cfg.Now()
	ch := &change{c: c, dry: d, record: preset.Change{
		ID:     changeID(opened, d.Digest),
		Opened: opened, Digest: d.Digest, Before: d.back, After: d.After,
	}}
	if d.Back == ToSafe {
		ch.record = towards(d.back, ch.record)
	}
	return ch, c.cfg.Store.Begin(ch.record, c.entry(ch.record.ID, "sending",
		fmt.Sprintf("the dry run %.12s was confirmed and is being sent", d.Digest)))
}

// changeID names a change by when it began and what it sends.
func changeID(opened time.Time, what string) string {
	return fmt.Sprintf("%s-%.8s", opened.UTC().Format("20060102-150405.000"), what)
}

func (c *Controller) checkUnchanged(before, now []engine.Setting) error {
	if what := c.changed(before, now); what != "" {
		return fmt.Errorf("%s: %w", what, ErrChangedSince)
	}
	return nil
}

// changed says which of the values read differs first from what it was, "" if
// none does.
func (c *Controller) changed(was, now []engine.Setting) string {
	for _, is := range now {
		before, _ := engine.Sheet{Settings: was}.Setting(is.Output)
		if what := c.wire.Difference(before, is); what != "" {
			return what
		}
	}
	return ""
}

// stillStands looks once more, for certain, before the change is kept: what was
// read back in haste may have been an old answer, and while the change was held
// somebody else, or a power cut, may have changed the processors.
func (ch *change) stillStands(ctx context.Context) error {
	seen := ch.c.wire.Look(ctx, ch.c.wire.Readable())
	now, err := wire.Settings(seen)
	if err != nil {
		return err
	}
	if what := ch.c.changed(ch.dry.After, now); what != "" {
		return fmt.Errorf("somebody changed the processor while the change was held: %s", what)
	}
	for _, s := range seen {
		if s.Limited != "" {
			return errors.New(s.Limited)
		}
	}
	return nil
}

// exceptBlind adds to what a journal says of all outputs that it is not true of
// those that cannot be read back.
func (c *Controller) exceptBlind(words string) string {
	if blind := c.wire.Blind(); len(blind) > 0 {
		words += fmt.Sprintf(" (outputs %v cannot be read back)", blind)
	}
	return words
}

// carryOut goes forward as far as it can. nil means that the change is to be
// kept; an error is why it is not.
func (ch *change) carryOut(ctx context.Context, prove Prove, decide Decide) error {
	if err := ch.send(ctx); err != nil {
		return err
	}
	proof, err := ch.measure(ctx, prove)
	if err != nil {
		return err
	}
	if !proof.Proven {
		return errors.New(cmp.Or(proof.Reason, "not proven"))
	}
	return ch.hold(ctx, proof, decide)
}

// part is the steps of one part of the change.
func (ch *change) part(p Part) []Step {
	var steps []Step
	for _, s := range ch.dry.Steps {
		if s.Part == p {
			steps = append(steps, s)
		}
	}
	return steps
}

// send brings the sheet onto the processors and reads it back.
func (ch *change) send(ctx context.Context) error {
	steps := ch.part(PartSend)
	tell := func(sent int, readings []Reading) {
		ch.c.notify(Sending{Change: ch.record.ID, Sent: sent, Total: len(steps), Readings: readings})
	}
	tell(0, nil)
	readings, doubts := ch.c.wire.Carry(ctx, steps, wire.GiveUp, tell)
	ch.readings = readings
	if err := first(doubts); err != nil {
		return err
	}
	return ch.c.note(ch.record.ID, "read back", ch.c.exceptBlind("every parameter of every output is what the sheet wants"))
}

// measure takes the proof and brings every output back to its sheet state.
func (ch *change) measure(ctx context.Context, prove Prove) (Proof, error) {
	if err := ch.c.note(ch.record.ID, "measuring", "the outputs are measured one by one and all together"); err != nil {
		return Proof{}, err
	}
	ch.c.notify(Measuring{Change: ch.record.ID, Readings: ch.readings})
	b := &bench{ctx: ctx, c: ch.c, change: ch.record.ID, steps: ch.part(PartMeasure), stands: wire.Together}
	proof, err := within(ctx, func() (Proof, error) { return prove(ctx, b) })
	if err == nil {
		err = b.Everything(ctx)
	}
	b.close()
	if err != nil {
		return proof, fmt.Errorf("the measurement failed: %w", err)
	}
	return proof, nil
}

// hold waits for a decision about a proven change until the keep-by moment.
func (ch *change) hold(ctx context.Context, proof Proof, decide Decide) error {
	keepFor := ch.c.cfg.KeepFor
	held := Held{Change: ch.record.ID, KeepBy: ch.c.cfg.Now().Add(keepFor), Readings: ch.readings}
	by := held.KeepBy.Format("15:04:05")
	said := fmt.Sprintf("%s; rolls back at %s unless kept", cmp.Or(proof.Reason, "proven"), by)
	if err := ch.c.note(ch.record.ID, "held", said); err != nil {
		return err
	}
	ch.c.notify(held)
	if decide == nil {
		decide = func(context.Context, Held) Decision { return Keep }
	}
	ctx, cancel := context.WithTimeoutCause(ctx, keepFor, fmt.Errorf("nobody kept it by %s", by))
	defer cancel()
	decision, err := within(ctx, func() (Decision, error) { return decide(ctx, held), nil })
	switch {
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case err == nil && decision == RollBack:
		return errors.New("it was decided to roll back")
	}
	return err
}

// within runs f on a goroutine of its own and stops waiting for it when ctx
// ends, so that nothing the caller handed in can hold up the way back. For the
// same reason a panic in f is an error here.
func within[T any](ctx context.Context, f func() (T, error)) (T, error) {
	type result struct {
		value T
		err   error
	}
	done := make(chan result, 1)
	go func() {
		r := result{err: errors.New("it ended without a result")}
		defer func() {
			if p := recover(); p != nil {
				r.err = fmt.Errorf("it broke down: %v", p)
			}
			done <- r
		}()
		r.value, r.err = f()
	}()
	select {
	case r := <-done:
		return r.value, r.err
	case <-ctx.Done():
		var none T
		return none, context.Cause(ctx)
	}
}
