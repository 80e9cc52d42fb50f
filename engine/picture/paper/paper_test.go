package paper

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/color"
	"image/png"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Words are broken, never cut or lost, and no line is wider than the room.
func TestWrapping(t *testing.T) {
	s := Lettering(Normal)
	for _, words := range []string{"", "a", "one two three four five six seven eight", "short averyverylongwordthatdoesnotfitintoanylineatall end",
		strings.Repeat("x", 200), "Brickfield fair, west gate (invented) · bent row"} {
		for _, width := range []vg.Length{12, 60, 200} {
			broken := wrapped(s, words, width)
			for _, l := range broken {
				if s.Width(l) > width && len([]rune(l)) > 1 {
					t.Errorf("%q is wider than %v", l, width)
				}
			}
			squeeze := func(v string) string { return strings.ReplaceAll(v, " ", "") }
			if got := squeeze(strings.Join(broken, "")); got != squeeze(words) {
				t.Errorf("%q became %q", words, broken)
			}
		}
	}
	if got := shortened(s, "a name that is too long", 60); s.Width(got) > 60 || !strings.HasSuffix(got, "…") || !strings.HasPrefix("a name that is too long", strings.TrimSuffix(got, "…")) {
		t.Errorf("got %q", got)
	}
	if got := shortened(s, "fits", 60); got != "fits" {
		t.Errorf("got %q", got)
	}
}

// Steps of axes are 1, 2 or 5 times a power of ten, not more than wanted, and at
// least a quarter as many where the span allows.
func TestRoundSteps(t *testing.T) {
	for span := 0.013; span < 1e5; span *= 1.37 {
		step := RoundStep(span, 10)
		first := step / math.Pow(10, math.Floor(math.Log10(step)+1e-9))
		if n := span / step; n > 10+1e-6 || n < 2.5 {
			t.Errorf("span %v: %v steps of %v", span, n, step)
		}
		if !slices.ContainsFunc([]float64{1, 2, 5}, func(m float64) bool { return math.Abs(first-m) < 1e-6 }) {
			t.Errorf("span %v: step %v", span, step)
		}
	}
}

// Labels that were put never cover each other, stay inside, and are left out where
// there is no room.
func TestLabelsKeepApart(t *testing.T) {
	d := Page(Block{200, func(c draw.Canvas) {
		l := Labels{Within: vg.Rectangle{Min: c.Min, Max: vg.Point{X: c.Min.X + 150, Y: c.Min.Y + 60}}}
		put := 0
		for range 40 {
			if l.Put(c, Lettering(Small), "some name", Beside(vg.Point{X: c.Min.X + 75, Y: c.Min.Y + 30}, 3)...) {
				put++
			}
		}
		if put < 2 || put > 8 || len(l.taken) != put {
			t.Errorf("%d labels, %d places taken", put, len(l.taken))
		}
		for i, a := range l.taken {
			if a.Min.X < l.Within.Min.X || a.Max.X > l.Within.Max.X || a.Min.Y < l.Within.Min.Y || a.Max.Y > l.Within.Max.Y {
				t.Errorf("%v is outside", a)
			}
			for _, b := range l.taken[:i] {
				if a.Min.X < b.Max.X && b.Min.X < a.Max.X && a.Min.Y < b.Max.Y && b.Min.Y < a.Max.Y {
					t.Errorf("%v covers %v", a, b)
				}
			}
		}
	}})
	if err := d.SVG(&bytes.Buffer{}); err != nil {
		t.Fatal(err)
	}
}

// broken takes so many bytes and then fails.
type broken int

var errFull = errors.New("the disk is full")

func (b *broken) Write(p []byte) (int, error) {
	if int(*b) < len(p) {
		return 0, errFull
	}
	*b -= broken(len(p))
	return len(p), nil
}

