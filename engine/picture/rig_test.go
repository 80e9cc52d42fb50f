package picture

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/plot/vg"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/field"
	"hushback/engine/layout"
	"hushback/engine/picture/paper"
)

// picturesIn names a folder; when set, the tests leave every picture there for
// people to look at.
const picturesIn = "HUSHTEST_PICTURES"

// yard is an invented site: a bent front row of three, one behind, a wall at the
// back, an audience and a quiet zone.
func yard(treatment engine.Treatment) engine.Site {
	site := engine.Site{
		Job:        "Brickfield fair, west gate (invented)",
		Air:        engine.Air{TemperatureC: 18, Humidity: 0.6, PressurePa: 101000},
		Ground:     1,
		Target:     engine.Target{NullHz: 45, Range: engine.Band{LowHz: 32, HighHz: 63}},
		Limits:     engine.Limits{NullDepthDB: 20, NullOffsetHz: 1, SumShortfallDB: 3},
		TestSignal: engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Groups:     []engine.Group{{Name: "fair", Treatment: treatment}},
		Cabinets:   []engine.Cabinet{{Name: "double", WidthM: 1.1, DepthM: 0.8, HeightM: 0.6}},
		Walls:      []engine.Wall{{Name: "brick wall", From: engine.Point{X: -24, Y: -5}, To: engine.Point{X: -24, Y: 5}}},
		Microphones: []engine.Microphone{
			{Name: "mixing desk", Role: engine.RoleFront, At: engine.Point{X: 25, Z: 1.5}},
			{Name: "back gate", Role: engine.RoleRear, At: engine.Point{X: -12, Z: 1.5}},
		},
		Zones: []engine.Zone{
			{Name: "crowd", Kind: engine.ZoneAudience, Corners: []engine.Point{{X: 6, Y: -9}, {X: 30, Y: -14}, {X: 30, Y: 14}, {X: 6, Y: 9}}},
			{Name: "gardens", Kind: engine.ZoneQuiet, Corners: []engine.Point{{X: -20, Y: -10}, {X: -10, Y: -10}, {X: -10, Y: 10}, {X: -20, Y: 10}}},
		},
	}
	add := func(name string, row engine.Row, x, y, facingDeg float64) {
		n := len(site.Outputs) + 1
		site.Outputs = append(site.Outputs, engine.Output{Number: n, Group: "fair", AsPlaced: true})
		site.Sources = append(site.Sources, engine.Source{Name: name, Row: row, At: engine.Point{X: x, Y: y, Z: 0.3}, Output: n, FacingRad: facingDeg * math.Pi / 180, Cabinet: "double"})
	}
	add("front left", engine.RowFront, -0.4, 2.1, 15)
	add("front middle", engine.RowFront, 0, 0, 0)
	add("front right", engine.RowFront, -0.4, -2.1, -15)
	add("rear", engine.RowRear, -1.9, 0, 0)
	return site
}

// many is an invented site with as many sources as a small plan bears.
func many() engine.Site {
	site := yard(engine.TreatNull)
	site.Job = "Brickfield fair, long row (invented)"
	site.Sources, site.Outputs = nil, nil
	for i := range 12 {
		y := 7.7 - 1.4*float64(i)
		site.Outputs = append(site.Outputs, engine.Output{Number: i + 1, Group: "fair", AsPlaced: true})
		site.Sources = append(site.Sources, engine.Source{Name: "front " + string(rune('A'+i)), Row: engine.RowFront,
			At: engine.Point{X: -y * y / 25, Y: y, Z: 0.3}, Output: i + 1, FacingRad: y / 12, Cabinet: "double"})
	}
	for i := range 3 {
		site.Outputs = append(site.Outputs, engine.Output{Number: i + 13, Group: "fair", AsPlaced: true})
		site.Sources = append(site.Sources, engine.Source{Name: "rear " + string(rune('A'+i)), Row: engine.RowRear,
			At: engine.Point{X: -5, Y: 2.8 - 2.8*float64(i), Z: 0.3}, Output: i + 13, Cabinet: "double"})
	}
	return site
}

var ranges = engine.Ranges{DelaySec: engine.Grid{Max: 0.65, Step: 1e-5}, GainDB: engine.Grid{Min: -60, Max: 6, Step: 0.1}}

