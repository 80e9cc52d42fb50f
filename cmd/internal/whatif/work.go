package whatif

import (
	"context"
	"fmt"
	"strings"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/solve"
)

// Variant is one site with what comes out of it.
type Variant struct {
	Site   engine.Site
	Report design.Report // the quick part: see design.Quick
	ByHand bool          // the site has an aim, and this is the treatment by hand that is quick to find instead
}

// Snap brings a sheet onto the steps of each output's own processor.
type Snap func(engine.Site, engine.Sheet) engine.Sheet

// Work works out a site while a finger moves: where the site has an aim, with the
// treatment of its groups, for a search takes its time (see Search). Errors are one
// sentence.
func Work(site engine.Site, r engine.Ranges, snap Snap) (Variant, error) {
	v := Variant{Site: site, ByHand: site.Aim != nil}
	site.Aim = nil
	sheet, err := solve.Solve(site, r)
	if err != nil {
		return Variant{}, fmt.Errorf("this has no settings: %w", err)
	}
	return v.finish(snap(site, sheet), r)
}

// Search works out a site by its aim, which takes some seconds; it ends early with ctx, with
// the best so far. A site without an aim is worked out as by Work.
func Search(ctx context.Context, site engine.Site, r engine.Ranges, snap Snap) (Variant, error) {
	if site.Aim == nil {
		return Work(site, r, snap)
	}
	found, err := solve.SolveZone(ctx, site, r, nil)
	if err != nil {
		return Variant{}, fmt.Errorf("the search found no settings: %w", err)
	}
	return Variant{Site: site}.finish(snap(site, found.Sheet), r)
}

func (v Variant) finish(sheet engine.Sheet, r engine.Ranges) (Variant, error) {
	site := v.Site
	if v.ByHand {
		site.Aim = nil
	}
	var err error
	v.Report, err = design.Quick(site, sheet, r)
	return v, err
}

// Fact is one number that a variant comes to.
type Fact struct {
	Label string
	Value string // with its unit
	Why   string // a sentence or two, "" where the label says it all
}

// Facts are the numbers that a design is talked about by, each with its reason.
func (v Variant) Facts() []Fact {
	s, target := v.Report.Prediction.Summary, v.Report.Site.Target
	facts := []Fact{
		{"Target", hertz(target.NullHz), ""},
		{"Quietest behind at", hertz(s.NullHz), v.why("arc-null")},
		{"Rear against front there", decibels(s.NullDepthDB), ""},
		{"Rear against front at the target", decibels(s.AtTargetDB), ""},
		{"Short of a full sum in front, worst", decibels(v.Report.Own.NotchInRangeDB), ""},
		{"Headroom cost", decibels(v.Report.Own.HeadroomCostDB), ""},
	}
	for _, one := range []struct{ key, label string }{
		{"opening-bottom", "Opening angle, bottom of the range"},
		{"opening-target", "Opening angle, target"},
		{"opening-top", "Opening angle, top of the range"},
		{"arc", "Arc of the front row"},
		{"widest-arc-target", "Widest arc with control, target"},
		{"widest-arc-bottom", "Widest arc with control, bottom of the range"},
		{"arc-for-opening", "Arc for the wanted opening"},
		{"forward-offset", "Front row forward, to bring the null back"},
		{"depth-spacing", "Depth for a null at the target"},
	} {
		if f, there := v.finding(one.key); there {
			facts = append(facts, Fact{one.label, measured(f), f.Text})
		}
	}
	return facts
}

// finding is the first of a key.
func (v Variant) finding(key string) (design.Finding, bool) {
	for _, f := range v.Report.Findings {
		if f.Key == key {
			return f, true
		}
	}
	return design.Finding{}, false
}

func (v Variant) why(key string) string {
	f, _ := v.finding(key)
	return f.Text
}

func measured(f design.Finding) string {
	if strings.HasPrefix(f.Key, "widest-arc") && f.Value == 0 {
		return "none has control"
	}
	switch f.Unit {
	case "°":
		if f.Value >= 360 {
			return "all the way round"
		}
		return number(f.Value, 0) + "°"
	case "m":
		return number(f.Value, 2) + " m"
	case "Hz":
		return hertz(f.Value)
	}
	return number(f.Value, 1) + " " + f.Unit
}