func TestWritersThatFail(t *testing.T) {
	d := Page(Heading("Something", "an invented job", strings.Repeat("a remark that takes room ", 20)))
	for _, room := range []broken{0, 1000} {
		one, two := room, room
		if err := d.PNG(&one); !errors.Is(err, errFull) {
			t.Errorf("PNG with room for %d bytes: %v", room, err)
		}
		if err := d.SVG(&two); !errors.Is(err, errFull) {
			t.Errorf("SVG with room for %d bytes: %v", room, err)
		}
	}
	var none Drawing
	if none.PNG(&bytes.Buffer{}) == nil || none.SVG(&bytes.Buffer{}) == nil {
		t.Error("an empty drawing was written")
	}
}

func TestNumbers(t *testing.T) {
	for _, c := range []struct{ got, want string }{{Number(-0.04, 1), "0.0"}, {Number(-1.25, 2), "−1.25"}, {Number(3, 0), "3"}, {Hertz(45), "45\u00a0Hz"}, {Hertz(46.78), "46.8\u00a0Hz"}} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// Marks stand at every multiple of the step from end to end, however it is rounded.
func TestEvery(t *testing.T) {
	var got []string
	for _, tick := range Every(-0.3, 0.3, 0.1, func(v float64) string { return Number(v, 1) }) {
		got = append(got, tick.Label)
	}
	if want := []string{"−0.3", "−0.2", "−0.1", "0.0", "0.1", "0.2", "0.3"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// sheet is a drawing with one of everything.
func sheet() *Drawing {
	return Page(Heading("Title", "owner & <others>", "a remark"),
		Legend([]Entry{{Line(0), "one"}, {Line(1), strings.Repeat("very long ", 30)}, {draw.LineStyle{Color: Shade, Width: 10}, "an area"}}),
		Table([][]string{{"", "", "head"}, {"1", strings.Repeat("words ", 30), "3.5"}, {"2", "", "–"}}, 40),
		Block{50, func(c draw.Canvas) { c.FillPolygon(Line(1).Color, Corners(c.Rectangle)) }})
}

// A drawing is 14 cm wide at 216 dots to the inch, its blocks stand where they are
// told, margins are blank, and type is dark on white.
func TestDots(t *testing.T) {
	d := sheet()
	var written bytes.Buffer
	if err := d.PNG(&written); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&written)
	if err != nil {
		t.Fatal(err)
	}
	size := img.Bounds().Size()
	if want := int(math.Round(14 / 2.54 * 216)); size.X != want || size.Y < 400 {
		t.Errorf("got %v dots, want %d across", size, want)
	}
	at := func(x, fromFoot int) color.NRGBA {
		return color.NRGBAModel.Convert(img.At(x, size.Y-1-fromFoot)).(color.NRGBA)
	}
	white := color.NRGBA{R: 255, G: 255, B: 255, A: 255}
	for _, c := range []struct {
		x, y int
		want color.NRGBA
	}{{10, 100, white}, {size.X - 10, 100, white}, {600, 15, white}, {600, 3*9 + 75, Line(1).Color.(color.NRGBA)}, {30, 35, Line(1).Color.(color.NRGBA)}, {600, 3*9 + 155, white}} {
		if got := at(c.x, c.y); got != c.want {
			t.Errorf("at %d, %d from the foot: %v, want %v", c.x, c.y, got, c.want)
		}
	}
}

// The SVG is well-formed, says what it is told, has a typeface that others have too,
// and is the same each time.
func TestLines(t *testing.T) {
	var one, two bytes.Buffer
	if err := errors.Join(sheet().SVG(&one), sheet().SVG(&two)); err != nil {
		t.Fatal(err)
	}
	if one.String() != two.String() {
		t.Error("drawn twice, it differs")
	}
	var said strings.Builder
	for decoder := xml.NewDecoder(&one); ; {
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if text, ok := token.(xml.CharData); ok {
			fmt.Fprintln(&said, string(text))
		}
	}
	for _, want := range []string{"Title", "owner & <others>", "a remark", "one", "very long", "…", "an area", "head", "3.5", "–"} {
		if !strings.Contains(said.String(), want) {
			t.Errorf("nothing says %q", want)
		}
	}
	if !strings.Contains(two.String(), "font-family:Liberation Sans,sans-serif;") || strings.Contains(two.String(), "Liberation Sans;") {
		t.Error("a typeface without another to stand in")
	}
}
