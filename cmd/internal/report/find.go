package report

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/home"
	"hushback/configs"
	"hushback/control/preset"
	"hushback/control/processor"
)

// Subject is what a report is to be of: a site, or else a change.
type Subject struct {
	Site   string // the name or path of a site, "" for a change
	Change dossier.Dossier
	Folder home.Folder // the state folder it was found in; empty for a dossier by itself
}

// Find tells what a name means: a file (a dossier or a site), a state folder (its last
// change), the name of an example site, or the name of a change in the state folder.
// Nothing is set aside or changed, and no daemon is disturbed.
func Find(name string, state home.Folder) (Subject, error) {
	info, err := os.Stat(name)
	switch {
	case err == nil && info.IsDir():
		return last(home.Folder{Dir: name})
	case err == nil:
		return file(name)
	case slices.Contains(configs.SiteNames(), name):
		return Subject{Site: name}, nil
	}
	path, err := dossier.Path(state.Changes(), name)
	if err == nil {
		var d dossier.Dossier
		if d, err = dossier.ReadFile(path); err == nil {
			return Subject{Change: d, Folder: state}, nil
		}
	}
	if !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, dossier.ErrUnknown) {
		return Subject{}, err
	}
	return Subject{}, fmt.Errorf("%q is neither a file nor a folder, nor an example site (there are %s), nor a change in %s: name one of these, or another state folder with --state",
		name, strings.Join(configs.SiteNames(), ", "), state.Changes())
}

// last is the newest change of a state folder.
func last(folder home.Folder) (Subject, error) {
	names, err := dossier.Names(folder.Changes())
	if err != nil {
		return Subject{}, err
	}
	if len(names) == 0 {
		return Subject{}, fmt.Errorf("%s is no state folder with changes: there is none in %s: name a change by its file, or another folder", folder.Dir, folder.Changes())
	}
	path, err := dossier.Path(folder.Changes(), names[0])
	if err != nil {
		return Subject{}, err
	}
	d, err := dossier.ReadFile(path)
	return Subject{Change: d, Folder: folder}, err
}

// file is a dossier, packed or not, or else a site.
func file(name string) (Subject, error) {
	f, err := os.Open(name)
	if err != nil {
		return Subject{}, err
	}
	start := make([]byte, 64)
	n, _ := f.Read(start) // an empty file is no dossier, and as a site it says what is missing
	if err := f.Close(); err != nil {
		return Subject{}, err
	}
	start = bytes.TrimSpace(start[:n])
	if !bytes.HasPrefix(start, []byte("{")) && !bytes.HasPrefix(start, []byte{0x1f, 0x8b}) {
		if !strings.ContainsAny(name, `./\`) {
			name = "." + string(filepath.Separator) + name // a bare word would be an example's name
		}
		return Subject{Site: name}, nil
	}
	d, err := dossier.ReadFile(name)
	if err != nil {
		return Subject{}, err
	}
	s := Subject{Change: d}
	if folder := (home.Folder{Dir: filepath.Dir(filepath.Dir(name))}); filepath.Clean(filepath.Dir(name)) == filepath.Clean(folder.Changes()) {
		s.Folder = folder
	}
	return s, nil
}

// Known is what else is known of a change: the steps of its processors, and the
// presets, unless a daemon has them.
func (s Subject) Known() Beside {
	var b Beside
	b.Presets, b.Unknown = stored(s.Folder)
	var profiles []processor.Profile
	for _, w := range s.Change.Site.Wirings() {
		p, err := configs.OpenProfile(w.Profile)
		if err != nil {
			return b
		}
		profiles = append(profiles, p)
	}
	ranges := processor.Common(profiles)
	b.Ranges = &ranges
	return b
}

// stored is what a state folder's store has, or why that is not known.
func stored(folder home.Folder) (all []preset.Preset, unknown string) {
	if folder.Dir == "" {
		return nil, "this report was made of a dossier alone, which holds no presets"
	}
	if _, err := os.Stat(folder.Store()); err != nil {
		return nil, "the state folder has no store of presets"
	}
	if _, running, _ := folder.Find(); running {
		return nil, "a daemon had the presets when this report was made; its page lists them"
	}
	s, err := preset.Open(folder.Store())
	if err != nil {
		return nil, "the presets could not be read: " + err.Error()
	}
	all, err = s.List()
	if err := errors.Join(err, s.Close()); err != nil {
		return nil, "the presets could not be read: " + err.Error()
	}
	return all, ""
}
