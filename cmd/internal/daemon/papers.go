package daemon

import (
	"fmt"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/dossier"
	"hushback/control/preset"
)

// keepPapers has a dossier kept of every change. What goes wrong with it is said, and
// changes nothing else.
func (d *Daemon) keepPapers() {
	d.papers.Folder = d.options.Home.Changes()
	d.papers.Journal = func() ([]preset.Entry, error) { return d.store.Journal(journalShown) }
	d.papers.Listed = func(past []dossier.Entry) { d.change(func(v *desk.View) { v.Past = past }) }
	d.papers.Trouble = func(err error) {
		d.options.Log.Error("dossier", "error", err)
		d.tell(fmt.Sprintf("Not all is kept of what changes were: %v. Changes go on as ever.", err))
	}
	d.papers.List()
}

// Dossier is everything that one change was.
func (d *Daemon) Dossier(change string) (dossier.Dossier, error) {
	return dossier.Read(d.options.Home.Changes(), change)
}