// fair is the report of the yard, worked out once.
var fair = sync.OnceValues(func() (design.Report, error) { return design.Work(yard(engine.TreatNull), ranges) })

func report(t *testing.T) design.Report {
	t.Helper()
	r, err := fair()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// around is an area of the yard, with n points across.
func around(n int) field.Area {
	return field.Area{MinX: -30, MaxX: 34, MinY: -20, MaxY: 20, Z: 1.5, NX: n * 64 / 40, NY: n}
}

func mapped(t *testing.T, r design.Report, n int, freqHz ...float64) *field.Map {
	t.Helper()
	m, err := field.NewMap(r.Site, r.Sheet, around(n), freqHz)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func datumOf(site engine.Site) engine.Point {
	first := layout.StakeOut(site)[0]
	at := site.Sources[0].At
	return engine.Point{X: at.X - first.AlongM, Y: at.Y - first.AsideM}
}

// compared is n treatments of the yard under long names.
func compared(t *testing.T, n int) design.Comparison {
	t.Helper()
	var named []design.Named
	for i, name := range []string{"timed for the null", "end-fire", "gradient", "plain", "null, gates shut and the tents up", "gradient, moved"}[:n] {
		site := yard([]engine.Treatment{engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain}[i%4])
		site.Sources[3].At.X -= 0.3 * float64(i/4)
		named = append(named, design.Named{Name: name, Site: site})
	}
	c, err := design.Compare(named, func(site engine.Site) (design.Report, error) { return design.Work(site, ranges) })
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// lines is a drawing as SVG, left with the PNG in the folder for pictures where
// wanted.
func lines(t *testing.T, name string, d *Drawing, err error) string {
	t.Helper()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	var svg bytes.Buffer
	if err := d.SVG(&svg); err != nil {
		t.Fatal(err)
	}
	if folder := os.Getenv(picturesIn); folder != "" {
		if err := os.MkdirAll(folder, 0o700); err != nil {
			t.Fatal(err)
		}
		for ending, content := range map[string][]byte{".png": dots(t, d), ".svg": svg.Bytes()} {
			if err := os.WriteFile(filepath.Join(folder, name+ending), content, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	return svg.String()
}

// dots is a drawing as PNG.
func dots(t *testing.T, d *Drawing) []byte {
	t.Helper()
	var written bytes.Buffer
	if err := d.PNG(&written); err != nil {
		t.Fatal(err)
	}
	return written.Bytes()
}

// seen is a drawing as a picture, through PNG and back.
func seen(t *testing.T, d *Drawing, err error) image.Image {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(dots(t, d)))
	if err != nil {
		t.Fatalf("not a PNG: %v", err)
	}
	return img
}

// words lists the texts of an SVG, which must be well-formed.
func words(t *testing.T, svg string) []string {
	t.Helper()
	var found []string
	decoder := xml.NewDecoder(strings.NewReader(svg))
	for depth := 0; ; {
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			return found
		}
		if err != nil {
			t.Fatalf("the SVG is not well-formed: %v", err)
		}
		switch token := token.(type) {
		case xml.StartElement:
			depth = 0
			if token.Name.Local == "text" {
				depth = 1
			}
		case xml.CharData:
			if depth == 1 {
				found = append(found, strings.ReplaceAll(string(token), "\u00a0", " "))
			}
		case xml.EndElement:
			depth = 0
		}
	}
}

func says(t *testing.T, svg string, wanted ...string) {
	t.Helper()
	all := strings.Join(words(t, svg), "\n")
	for _, w := range wanted {
		if !strings.Contains(all, w) {
			t.Errorf("nothing says %q among\n%s", w, all)
		}
	}
}

// dot is the colour of a picture at a place in points from its lower left corner.
func dot(img image.Image, at vg.Point) color.NRGBA {
	const perPoint = paper.DotsPerInch / 72
	x, y := int(at.X*perPoint), img.Bounds().Dy()-1-int(at.Y*perPoint)
	return color.NRGBAModel.Convert(img.At(x, y)).(color.NRGBA)
}

func differ(a, b color.NRGBA) int {
	most := 0
	for _, d := range []int{int(a.R) - int(b.R), int(a.G) - int(b.G), int(a.B) - int(b.B)} {
		most = max(most, d, -d)
	}
	return most
}
