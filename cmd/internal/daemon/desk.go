package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/dossier"
	"hushback/control"
	"hushback/control/preset"
	"hushback/control/wire"
	"hushback/engine"
	"hushback/verify"
)

// journalShown is how many of the newest journal entries a picture carries.
const journalShown = 200

var errStopping = errors.New("the daemon is stopping: start it again first")

// sending is what is done from a confirm to the end of its change.
const sending = "sending"

// decision is a person's wish about a held change.
type decision struct {
	change string
	what   control.Decision
}

// View is the picture as it stands.
func (d *Daemon) View() desk.View { return *d.board.view.Load() }

// StoreSafe makes what the processor holds now the safe preset.
func (d *Daemon) StoreSafe(ctx context.Context) error {
	defer d.refresh()
	_, err := d.controller.StoreSafe(ctx)
	return err
}

// DryRun computes what sending the sheet would do, against what the processor
// holds now. It writes nothing to the processor.
func (d *Daemon) DryRun(ctx context.Context) error {
	v := d.View()
	return d.draft(ctx, v.Sheet, drafted{revision: v.Revision})
}

// draft takes a dry run of any sheet. One that was stored, as says in words what
// it is, is restored: it needs no proof but that it is read back.
func (d *Daemon) draft(ctx context.Context, sheet engine.Sheet, of drafted) error {
	run, err := d.controller.DryRun(ctx, sheet)
	if err != nil {
		return err
	}
	d.options.Log.Info("a dry run waits for a confirm", "words", desk.Words(run.Digest), "datagrams", len(run.Steps))
	of.DryRun = run
	d.drafted.Store(&of)
	d.change(func(v *desk.View) {
		v.State, v.Restores, v.Back = control.Drafted{DryRun: run}, of.as, run.Back
		v.Notice, v.Verdict, v.Captures, v.Diagnosis, v.Correction = "", nil, nil, nil, nil
	})
	return nil
}

// Confirm starts sending exactly the dry run with this digest. It is refused
// while a microphone is missing, since the change could then not be proven.
// Outputs that cannot be read back need blind, a consent of their own.
func (d *Daemon) Confirm(_ context.Context, digest string, blind bool) error {
	if d.work.Err() != nil {
		return errStopping
	}
	prove := d.prove
	if r := d.drafted.Load(); r != nil && r.Digest == digest && r.as != "" {
		prove = r.readBack
	} else if r != nil && r.revision != d.View().Revision {
		return errors.New("another sheet is meant since this dry run: take the dry run again")
	} else if missing := d.missing(); missing != "" {
		return fmt.Errorf("the %s microphone is not connected, so the change could not be proven: connect it, then confirm again", missing)
	}
	confirmed, err := d.controller.Confirm(digest, control.Consent{Blind: blind})
	if err != nil {
		return err
	}
	if r := d.drafted.Load(); r != nil && r.Digest == digest {
		d.papers.Begin(desk.Open(d.View(), r.DryRun, r.as, time.Now()))
	}
	d.job(sending, func() {
		state, err := d.controller.Apply(d.work, confirmed, prove, d.decide)
		if err != nil {
			d.tell(err.Error())
			d.options.Log.Error("change", "error", err)
		}
		if _, nothingSent := state.(control.Idle); nothingSent {
			d.change(func(v *desk.View) { v.State = state })
		}
	})
	return nil
}

// missing names a microphone that a proof needs and that is not connected. One
// that is moved stands in for all of them.
func (d *Daemon) missing() string {
	for _, f := range d.feeds() {
		if !f.Connected {
			return f.Microphone
		}
	}
	return ""
}

// Keep accepts a held change; saying it again is no error.
func (d *Daemon) Keep(ctx context.Context, change string) error {
	if kept, ok := d.View().State.(control.Kept); ok && kept.Change == change {
		return nil
	}
	return d.decideOn(ctx, decision{change, control.Keep})
}

// RollBack returns a held change to what stood before; saying it again is no
// error.
func (d *Daemon) RollBack(ctx context.Context, change string) error {
	if back, ok := d.View().State.(control.RolledBack); ok && back.Change == change {
		return nil
	}
	return d.decideOn(ctx, decision{change, control.RollBack})
}

// decideOn hands a wish to the change that waits for it.
func (d *Daemon) decideOn(ctx context.Context, wish decision) error {
	held, ok := d.View().State.(control.Held)
	if !ok || held.Change != wish.change {
		return fmt.Errorf("change %s is not held, so there is nothing to decide", wish.change)
	}
	ctx, cancel := context.WithDeadline(ctx, held.KeepBy)
	defer cancel()
	select {
	case d.decisions <- wish:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("change %s no longer waits for a decision", wish.change)
	}
}

// decide waits for a person to say what becomes of a proven change, or keeps it
// where nobody is there to ask.
func (d *Daemon) decide(ctx context.Context, held control.Held) control.Decision {
	if d.options.KeepProven {
		return control.Keep
	}
	d.doing("waiting for somebody to keep the change or roll it back")
	defer d.doing("carrying out what was decided")
	for {
		select {
		case wish := <-d.decisions:
			if wish.change == held.Change {
				return wish.what
			}
		case <-ctx.Done():
			return control.RollBack
		}
	}
}

