package paper

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"testing"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// shown is what a screen has of one block, a decoded PNG.
func shown(t *testing.T, s Screen, height vg.Length, ink func(draw.Canvas)) image.Image {
	t.Helper()
	var written bytes.Buffer
	if err := Page(Block{height, ink}).Show(&written, s); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&written)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

func rgb(c color.Color) [3]int {
	r, g, b, _ := c.RGBA()
	return [3]int{int(r >> 8), int(g >> 8), int(b >> 8)}
}

// luminance and contrast after WCAG 2.2, "relative luminance" and "contrast ratio"
// (formulas from memory).
func luminance(c color.Color) float64 {
	var sum float64
	for i, v := range rgb(c) {
		part := float64(v) / 255
		if part <= 0.04045 {
			part /= 12.92
		} else {
			part = math.Pow((part+0.055)/1.055, 2.4)
		}
		sum += part * []float64{0.2126, 0.7152, 0.0722}[i]
	}
	return sum
}

func contrast(a, b color.Color) float64 {
	high, low := luminance(a), luminance(b)
	return (math.Max(high, low) + 0.05) / (math.Min(high, low) + 0.05)
}

// On dark ground words stand out by 7:1, what is grey and the lines by 3:1, as WCAG
// 1.4.3 and 1.4.11 want of text and of graphics at least.
func TestDarkGroundHasContrast(t *testing.T) {
	ground := dark(color.White)
	if luminance(ground) > 0.02 {
		t.Errorf("the ground is %v", ground)
	}
	if got := contrast(dark(Ink), ground); got < 7 {
		t.Errorf("ink: %.1f", got)
	}
	if got := contrast(dark(Grey), ground); got < 3 {
		t.Errorf("grey: %.1f", got)
	}
	for i := range MostLines {
		if got := contrast(dark(Line(i).Color), ground); got < 4.5 {
			t.Errorf("line %d: %.1f", i, got)
		}
	}
	for _, data := range []color.NRGBA{{R: 0xe6, G: 0xa6, B: 0x6e, A: 0xff}, {R: 1, G: 2, B: 3, A: 4}} {
		if dark(data) != data || light(data) != data {
			t.Errorf("data in %v changes its colour", data)
		}
	}
	if veil := dark(Veil).(color.NRGBA); veil.A != Veil.A || contrast(veil, ground) > 1.1 {
		t.Errorf("the veil is %v", veil)
	}
}

// A screen has as many dots as it is told, in the theme that it is told.
func TestScreensAndThemes(t *testing.T) {
	box := func(c draw.Canvas) { c.FillPolygon(Ink, Corners(c.Rectangle)) }
	for _, s := range []Screen{{PerPoint: 1}, {PerPoint: 2}, {PerPoint: 1, Dark: true}, {PerPoint: 2, Dark: true}} {
		img := shown(t, s, 60, box)
		wide := float64(Width) * float64(s.PerPoint)
		if got := img.Bounds().Size(); math.Abs(float64(got.X)-wide) > 1 || got.Y != 78*s.PerPoint {
			t.Errorf("%+v: %v", s, got)
		}
		ground, ink := color.Color(color.White), color.Color(Ink)
		if s.Dark {
			ground, ink = slate, chalk
		}
		if got := rgb(img.At(1, 1)); got != rgb(ground) {
			t.Errorf("%+v: the margin is %v", s, got)
		}
		if got := rgb(img.At(img.Bounds().Dx()/2, img.Bounds().Dy()/2)); got != rgb(ink) {
			t.Errorf("%+v: the middle is %v", s, got)
		}
	}
	if err := Page(Block{60, box}).Show(io.Discard, Screen{}); err == nil {
		t.Error("a screen without dots shows something")
	}
	if err := (&Drawing{}).Show(io.Discard, Screen{PerPoint: 1}); err == nil {
		t.Error("an empty drawing is shown")
	}
	if err := Page(Block{60, box}).Show(errWriter{}, Screen{PerPoint: 1}); err == nil {
		t.Error("a writer's error is kept")
	}
}

type errWriter struct{}

func (errWriter) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

