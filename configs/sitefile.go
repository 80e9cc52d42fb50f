package configs

import (
	"fmt"
	"slices"
	"strings"

	"hushback/configs/document"
	"hushback/engine"
	"hushback/engine/layout"
)

// NamedSite is a site with its array set up in one of the ways that its file
// describes. Name is that of the layout, "" where the file has the sources
// written out.
type NamedSite struct {
	Name string
	Site engine.Site
}

// siteFile is what a site file holds: what does not depend on the array, and
// the array, written out or as layouts.
type siteFile struct {
	common  engine.Site
	layouts []layout.Layout
	used    string // the layout that the file says is used

	sites []NamedSite // in the order of the file; made by check
}

// loadSites reads a site file and holds every layout in it to a check, the
// ones that are not used as well: on the day that one of them is, nobody has
// time for a file that does not load.
func loadSites(path string, data []byte, check func(engine.Site) []engine.Problem) (*siteFile, error) {
	return document.Load(path, data, readSite, func(s *siteFile) []engine.Problem { return s.check(check) })
}

// readArray reads the keys of the array from a site's sections. There is one
// way to describe it: layouts stand in the place of what they work out.
func (s *siteFile) readArray(f map[string]document.Value) {
	if f["layouts"].Absent || f == nil {
		s.common.Outputs = document.Each(f["outputs"], "a list of outputs", readOutput)
		s.common.Groups = document.Some(f["groups"], "a list of groups", readGroup)
		s.common.Sources = document.Each(f["sources"], "a list of sources", readSource)
		if f["layout"].Given() {
			f["layout"].Reject("layouts by name, of which this is one")
		}
		return
	}
	s.layouts = readLayouts(f["layouts"])
	s.used = f["layout"].TextOrNone()
	var names []string
	for _, l := range s.layouts {
		names = append(names, l.Name)
	}
	if names != nil && !slices.Contains(names, s.used) {
		f["layout"].Reject("the layout in use: " + strings.Join(names, " or "))
	}
	for _, key := range []string{"outputs", "groups", "sources"} {
		if f[key].Given() {
			f[key].Reject("no " + key + " beside layouts, which work them out")
			return
		}
	}
}

// check works the layouts out and checks each site that comes of it. What is
// wrong in one place is told once, however many layouts or cabinets it spoils.
func (s *siteFile) check(check func(engine.Site) []engine.Problem) []engine.Problem {
	if s.layouts == nil {
		s.sites = []NamedSite{{Site: s.common}}
		return check(s.common)
	}
	var all []engine.Problem
	type place struct{ path, want string }
	told := map[place]bool{}
	for _, l := range s.layouts {
		e, problems := expand(s.common, l)
		if problems == nil {
			for _, p := range check(e.site) {
				problems = append(problems, e.blame(p))
			}
		}
		for _, p := range problems {
			if at := (place{p.Path, p.Want}); !told[at] {
				told[at] = true
				all = append(all, p)
			}
		}
		s.sites = append(s.sites, NamedSite{l.Name, e.site})
	}
	return all
}

// with is the site with a layout, the one in use where none is named.
func (s *siteFile) with(name string) (engine.Site, error) {
	if name == "" {
		name = s.used
	}
	var names []string
	for _, one := range s.sites {
		if one.Name == name {
			return one.Site, nil
		}
		names = append(names, one.Name)
	}
	if s.layouts == nil {
		return engine.Site{}, fmt.Errorf("layout %q: the site has no layouts, its sources are written out", name)
	}
	return engine.Site{}, fmt.Errorf("layout %q: the site has none of that name (there are: %s)", name, strings.Join(names, ", "))
}
