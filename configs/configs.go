// Package configs reads site and profile files, strictly: every key must be
// known, every quantity must carry its unit, and everything wrong with a file
// is told at once with its line and column. It also holds example sites and
// profiles, which every copy of the program carries.
package configs

import (
	"embed"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"strings"

	"hushback/configs/document"
	"hushback/control/processor"
	"hushback/engine"
)

// Problems is everything wrong with a file.
type Problems = document.Problems

//go:embed sites/*.yaml profiles/*.yaml mappings/*.yaml
var shipped embed.FS

const (
	siteFolder    = "sites"
	profileFolder = "profiles"
	mappingFolder = "mappings"
)

// Site reads a site from the bytes of a file, with the layout that it says is
// in use. The path only names the file in errors, which are Problems.
func Site(path string, data []byte) (engine.Site, error) {
	file, err := loadSites(path, data, engine.Site.Problems)
	if err != nil {
		return engine.Site{}, err
	}
	return file.with("")
}

// Profile reads a processor profile from the bytes of a file. The path only
// names the file in errors, which are Problems.
func Profile(path string, data []byte) (processor.Profile, error) {
	return document.Load(path, data, readProfile, profileProblems)
}

// OpenSite reads the site file at a path, or the example of that name. A bare
// word is a name; anything with a dot or a slash is a path.
func OpenSite(name string) (engine.Site, error) { return OpenLayout(name, "") }

// OpenLayout is OpenSite with one of the file's layouts in the place of the one
// that the file says is in use; "" leaves that.
func OpenLayout(name, layout string) (engine.Site, error) {
	file, err := openSites(name, engine.Site.Problems)
	if err != nil {
		return engine.Site{}, err
	}
	site, err := file.with(layout)
	if err != nil {
		return engine.Site{}, fmt.Errorf("site %s: %w", name, err)
	}
	return site, nil
}

// OpenLayouts is OpenSite with every layout of the file, in its order. A file
// without layouts makes one site.
func OpenLayouts(name string) ([]NamedSite, error) {
	file, err := openSites(name, engine.Site.Problems)
	if err != nil {
		return nil, err
	}
	return file.sites, nil
}

func openSites(name string, check func(engine.Site) []engine.Problem) (*siteFile, error) {
	return open("site", siteFolder, name, func(path string, data []byte) (*siteFile, error) {
		return loadSites(path, data, check)
	})
}

// OpenProfile reads the profile file at a path, or the example of that name. A
// bare word is a name; anything with a dot or a slash is a path.
func OpenProfile(name string) (processor.Profile, error) {
	return open("profile", profileFolder, name, Profile)
}

// SiteNames lists the example sites, in alphabetical order.
func SiteNames() []string { return names(siteFolder) }

// ProfileNames lists the example profiles, in alphabetical order.
func ProfileNames() []string { return names(profileFolder) }

func names(folder string) []string {
	files, _ := fs.ReadDir(shipped, folder) // cannot fail: the folder is compiled in
	list := make([]string, len(files))
	for i, f := range files {
		list[i] = strings.TrimSuffix(f.Name(), ".yaml")
	}
	return list
}

func open[T any](kind, folder, name string, read func(string, []byte) (T, error)) (T, error) {
	var none T
	if strings.ContainsAny(name, `./\`) {
		data, err := readFile(name)
		if err != nil {
			return none, fmt.Errorf("%s file: %w", kind, err)
		}
		return read(name, data)
	}
	file := path.Join(folder, name+".yaml")
	data, err := shipped.ReadFile(file)
	if err != nil {
		return none, fmt.Errorf("%s %q: no example has that name (there are: %s); write a file of your own with its path, such as ./mine.yaml",
			kind, name, strings.Join(names(folder), ", "))
	}
	return read(file, data)
}

// readFile reads one byte more than is allowed at most, so that load can tell
// that a file is too long without reading all of it.
func readFile(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, document.MaxBytes+1))
}