// Pressed has the journal tell who pressed what, beside the change it was about.
func (d *Daemon) Pressed(who, what string) {
	e := preset.Entry{At: time.Now(), Change: desk.Flatten(d.View().State).Change, Event: "pressed", Detail: who + " " + what}
	if err := d.store.Note(e); err != nil {
		d.options.Log.Error("journal", "error", err)
	}
	d.papers.Alter(e.Change, func(*dossier.Dossier) {}) // the journal has more to tell of it
	d.refresh()
}

// Safe returns to the safe preset, whatever else runs.
func (d *Daemon) Safe(context.Context) error {
	if d.work.Err() != nil {
		return errStopping
	}
	if d.View().Safe == nil {
		return errors.New("there is no safe preset yet: store one first")
	}
	d.job("returning to the safe preset", func() {
		if _, err := d.controller.Safe(d.work); err != nil {
			d.tell(err.Error())
			d.options.Log.Error("safe preset", "error", err)
		}
	})
	return nil
}

// Read asks the processor what it holds now.
func (d *Daemon) Read(ctx context.Context) ([]engine.Setting, error) { return d.controller.Read(ctx) }

// Traffic counts what went to each processor and came from it since the start.
func (d *Daemon) Traffic() []wire.Traffic {
	all := d.controller.Traffic()
	for i, w := range d.wires {
		all[i].Dropped, all[i].Foreign = w.Dropped(), w.Foreign()
	}
	return all
}

// Company counts pages that follow now, and phones that are paired.
func (d *Daemon) Company() (live, paired int) { return d.page.Company() }

// Writes is the number of write datagrams sent since the start.
func (d *Daemon) Writes() int { return d.controller.Writes() }

// follow shows each state as the change reaches it.
func (d *Daemon) follow(s control.State) {
	d.options.Log.Debug("change", "state", desk.StateName(s))
	d.watched.Reached(s)
	d.change(func(v *desk.View) { v.State = s })
	d.papers.Follow(s)
	if _, sending := s.(control.Sending); !sending {
		d.refresh()
	}
}

// doing says on the page what is being done right now; "" is resting.
func (d *Daemon) doing(words string) {
	d.change(func(v *desk.View) { v.Doing = words })
}

// job does a piece of work that goes on after the press that asked for it. The
// page says what is being done until the last job that runs is done.
func (d *Daemon) job(words string, work func()) {
	d.change(func(v *desk.View) { v.Doing, d.jobs = words, d.jobs+1 })
	d.working.Go(func() {
		work()
		d.refresh()
		d.change(func(v *desk.View) {
			if d.jobs--; d.jobs == 0 {
				v.Doing = ""
			}
		})
	})
}

// tell puts something on the page that the operator must know.
func (d *Daemon) tell(notice string) {
	d.change(func(v *desk.View) { v.Notice = notice })
}

// refresh shows the store's presets and journal anew.
func (d *Daemon) refresh() {
	entries, err := d.store.Journal(journalShown)
	safe, safeErr := d.preset(preset.Safe)
	found, foundErr := d.preset(preset.AsFound)
	all, listErr := d.store.List()
	if err := errors.Join(err, safeErr, foundErr, listErr); err != nil {
		d.tell("the store cannot be read: " + err.Error())
		return
	}
	d.change(func(v *desk.View) { v.Journal, v.Safe, v.AsFound, v.Presets = entries, safe, found, all })
}

func (d *Daemon) preset(name string) (*preset.Preset, error) {
	p, ok, err := d.store.Get(name)
	if err != nil || !ok {
		return nil, err
	}
	return &p, nil
}

// recovered says what a restart found, for the operator.
func recovered(s control.State) string {
	switch s := s.(type) {
	case control.RolledBack:
		return "The daemon was stopped in the middle of a change. The processor is back to " + desk.BackTo(s) + "."
	case control.Adrift:
		return "The daemon was stopped in the middle of a change, and the processor could not be put back."
	default:
		return "The daemon was stopped in the middle of a change, which had already come to rest."
	}
}

// atRest says how the last change ended, for somebody who is leaving.
func atRest(s control.State) string {
	switch s := s.(type) {
	case control.Kept:
		return "The processor holds the kept sheet."
	case control.RolledBack:
		return "The processor is back to " + desk.BackTo(s) + "."
	case control.Adrift:
		return "Nobody can tell what the processor holds: " + s.Reason
	default:
		return "Nothing was sent that was not put back."
	}
}

// judged shows the captures and the verdict of the change.
func (d *Daemon) judged(captures []verify.Capture, verdict *verify.Verdict) {
	d.watched.Judged(verdict)
	d.change(func(v *desk.View) { v.Captures, v.Verdict = captures, verdict })
	d.papers.Alter(desk.Flatten(d.View().State).Change, func(p *dossier.Dossier) { p.Captures, p.Verdict = captures, verdict })
}