// A picture in a drawing covers its rectangle, upright, each of its dots where it
// belongs, cut off at the edges.
func TestPicturesLieStraight(t *testing.T) {
	colours := []color.NRGBA{{R: 200, A: 255}, {G: 200, A: 255}, {B: 200, A: 255}, {R: 200, G: 200, A: 255}}
	img := image.NewPaletted(image.Rect(0, 0, 2, 2), color.Palette{colours[0], colours[1], colours[2], colours[3]})
	img.Pix = []uint8{0, 1, 2, 3}
	for perPoint := 1; perPoint <= 3; perPoint++ {
		got := shown(t, Screen{PerPoint: perPoint}, 100, func(c draw.Canvas) {
			c.DrawImage(vg.Rectangle{Min: c.Min, Max: vg.Point{X: c.Min.X + 80, Y: c.Min.Y + 40}}, img)
			c.DrawImage(vg.Rectangle{Min: vg.Point{X: c.Max.X - 20, Y: c.Min.Y}, Max: vg.Point{X: c.Max.X + 200, Y: c.Min.Y + 20}}, img)
		})
		foot := got.Bounds().Dy()
		at := func(x, y float64) [3]int {
			return rgb(got.At(int((float64(Margin)+x)*float64(perPoint)), foot-1-int((float64(Margin)+y)*float64(perPoint))))
		}
		for i, p := range [][2]float64{{38, 22}, {42, 22}, {38, 18}, {42, 18}} {
			if at(p[0], p[1]) != rgb(colours[i]) {
				t.Errorf("%d dots to a point, at %v: %v, want %v", perPoint, p, at(p[0], p[1]), rgb(colours[i]))
			}
		}
		if at(20, 42) != rgb(color.White) || at(83, 20) != rgb(color.White) || at(float64(InnerWidth)-10, 15) != rgb(colours[0]) {
			t.Errorf("%d dots to a point: the edges are elsewhere", perPoint)
		}
	}
}

// Of few colours none is changed; of many the common ones are kept and no dot is
// farther from its own than from another that was kept. The same each time.
func TestFewColours(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 64, 64))
	for i := range 64 * 64 {
		c := color.RGBA{R: uint8(i % 64 * 4), G: uint8(i / 256 * 16), B: 77, A: 255}
		if i%3 > 0 {
			c = color.RGBA{R: 9, G: 8, B: uint8(i % 5), A: 255}
		}
		img.SetRGBA(i%64, i/64, c)
	}
	small, again := few(img), few(img)
	if len(small.Palette) != mostColours || !bytes.Equal(small.Pix, again.Pix) {
		t.Errorf("%d colours; the same again: %v", len(small.Palette), bytes.Equal(small.Pix, again.Pix))
	}
	apart := func(a, b [3]int) int {
		return (a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2])
	}
	for i, index := range small.Pix {
		was := rgb(img.At(i%64, i/64))
		got := apart(was, rgb(small.Palette[index]))
		if i%3 > 0 && got != 0 {
			t.Fatalf("dot %d: a common colour changed by %d", i, got)
		}
		for _, other := range small.Palette {
			if apart(was, rgb(other)) < got {
				t.Fatalf("dot %d: %v became %v, with %v at hand", i, was, rgb(small.Palette[index]), rgb(other))
			}
		}
	}
	two := image.NewRGBA(image.Rect(0, 0, 3, 1))
	two.SetRGBA(1, 0, color.RGBA{R: 1, G: 1, B: 1, A: 255})
	if p := few(two); len(p.Palette) != 2 || rgb(p.At(1, 0)) != [3]int{1, 1, 1} || rgb(p.At(2, 0)) != [3]int{} {
		t.Errorf("two colours became %v, %v", p.Palette, p.Pix)
	}
}

// A drawing without its heading is the shorter by it; a length has the dots of what
// it is drawn on.
func TestUntitledAndDots(t *testing.T) {
	heading := Heading("what", "whose")
	body := Block{30, func(c draw.Canvas) {
		if got := Dots(c.Canvas, 10); got != 20 {
			t.Errorf("10 points are %d dots", got)
		}
	}}
	d := Page(heading, body)
	if got, want := d.Untitled().height, d.height-heading.Height-blockGap; math.Abs(float64(got-want)) > 1e-9 {
		t.Errorf("height %v, want %v", got, want)
	}
	if err := d.Untitled().Show(io.Discard, Screen{PerPoint: 2}); err != nil {
		t.Error(err)
	}
	if lone := Page(body); lone.Untitled() != lone {
		t.Error("the only block was taken away")
	}
	if got := Dots(nil, 10); got != 20 {
		t.Errorf("without dots 10 points are %d dots", got)
	}
}
