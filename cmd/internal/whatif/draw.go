package whatif

import (
	"fmt"
	"io"
	"math/cmplx"
	"strconv"
	"strings"

	"hushback/engine"
	"hushback/engine/coverage"
	"hushback/engine/field"
	"hushback/engine/picture"
	"hushback/engine/picture/paper"
)

// Picture is one of the pictures of a variant.
type Picture string

// The pictures.
const (
	Map       Picture = "map"      // level over the ground at the target
	Polar     Picture = "polar"    // patterns at bottom, target and top of the range
	Responses Picture = "response" // front and rear microphone over frequency, and the opening angle
)

// Pictures lists them in the order that they are shown in.
func Pictures() []Picture { return []Picture{Map, Polar, Responses} }

// Title is what a picture shows.
func (v Variant) Title(p Picture) string {
	switch p {
	case Map:
		return "Level over the ground at the target"
	case Polar:
		return "Which way it plays"
	}
	return "Front and rear"
}

// A map has so many points for each dot to a point of type: enough for a wave of
// 5 m, and soon there.
const mapPoints = 5_000

// Draw draws a picture for a screen, as PNG. Errors are one sentence.
func (v Variant) Draw(w io.Writer, p Picture, s paper.Screen) error {
	d, err := v.drawing(p, s)
	if err != nil {
		return err
	}
	return d.Untitled().Show(w, s)
}

func (v Variant) drawing(p Picture, s paper.Screen) (*picture.Drawing, error) {
	r := v.Report
	switch p {
	case Map:
		m, err := field.NewMap(r.Site, r.Sheet, picture.Around(r.Site, mapPoints*s.PerPoint*s.PerPoint), []float64{r.Site.Target.NullHz})
		if err != nil {
			return nil, err
		}
		return picture.LevelMap("", r, m)
	case Polar:
		return picture.Polar("", r, v.some())
	case Responses:
		return picture.Responses("", r)
	}
	return nil, fmt.Errorf("there is no picture %q: ask for map, polar or response", p)
}

// some is the frequencies that coverage is talked about at: bottom, target, top.
func (v Variant) some() []float64 {
	t := v.Report.Site.Target
	freq := []float64{t.Range.LowHz}
	if t.NullHz > t.Range.LowHz {
		freq = append(freq, t.NullHz)
	}
	if t.Range.HighHz > t.NullHz {
		freq = append(freq, t.Range.HighHz)
	}
	return freq
}

// Table is the numbers of a picture.
type Table struct {
	Caption string
	Head    []string
	Rows    [][]string
}

// Tell says a picture in words and in numbers, for those who do not see it.
func (v Variant) Tell(p Picture) (words string, t Table, err error) {
	switch p {
	case Map:
		return v.tellMap()
	case Polar:
		return v.tellPolar()
	case Responses:
		return v.tellResponses()
	}
	return "", Table{}, fmt.Errorf("there is no picture %q", p)
}

// tellPoints is about how many points all zones together are told from.
const tellPoints = 400

func (v Variant) tellMap() (string, Table, error) {
	r := v.Report
	target := r.Site.Target.NullHz
	front, _ := r.Site.Microphone(engine.RoleFront)
	at := []engine.Point{front.At}
	for _, m := range r.Site.Microphones {
		at = append(at, m.At)
	}
	zones := field.Samples(r.Site.Zones, tellPoints)
	for _, points := range zones {
		at = append(at, points...)
	}
	p, err := field.Along(r.Site, r.Sheet, at, []float64{target})
	if err != nil {
		return "", Table{}, err
	}
	level := func(i int) float64 { return cmplx.Abs(p[0][i]) / cmplx.Abs(p[0][0]) }
	t := Table{Caption: "Level at " + hertz(target) + " against the front microphone, dB", Head: []string{"Where", "On average", "Loudest", "Quietest"}}
	var told []string
	for i, m := range r.Site.Microphones {
		l := decibel(level(1 + i))
		t.Rows = append(t.Rows, []string{m.Name + " (" + string(m.Role) + " microphone)", l, l, l})
	}
	next := 1 + len(r.Site.Microphones)
	for i, z := range r.Site.Zones {
		mean, loudest, quietest := spread(level, next, len(zones[i]))
		next += len(zones[i])
		t.Rows = append(t.Rows, []string{fmt.Sprintf("%s (%s)", z.Name, z.Kind), decibel(mean), decibel(loudest), decibel(quietest)})
		told = append(told, fmt.Sprintf("%s (%s) %s dB on average, from %s to %s dB", z.Name, z.Kind, decibel(mean), decibel(quietest), decibel(loudest)))
	}
	return fmt.Sprintf("Map of the level at %s against %s: %s.", hertz(target), front.Name, strings.Join(told, "; ")), t, nil
}

func (v Variant) tellPolar() (string, Table, error) {
	const step = 30 // degrees
	r := v.Report
	freq := v.some()
	polar, err := coverage.Pattern(r.Site, r.Sheet, freq, 360)
	if err != nil {
		return "", Table{}, err
	}
	t := Table{Caption: "Level against the loudest direction, dB", Head: []string{"Direction"}}
	var told []string
	for i, f := range freq {
		t.Head = append(t.Head, hertz(f))
		told = append(told, fmt.Sprintf("at %s %s dB in front, %s and %s dB to the left and the right, %s dB behind", hertz(f),
			number(polar.LevelDB[i][0], 0), number(polar.LevelDB[i][90], 0), number(polar.LevelDB[i][270], 0), number(polar.LevelDB[i][180], 0)))
	}
	for deg := 0; deg < 360; deg += step {
		row := []string{direction(deg)}
		for i := range freq {
			row = append(row, number(polar.LevelDB[i][deg], 0))
		}
		t.Rows = append(t.Rows, row)
	}
	return "Patterns far away: " + strings.Join(told, "; ") + ".", t, nil
}

// direction is what an angle counter-clockwise from the front is called.
func direction(deg int) string {
	switch {
	case deg == 0:
		return "front"
	case deg == 180:
		return "rear"
	case deg < 180:
		return strconv.Itoa(deg) + "° left"
	}
	return strconv.Itoa(360-deg) + "° right"
}

func (v Variant) tellResponses() (string, Table, error) {
	p, s, target := v.Report.Prediction, v.Report.Prediction.Summary, v.Report.Site.Target
	t := Table{Caption: "Levels against the loudest in front, dB", Head: []string{"Frequency", "Front", "Rear", "Rear against front"}}
	loudest := 0.0
	for _, v := range p.Front.P {
		loudest = max(loudest, cmplx.Abs(v))
	}
	for i, f := range p.Front.FreqHz {
		if target.Range.Contains(f) {
			front, rear := cmplx.Abs(p.Front.P[i]), cmplx.Abs(p.Rear.P[i])
			t.Rows = append(t.Rows, []string{hertz(f), decibel(front / loudest), decibel(rear / loudest), decibel(rear / front)})
		}
	}
	return fmt.Sprintf("Front and rear microphone over frequency: quietest behind at %s, %s against the front; at the target, %s, %s.",
		hertz(s.NullHz), decibels(s.NullDepthDB), hertz(target.NullHz), decibels(s.AtTargetDB)), t, nil
}
