package tryout

import (
	"context"
	"errors"
	"fmt"
	"net/url"

	"hushback/cmd/internal/figures"
	"hushback/cmd/internal/whatif"
)

// Trial is everything that the what-if shows.
type Trial struct {
	Layout     string // whose numbers the controls have
	Layouts    []Option
	Treatments []Option
	Controls   []Control
	Aside      string // the wish that is set aside, as a query; "" if none is
	Outcome    Outcome
}

// Option is one of a list to choose from.
type Option struct {
	Value, Label string
	Chosen       bool
}

// Control is a measure with the value wished for.
type Control struct {
	whatif.Control
	Wished string
}

// Outcome is what comes out of a wish, beside what is set aside.
type Outcome struct {
	Refused string // why nothing comes out, a sentence; "" if something does
	Query   string // the wish, as a form has it
	Here    string // its address
	Back    string // the address of what is set aside; "" if nothing is
	Sides   []Side // A, and B where it is set aside
	Map     Drawing
	Others  []Drawing // the pictures but the map
	Facts   []Fact
	Locked  string // why A cannot be adopted, a sentence; "" if it can
	Search  bool   // A could be searched for
}

// Fact is one number, of each side.
type Fact struct {
	Label  string
	Values []string
	Why    string // of A
}

// Side is one variant.
type Side struct {
	Name     string // "A" or "B"; "" where there is one only
	Says     string
	ByHand   bool
	Plan     figures.Plan
	Warnings []string
}

// Drawing is one picture of every side.
type Drawing struct {
	Title string
	Tall  int // in dots of a page that are 397 wide, about
	Shown []Shown
}

// Shown is one picture of one side, and what it says in words and numbers.
type Shown struct {
	Side, ID, Light, Dark, Alt string // Side as a Side's Name
	Table                      whatif.Table
}

// Trial works out what a form wishes for. A wish that cannot be is told in the
// Outcome. Errors are that it was overtaken or had to wait too long.
func (t *Tryout) Trial(ctx context.Context, who Asker, q url.Values) (Trial, error) {
	w, err := t.read(who.View, q)
	var trial Trial
	if err != nil {
		trial.Outcome.Refused = figures.Sentence(err.Error())
		if w, err = t.read(who.View, url.Values{"layout": {w.choice.Name}}); err != nil {
			return trial, err
		}
	}
	trial.controls(t, who, w)
	trial.Aside = q.Get("aside")
	if q.Get("set-aside") != "" {
		trial.Aside = w.query()
	}
	if trial.Outcome.Refused != "" {
		return trial, nil
	}
	trial.Outcome, err = t.outcome(ctx, who, w, trial.Aside)
	return trial, err
}

// controls fills in the form.
func (trial *Trial) controls(t *Tryout, who Asker, w wish) {
	trial.Layout = w.wish.Layout
	for _, c := range whatif.Choices(who.View.Site, t.bench.Layouts) {
		o := Option{Value: c.Name, Label: c.Name, Chosen: c.Name == w.wish.Layout}
		if c.Name == "" {
			o.Label = "as it runs now"
		}
		if c.Locked != "" {
			o.Label += " (to look at only)"
		}
		trial.Layouts = append(trial.Layouts, o)
	}
	asIs := "as in the site file"
	if w.choice.Site.Aim != nil {
		asIs = "by the aim of the site file"
	}
	trial.Treatments = []Option{{"", asIs, w.wish.Treatment == ""}}
	for _, one := range whatif.Treatments(w.choice.Site) {
		trial.Treatments = append(trial.Treatments, Option{string(one), string(one), one == w.wish.Treatment})
	}
	fields := w.wish.Fields(w.choice.Site)
	for _, c := range whatif.Controls(w.choice.Site) {
		trial.Controls = append(trial.Controls, Control{c, fields[c.Key]})
	}
}

// outcome works out a wish, and the one that is set aside.
func (t *Tryout) outcome(ctx context.Context, who Asker, w wish, aside string) (Outcome, error) {
	a, err := t.variant(ctx, who, w)
	o := Outcome{Query: w.query(), Here: "/design?" + w.query(), Locked: figures.Sentence(w.choice.Locked)}
	if err != nil {
		return o.refuse(err)
	}
	o.Search = a.ByHand
	if err := o.add(a, w, who); err != nil {
		return o, err
	}
	if aside == "" {
		return o, nil
	}
	q, err := url.ParseQuery(aside)
	if err != nil {
		return o.refuse(errors.New("what was set aside cannot be read: set it aside again"))
	}
	b, err := t.read(who.View, q)
	if err != nil {
		return o.refuse(fmt.Errorf("what was set aside: %w", err))
	}
	v, err := t.variant(ctx, who, b)
	if err != nil {
		return o.refuse(err)
	}
	o.Back = "/design?" + b.query()
	err = o.add(v, b, who)
	o.name("A", "B")
	return o, err
}

// name tells the sides apart.
func (o *Outcome) name(names ...string) {
	for i, name := range names {
		o.Sides[i].Name = name
		o.Map.Shown[i].Side = name
		for _, d := range o.Others {
			d.Shown[i].Side = name
		}
	}
}

// refuse tells why nothing comes out; what is of the machine and not of the wish
// stays an error.
func (o Outcome) refuse(err error) (Outcome, error) {
	if errors.Is(err, ErrOvertaken) || errors.Is(err, ErrCrowded) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return o, err
	}
	o.Refused = figures.Sentence(err.Error())
	return o, nil
}

// add shows one more variant beside those that are there.
func (o *Outcome) add(v whatif.Variant, w wish, who Asker) error {
	n := len(o.Sides)
	side := Side{Says: w.says(), ByHand: v.ByHand, Plan: figures.ArrayPlan(v.Report.Site)}
	if n == 0 {
		o.Others = make([]Drawing, len(whatif.Pictures())-1)
	}
	for i, p := range whatif.Pictures() {
		words, table, err := v.Tell(p)
		if err != nil {
			return err
		}
		d := &o.Map
		if i > 0 {
			d = &o.Others[i-1]
		}
		d.Title, d.Tall = v.Title(p), 430
		d.Shown = append(d.Shown, Shown{
			ID: fmt.Sprintf("picture-%s-%d", p, n), Alt: words, Table: table,
			Light: w.address(p, who, false), Dark: w.address(p, who, true),
		})
	}
	for _, warning := range v.Report.Warnings {
		side.Warnings = append(side.Warnings, warning.Text)
	}
	o.Sides = append(o.Sides, side)
	for _, f := range v.Facts() {
		o.fact(f, n)
	}
	for i := range o.Facts { // what only an earlier one has
		for len(o.Facts[i].Values) <= n {
			o.Facts[i].Values = append(o.Facts[i].Values, "–")
		}
	}
	return nil
}

// fact puts a number into the row of its label.
func (o *Outcome) fact(f whatif.Fact, side int) {
	for i := range o.Facts {
		if o.Facts[i].Label == f.Label {
			o.Facts[i].Values = append(o.Facts[i].Values, f.Value)
			return
		}
	}
	row := Fact{Label: f.Label, Why: f.Why}
	for range side {
		row.Values = append(row.Values, "–")
	}
	o.Facts = append(o.Facts, Fact{row.Label, append(row.Values, f.Value), row.Why})
}
