package figures

import (
	"fmt"
	"math"
	"strings"

	"hushback/engine"
)

// Plans are drawn this many units wide; the page scales them, never one axis
// more than the other.
const (
	planWidth  = 360.0
	planMargin = 34.0
	planTall   = 470.0 // no plan is taller
	letter     = 6.5   // width of a letter, a little more than it is
)

// Plan is a drawing to scale, seen from above, the audience at the top: x runs
// up the page and y to the left. Places are in units of a paper of Width by
// Height.
type Plan struct {
	Width, Height float64
	Alt           string
	Zones         []Outline
	Marks         []Mark
	Bar           Ruler
	Ahead         Text // at the foot of an arrow that points ahead; empty without one
}

// Outline is a zone and its name.
type Outline struct {
	Kind   engine.ZoneKind
	Points string
	Text   Text
}

// Mark is a source (Kind is its row) or a microphone ("microphone").
type Mark struct {
	Kind   string
	X, Y   float64
	Number string // inside the mark
	Text   Text   // empty where it would cover another
}

// Text is words and where they stand.
type Text struct {
	X, Y  float64
	Words string
}

// Ruler is the scale: a bar with its length in words.
type Ruler struct {
	X1, X2, Y float64
	Words     string
}

// ground turns site metres into plan units.
type ground struct {
	scale, left, ahead float64 // units per metre; the y and x of the plan's upper left corner
}

func (g ground) at(p engine.Point) (x, y float64) {
	return (g.left-p.Y)*g.scale + planMargin, (g.ahead-p.X)*g.scale + planMargin
}

// fit is the plan that shows all the points as large as it may.
func fit(points []engine.Point) (ground, Plan) {
	minX, maxX, minY, maxY := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, p := range points {
		minX, maxX = math.Min(minX, p.X), math.Max(maxX, p.X)
		minY, maxY = math.Min(minY, p.Y), math.Max(maxY, p.Y)
	}
	if len(points) == 0 {
		minX, maxX, minY, maxY = 0, 0, 0, 0
	}
	deep, wide := math.Max(maxX-minX, 0.5), math.Max(maxY-minY, 0.5)
	scale := math.Min((planWidth-2*planMargin)/wide, (planTall-2*planMargin)/deep)
	left := (minY+maxY)/2 + (planWidth/2-planMargin)/scale
	return ground{scale: scale, left: left, ahead: maxX}, Plan{
		Width: planWidth, Height: deep*scale + 2*planMargin + 26, Bar: rulerFor(scale, deep*scale+2*planMargin+10),
	}
}

// rulerFor is a bar of a round length, about a quarter of the plan's width.
func rulerFor(scale, y float64) Ruler {
	want := planWidth / 4 / scale
	length := math.Pow(10, math.Floor(math.Log10(want)))
	for _, m := range []float64{5, 2} {
		if length*m <= want {
			length *= m
			break
		}
	}
	return Ruler{X1: planMargin, X2: planMargin + length*scale, Y: y, Words: fmt.Sprintf("%g m", length)}
}

// ArrayPlan is the close-up of the sources.
func ArrayPlan(site engine.Site) Plan {
	points := make([]engine.Point, len(site.Sources))
	for i, s := range site.Sources {
		points[i] = s.At
	}
	g, p := fit(points)
	said := make([]string, len(site.Sources))
	for i, s := range site.Sources {
		p.Marks = append(p.Marks, Mark{Kind: string(s.Row), Number: fmt.Sprint(s.Output), Text: Text{Words: s.Name}})
		p.Marks[i].X, p.Marks[i].Y = g.at(s.At)
		said[i] = fmt.Sprintf("%s source %s on output %d at x %s, y %s", s.Row, s.Name, s.Output, Metres(s.At.X), Metres(s.At.Y))
	}
	p.Alt = "The array from above, to scale, audience at the top: " + strings.Join(said, "; ") + "."
	placeNames(p.Marks)
	return p
}

// GroundPlan is the whole site.
func GroundPlan(site engine.Site) Plan {
	var points []engine.Point
	for _, s := range site.Sources {
		points = append(points, s.At)
	}
	for _, m := range site.Microphones {
		points = append(points, m.At)
	}
	for _, z := range site.Zones {
		points = append(points, z.Corners...)
	}
	g, p := fit(points)
	p.Ahead = Text{X: planWidth - planMargin, Y: p.Bar.Y, Words: "to the audience"}
	said := []string{}
	for _, z := range site.Zones {
		p.Zones = append(p.Zones, drawZone(g, z))
		said = append(said, fmt.Sprintf("%s zone %s with %d corners", z.Kind, z.Name, len(z.Corners)))
	}
	for _, s := range site.Sources {
		m := Mark{Kind: string(s.Row)}
		m.X, m.Y = g.at(s.At)
		p.Marks = append(p.Marks, m)
	}
	for _, mic := range site.Microphones {
		m := Mark{Kind: "microphone", Text: Text{Words: mic.Name}}
		m.X, m.Y = g.at(mic.At)
		p.Marks = append(p.Marks, m)
		said = append(said, fmt.Sprintf("%s microphone %s at x %s, y %s", mic.Role, mic.Name, Metres(mic.At.X), Metres(mic.At.Y)))
	}
	p.Alt = fmt.Sprintf("The site from above, to scale, audience at the top: %d sources at the array; %s.",
		len(site.Sources), strings.Join(said, "; "))
	placeNames(p.Marks)
	return p
}

// drawZone outlines a zone and writes its name inside its upper left, out of
// the way of the microphones, which stand near the middle line.
func drawZone(g ground, z engine.Zone) Outline {
	var at []string
	top, low := math.Inf(1), math.Inf(1)
	for _, c := range z.Corners {
		x, y := g.at(c)
		at = append(at, fmt.Sprintf("%.1f,%.1f", x, y))
		top, low = math.Min(top, y), math.Min(low, x)
	}
	o := Outline{Kind: z.Kind, Points: strings.Join(at, " ")}
	if len(z.Corners) > 0 {
		o.Text = Text{X: low + 5, Y: top + 14, Words: z.Name}
	}
	return o
}

// placeNames puts each name below its mark, and leaves it out where it would
// cover a mark or a name: the table under the plan has them all.
func placeNames(marks []Mark) {
	type box struct{ x1, y1, x2, y2 float64 }
	var taken []box
	for _, m := range marks {
		taken = append(taken, box{m.X - 11, m.Y - 11, m.X + 11, m.Y + 11})
	}
	for i := range marks {
		m := &marks[i]
		half := float64(len([]rune(m.Text.Words))) * letter / 2
		x := math.Max(half, math.Min(planWidth-half, m.X))
		b := box{x - half, m.Y + 12, x + half, m.Y + 25}
		free := true
		for _, t := range taken {
			free = free && (b.x2 <= t.x1 || t.x2 <= b.x1 || b.y2 <= t.y1 || t.y2 <= b.y1)
		}
		if m.Text.X, m.Text.Y = x, m.Y+23; !free {
			m.Text.Words = ""
			continue
		}
		taken = append(taken, b)
	}
}
