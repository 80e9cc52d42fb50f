package solve

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"hushback/engine"
)

// Solve finds the settings of a site's outputs, each group by its treatment,
// all on the processor's grid:
//
//   - null: see Null;
//   - end-fire: the rows arrive together at the front microphone, none
//     reversed, so the null is where the places put it;
//   - gradient: the rear row is reversed and arrives together with the front
//     row at the rear microphone, so it cancels at all frequencies;
//   - plain: no delay between the rows, nothing reversed, every output at its
//     loudest.
//
// All but plain match the rows' levels behind, as Null does. When a row
// arrives is the mean over the direct sound of its sources, each counted by its
// amplitude at the microphone (field.Arrival without ground and walls).
//
// Within a row AsPlaced outputs keep the delays against each other that their
// BendSec gives them; the others arrive together at the front microphone. Each
// group is solved by itself. Between the groups, front rows that are AsPlaced
// start at the same time, and the others arrive in front when those do.
//
// The sheet is the same for the same site, ascending by output, nothing muted,
// and the least delay is the least that the processor has. A site without
// groups is treated for the null, and one with an aim is searched for it instead
// (see SolveZone, which can be watched and cut short).
//
// The site must have no Problems. Errors say which group does not fit and why.
func Solve(site engine.Site, r engine.Ranges) (engine.Sheet, error) {
	switch {
	case site.Aim != nil:
		z, err := SolveZone(context.Background(), site, r, nil)
		if err != nil {
			return engine.Sheet{}, err
		}
		return z.Sheet, nil
	case len(site.Groups) == 0:
		return Null(site, r)
	}
	sheet, err := together(site, parts(site), r)
	if err != nil {
		return engine.Sheet{}, fmt.Errorf("solving group by group: %w", err)
	}
	return sheet, nil
}

// part is one group as a site of its own.
type part struct {
	site      engine.Site
	name      string
	treatment engine.Treatment
}

func parts(site engine.Site) []part {
	var found []part
	for _, g := range site.Groups {
		own := site
		own.Outputs, own.Sources = nil, nil
		for _, out := range site.Outputs {
			if out.Group == g.Name {
				own.Outputs = append(own.Outputs, out)
				own.Sources = append(own.Sources, site.Fed(out.Number)...)
			}
		}
		found = append(found, part{site: own, name: g.Name, treatment: g.Treatment})
	}
	return found
}

// together solves each part by itself, sets the parts against each other and
// puts everything onto the grid.
func together(site engine.Site, parts []part, r engine.Ranges) (engine.Sheet, error) {
	if !(r.DelaySec.Step > 0 && r.DelaySec.Max > r.DelaySec.Min) || !(r.GainDB.Step > 0 && r.GainDB.Max > r.GainDB.Min) {
		return engine.Sheet{}, errors.New("the processor's delay and gain ranges must rise in steps above 0")
	}
	all := array{hz: site.Target.NullHz}
	var solved []array
	for i, p := range parts {
		a, err := p.treat(r.GainDB)
		if err != nil && p.name != "" {
			err = fmt.Errorf("group %q, %s: %w", p.name, p.treatment, err)
		}
		if err != nil {
			return engine.Sheet{}, err
		}
		for k := range a.channels {
			a.channels[k].part = i
		}
		solved = append(solved, a)
		all.treatments = append(all.treatments, p.treatment)
	}
	if err := start(site, solved); err != nil {
		return engine.Sheet{}, err
	}
	for _, a := range solved {
		all.channels = append(all.channels, a.channels...)
	}
	slices.SortStableFunc(all.channels, func(a, b channel) int { return cmp.Compare(a.output, b.output) })
	return all.round(r)
}

// start shifts whole parts so that all leading rows that are as placed start
// at the same time and arrive, in the mean over all of them, when the aligned
// rows do.
func start(site engine.Site, solved []array) error {
	if len(solved) < 2 {
		return nil
	}
	mic, err := microphone(site, engine.RoleFront)
	if err != nil {
		return err
	}
	var leading []channel
	for _, a := range solved {
		for _, ch := range a.channels {
			if ch.asPlaced && ch.row == a.leads() {
				ch.delaySec, ch.gainDB = ch.bendSec, 0
				leading = append(leading, ch)
			}
		}
	}
	mean, err := arrival(site, leading, mic)
	if err != nil {
		return err
	}
	for i := range solved {
		a := &solved[i]
		if own, ok := a.placed[a.leads()]; ok {
			a.shift(front, own-mean)
			a.shift(rear, own-mean)
		}
	}
	return nil
}
