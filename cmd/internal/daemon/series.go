package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/engine"
	"hushback/verify/transfer"
)

// alone lists the groups of outputs that a site's series hears by themselves,
// each once: a row may be a single output.
func alone(site engine.Site) [][]int {
	var groups [][]int
	for _, h := range site.Heard() {
		outputs := h.Outputs(site)
		if outputs != nil && !slices.ContainsFunc(groups, func(g []int) bool { return slices.Equal(g, outputs) }) {
			groups = append(groups, outputs)
		}
	}
	return groups
}

// Moved is what a microphone calls itself that stands at one place after the
// other, because there is only one. It hears whatever has no microphone of its
// own.
const Moved = "moved"

// placeWithin is how long the sheet may play while somebody carries the
// microphone to its next place.
const placeWithin = 10 * time.Minute

// rounds are the places to listen at, those of one round at the same time.
func (d *Daemon) rounds() [][]engine.Microphone {
	var together []engine.Microphone
	var rounds [][]engine.Microphone
	for _, mic := range d.View().Site.Microphones {
		if _, ready := d.sources[mic.Name]; ready || d.feedOf(mic.Name) != Moved {
			together = append(together, mic)
		} else {
			rounds = append(rounds, []engine.Microphone{mic})
		}
	}
	if len(together) > 0 {
		rounds = append([][]engine.Microphone{together}, rounds...)
	}
	return rounds
}

// feedOf is the feed that listens at a microphone's place now.
func (d *Daemon) feedOf(microphone string) string {
	if !d.hub.Feed(microphone).Connected && d.hub.Feed(Moved).Connected {
		return Moved
	}
	return microphone
}

// measures is where functions come from that a program measures at a microphone
// by itself, as a source or as a feed; nil where audio comes.
func (d *Daemon) measures(microphone string) func(context.Context, time.Duration) (transfer.Function, error) {
	if s, ready := d.sources[microphone]; ready {
		return s.Function
	}
	if name := d.feedOf(microphone); d.hub.Feed(name).Functions {
		return func(ctx context.Context, settle time.Duration) (transfer.Function, error) {
			return d.hub.Function(ctx, name, settle)
		}
	}
	return nil
}

// Placed says that the moved microphone stands at a place of the site.
func (d *Daemon) Placed(ctx context.Context, microphone string) error {
	if wanted := d.View().Placing; wanted != microphone || wanted == "" {
		return fmt.Errorf("nobody waits for a microphone at %s", microphone)
	}
	select {
	case d.placed <- microphone:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the measurement no longer waits for a microphone at %s", microphone)
	}
}

// place asks for the moved microphone to be put somewhere, and waits for it.
func (d *Daemon) place(ctx context.Context, mic engine.Microphone) error {
	ctx, cancel := context.WithTimeoutCause(ctx, placeWithin, errors.New("nobody said that it stands there"))
	defer cancel()
	d.doing(fmt.Sprintf("waiting for the microphone at %s (%s)", mic.Name, mic.Role))
	d.change(func(v *desk.View) { v.Placing = mic.Name })
	defer d.change(func(v *desk.View) { v.Placing = "" })
	for {
		select {
		case at := <-d.placed:
			if at == mic.Name {
				return nil
			}
		case <-ctx.Done():
			return fmt.Errorf("%s microphone: %w", mic.Name, context.Cause(ctx))
		}
	}
}
