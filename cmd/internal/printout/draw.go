package printout

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/field"
	"hushback/engine/layout"
	"hushback/engine/picture"
)

// mapPoints is how finely a printed map is reckoned.
const mapPoints = 60_000

// DrawReport writes the pictures of one site into a folder, each as PNG and as
// SVG, and lists the files.
func DrawReport(folder string, name string, r design.Report) ([]string, error) {
	t := r.Site.Target
	some := []float64{t.Range.LowHz, t.NullHz, t.Range.HighHz}
	g := gallery{folder: folder}
	area := picture.Around(r.Site, mapPoints)
	g.add("map", func() (*picture.Drawing, error) { return LevelMap(name, r, area, []float64{t.NullHz}) })
	g.add("maps", func() (*picture.Drawing, error) { return LevelMap(name, r, area, some) })
	g.add("pattern", func() (*picture.Drawing, error) { return picture.Polar(name, r, some) })
	g.add("response", func() (*picture.Drawing, error) { return picture.Responses(name, r) })
	g.add("stake-out", func() (*picture.Drawing, error) { return picture.StakeOut(name, r, Datum(r.Site)) })
	return g.files, g.err
}

// DrawComparison writes the sheet of a comparison.
func DrawComparison(folder string, c design.Comparison) ([]string, error) {
	g := gallery{folder: folder}
	g.add("comparison", func() (*picture.Drawing, error) { return picture.Comparison(c) })
	return g.files, g.err
}

// LevelMap is the level over an area at some frequencies.
func LevelMap(name string, r design.Report, area field.Area, freqHz []float64) (*picture.Drawing, error) {
	m, err := field.NewMap(r.Site, r.Sheet, area, freqHz)
	if err != nil {
		return nil, err
	}
	return picture.LevelMap(name, r, m)
}

// Datum is where the stake-out list measures from.
func Datum(site engine.Site) engine.Point {
	for i, s := range layout.StakeOut(site) {
		if s.FromDatumM == 0 {
			return site.Sources[i].At
		}
	}
	return engine.Point{}
}

// gallery writes pictures into a folder until one cannot be.
type gallery struct {
	folder string
	files  []string
	err    error
}

func (g *gallery) add(name string, draw func() (*picture.Drawing, error)) {
	if g.err != nil {
		return
	}
	if g.err = os.MkdirAll(g.folder, 0o755); g.err != nil {
		return
	}
	d, err := draw()
	if err != nil {
		g.err = err
		return
	}
	g.write(name+".png", d.PNG)
	g.write(name+".svg", d.SVG)
}

func (g *gallery) write(name string, draw func(io.Writer) error) {
	if g.err != nil {
		return
	}
	path := filepath.Join(g.folder, name)
	f, err := os.Create(path)
	if err != nil {
		g.err = fmt.Errorf("picture: %w", err)
		return
	}
	if err := errors.Join(draw(f), f.Close()); err != nil {
		g.err = fmt.Errorf("picture %s: %w", path, err)
		return
	}
	g.files = append(g.files, path)
}

// ListFiles says which files were drawn.
func ListFiles(w io.Writer, files []string) {
	for _, f := range files {
		fmt.Fprintf(w, "drew %s\n", f)
	}
}
