package home

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"hushback/engine"
)

// Rig is what the way back to the safe preset needs to know of a site: which
// processors there are, and what stands on which.
type Rig struct {
	Job     string          `json:"job"`
	Wirings []engine.Wiring `json:"wirings"` // the first one first
	Outputs []engine.Output `json:"outputs"`
}

func (h Folder) rig() string { return filepath.Join(h.Dir, "rig.json") }

// Remember leaves a site's rig for a later start that cannot read the site file. A
// profile that is a file of its own is noted by its whole path.
func (h Folder) Remember(site engine.Site) error {
	r := Rig{Job: site.Job, Outputs: site.Outputs}
	for _, w := range site.Wirings() {
		if strings.ContainsAny(w.Profile, `./\`) {
			if whole, err := filepath.Abs(w.Profile); err == nil {
				w.Profile = whole
			}
		}
		r.Wirings = append(r.Wirings, w)
	}
	text, err := json.Marshal(r)
	if err == nil {
		err = replace(h.rig(), text)
	}
	if err != nil {
		return fmt.Errorf("note of the rig for later starts: %w", err)
	}
	return nil
}

// Rig is what was remembered last; false if nothing was.
func (h Folder) Rig() (r Rig, known bool, err error) {
	text, err := os.ReadFile(h.rig())
	if errors.Is(err, fs.ErrNotExist) {
		return r, false, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &r)
	}
	if err == nil && len(r.Wirings) == 0 {
		err = errors.New("it names no processor")
	}
	if err != nil {
		return r, false, fmt.Errorf("note of the rig in %s: %w", h.Dir, err)
	}
	return r, true, nil
}

// Site is the rig as far as a site says it.
func (r Rig) Site() engine.Site {
	return engine.Site{Job: r.Job, Wiring: r.Wirings[0], Further: r.Wirings[1:], Outputs: r.Outputs}
}
