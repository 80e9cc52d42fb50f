// Package tryout is the what-if of the design page: what a phone wishes for, by
// the fields of a form, and what is shown of it. Nothing in it changes the rig; it
// computes no more at once than the machine bears.
package tryout

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/whatif"
	"hushback/engine"
	"hushback/engine/picture/paper"
)

// Tryout works out what phones wish for.
type Tryout struct {
	bench whatif.Bench
	works *works
}

// New is a Tryout with what arrangements are tried out with.
func New(bench whatif.Bench) *Tryout { return &Tryout{bench, newWorks()} }

// Asker is who wishes, and what stands while they do.
type Asker struct {
	Phone  string // the same for all that one phone asks
	View   desk.View
	Moving bool // a finger is on the way: overtaken by what comes later
	Sharp  bool // the pictures are to be sharp, which takes longer
}

// wish is a form as it was filled in, on the site of the layout that was chosen.
type wish struct {
	choice whatif.Choice
	wish   whatif.Wish
	search bool
	id     string // the same for the same wish on the same site
}

// read takes a wish from a form. Numbers that belong to another layout than the one
// chosen say nothing of it: all but target and temperature are left.
func (t *Tryout) read(v desk.View, q url.Values) (w wish, err error) {
	if w.choice, err = whatif.Find(whatif.Choices(v.Site, t.bench.Layouts), q.Get("layout")); err != nil {
		return w, err
	}
	site := w.choice.Site
	w.wish, err = whatif.Read(site, func(name string) string {
		other := q.Get("of") != q.Get("layout") && q.Has("of")
		if other && slices.Contains([]string{"side", "depth", "arc", "treatment"}, name) {
			return ""
		}
		return q.Get(name)
	})
	if err != nil {
		return w, err
	}
	w.search = q.Get("search") != "" && site.Aim != nil && w.wish.Treatment == ""
	w.id = strconv.FormatUint(v.Revision, 10) + "?" + w.query()
	return w, nil
}

// query is a wish as the part of an address.
func (w wish) query() string {
	q := url.Values{"of": {w.wish.Layout}}
	fields := w.wish.Fields(w.choice.Site)
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		q.Set(name, fields[name])
	}
	if w.search {
		q.Set("search", "yes")
	}
	return q.Encode()
}

// Site is the site that a form wishes for, to be adopted. Errors are one sentence.
func (t *Tryout) Site(v desk.View, q url.Values) (engine.Site, error) {
	w, err := t.read(v, q)
	if err != nil {
		return engine.Site{}, err
	}
	if w.choice.Locked != "" {
		return engine.Site{}, fmt.Errorf("%s", w.choice.Locked)
	}
	return w.wish.Apply(w.choice.Site)
}

// variant works a wish out.
func (t *Tryout) variant(ctx context.Context, who Asker, w wish) (whatif.Variant, error) {
	made, err := t.works.do(ctx, job{who.Phone, w.id, "numbers", who.Moving}, func() (any, error) {
		site, err := w.wish.Apply(w.choice.Site)
		if err != nil {
			return nil, err
		}
		if w.search {
			return whatif.Search(ctx, site, t.bench.Ranges, t.bench.Snap)
		}
		return whatif.Work(site, t.bench.Ranges, t.bench.Snap)
	})
	if err != nil {
		return whatif.Variant{}, err
	}
	v, _ := made.(whatif.Variant)
	return v, nil
}

// Picture is a picture of what a form wishes for, as PNG: q has "show", which one,
// "dots" to a point of type, "dark" and the wish. Errors are one sentence.
func (t *Tryout) Picture(ctx context.Context, who Asker, q url.Values) ([]byte, error) {
	w, err := t.read(who.View, q)
	if err != nil {
		return nil, err
	}
	screen := paper.Screen{PerPoint: coarse, Dark: q.Get("dark") != ""}
	if q.Get("dots") == "2" {
		screen.PerPoint = sharp
	}
	show := whatif.Picture(q.Get("show"))
	if !slices.Contains(whatif.Pictures(), show) {
		return nil, fmt.Errorf("there is no picture %q: ask for map, polar or response", show)
	}
	v, err := t.variant(ctx, who, w)
	if err != nil {
		return nil, err
	}
	what := fmt.Sprintf("%s, %d dots, dark %v", show, screen.PerPoint, screen.Dark)
	made, err := t.works.do(ctx, job{who.Phone, w.id, what, who.Moving}, func() (any, error) {
		var b bytes.Buffer
		if err := v.Draw(&b, show, screen); err != nil {
			return nil, err
		}
		return b.Bytes(), nil
	})
	if err != nil {
		return nil, err
	}
	picture, _ := made.([]byte)
	return picture, nil
}

// Dots to a point of type: at first and while a finger moves, and when it rests.
const (
	coarse = 1
	sharp  = 2
)

// address is where a picture of a wish is. The number of the site that it is on
// makes it one of its own, so that it may be kept.
func (w wish) address(show whatif.Picture, who Asker, dark bool) string {
	q := url.Values{"show": {string(show)}, "dots": {strconv.Itoa(coarse)}, "on": {strconv.FormatUint(who.View.Revision, 10)}}
	if who.Sharp {
		q.Set("dots", strconv.Itoa(sharp))
	}
	if who.Moving {
		q.Set("moving", "yes")
	}
	if dark {
		q.Set("dark", "yes")
	}
	return "/design/picture?" + q.Encode() + "&" + w.query()
}

// says is what sets a wish apart, in a few words.
func (w wish) says() string {
	var parts []string
	if w.wish.Layout != "" {
		parts = append(parts, w.wish.Layout)
	}
	if w.wish.Treatment != "" {
		parts = append(parts, string(w.wish.Treatment))
	}
	if w.search {
		parts = append(parts, "searched")
	}
	was, now := whatif.Of(w.choice.Site).Fields(w.choice.Site), w.wish.Fields(w.choice.Site)
	for _, c := range whatif.Controls(w.choice.Site) {
		if c.Missing == "" && was[c.Key] != now[c.Key] {
			parts = append(parts, strings.ToLower(c.Label)+" "+c.Unitised(now[c.Key]))
		}
	}
	if len(parts) == 0 {
		return "as it is"
	}
	return strings.Join(parts, ", ")
}
