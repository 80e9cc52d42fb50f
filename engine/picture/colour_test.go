package picture

import (
	"fmt"
	"image/color"
	"math"
	"testing"

	"hushback/engine/picture/paper"
)

// linear undoes the curve of sRGB, IEC 61966-2-1:1999 (from memory).
func linear(v uint8) float64 {
	c := float64(v) / 255
	if c <= 0.04045 {
		return c / 12.92
	}
	return math.Pow((c+0.055)/1.055, 2.4)
}

func rgb(c color.Color) [3]float64 {
	n := color.NRGBAModel.Convert(c).(color.NRGBA)
	return [3]float64{linear(n.R), linear(n.G), linear(n.B)}
}

func times(m [3][3]float64, v [3]float64) (out [3]float64) {
	for i := range m {
		out[i] = m[i][0]*v[0] + m[i][1]*v[1] + m[i][2]*v[2]
	}
	return out
}

// lab is CIE 1976 L*a*b* under D65 of linear sRGB; matrix and white from
// IEC 61966-2-1 and CIE 15, both from memory.
func lab(linear [3]float64) [3]float64 {
	xyz := times([3][3]float64{{0.4124, 0.3576, 0.1805}, {0.2126, 0.7152, 0.0722}, {0.0193, 0.1192, 0.9505}}, linear)
	f := func(t float64) float64 {
		if t > 216.0/24389 {
			return math.Cbrt(t)
		}
		return (24389.0/27*t + 16) / 116
	}
	x, y, z := f(xyz[0]/0.9505), f(xyz[1]), f(xyz[2]/1.089)
	return [3]float64{116*y - 16, 500 * (x - y), 200 * (y - z)}
}

// apart is the CIE 1976 colour difference.
func apart(a, b [3]float64) float64 {
	return math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
}

// blindness is how colours look to those who lack a kind of cone: the matrices of
// severity 1 of Machado, Oliveira and Fernandes, "A Physiologically-based Model for
// Simulation of Color Vision Deficiency", IEEE TVCG 15:1291 (2009), Table 1, from
// memory; each row adds up to 1, so greys stay grey, which the test below checks.
var blindness = []struct {
	name   string
	matrix [3][3]float64
}{
	{"all cones", [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}},
	{"protanopia", [3][3]float64{{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}}},
	{"deuteranopia", [3][3]float64{{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}}},
}

// seenBy is what is left of a colour, within what a screen can show.
func seenBy(m [3][3]float64, c color.Color) [3]float64 {
	v := times(m, rgb(c))
	for i := range v {
		v[i] = math.Max(0, math.Min(1, v[i]))
	}
	return lab(v)
}

// Lines are told apart by everybody: the seven colours from each other and from the
// paper with red-green blindness too, and the dashes in grey. A difference of 2.3 is
// just noticed (Mahy, Van Eycken and Oosterlinck 1994, from memory).
func TestLinesAreToldApart(t *testing.T) {
	for _, b := range blindness {
		for i, row := range b.matrix {
			if sum := row[0] + row[1] + row[2]; math.Abs(sum-1) > 1e-5 {
				t.Errorf("%s: row %d adds up to %v", b.name, i, sum)
			}
		}
		least := math.Inf(1)
		for i := range paper.MostLines {
			a := seenBy(b.matrix, paper.Line(i).Color)
			if paper := apart(a, seenBy(b.matrix, color.White)); paper < 35 {
				t.Errorf("%s: line %d is %.1f from paper", b.name, i, paper)
			}
			for k := range i {
				d := apart(a, seenBy(b.matrix, paper.Line(k).Color))
				least = math.Min(least, d)
				if d < 12 {
					t.Errorf("%s: lines %d and %d are %.1f apart", b.name, k, i, d)
				}
			}
		}
		t.Logf("%s: at least %.1f apart", b.name, least)
	}
	patterns := map[string]bool{}
	for i := range paper.MostLines {
		key := fmt.Sprint(paper.Line(i).Dashes)
		if patterns[key] {
			t.Errorf("line %d has the dashes of another", i)
		}
		patterns[key] = true
	}
}

// The level scale gets lighter in even steps of CIE L*, also for those who do not see
// red or green apart; its ends are as told.
func TestScaleIsEven(t *testing.T) {
	colours, err := scale()
	if err != nil || len(colours) != bands {
		t.Fatalf("got %d colours, %v, want %d", len(colours), err, bands)
	}
	light := func(m [3][3]float64, i int) float64 { return seenBy(m, colours[i])[0] }
	for _, b := range blindness {
		mean := (light(b.matrix, bands-1) - light(b.matrix, 0)) / float64(bands-1)
		for i := 1; i < bands; i++ {
			step := light(b.matrix, i) - light(b.matrix, i-1)
			if step < 2.3 {
				t.Errorf("%s: step %d is %.2f, too small to notice", b.name, i, step)
			}
			// A colour has 8 bits a channel: half a bit of each is at most 0.3 of L*.
			if b.name == "all cones" && math.Abs(step-mean) > 0.6 {
				t.Errorf("step %d is %.2f of L*, want %.2f", i, step, mean)
			}
		}
		t.Logf("%s: L* from %.1f to %.1f", b.name, light(b.matrix, 0), light(b.matrix, bands-1))
	}
	if differ(color.NRGBAModel.Convert(colours[0]).(color.NRGBA), color.NRGBA{R: 0x1d, G: 0x2a, B: 0x5b, A: 0xff}) > 1 {
		t.Errorf("the quietest band is %v", colours[0])
	}
}

// The L* of known colours (sRGB primaries, from memory) holds the arithmetic above.
func TestLightnessOfKnownColours(t *testing.T) {
	for _, c := range []struct {
		c    color.Color
		want float64
	}{{color.White, 100}, {color.Black, 0}, {color.NRGBA{R: 255, A: 255}, 53.24}, {color.NRGBA{G: 255, A: 255}, 87.74}, {color.NRGBA{B: 255, A: 255}, 32.30}} {
		if got := lab(rgb(c.c))[0]; math.Abs(got-c.want) > 0.02 {
			t.Errorf("%v: L* %v, want %v", c.c, got, c.want)
		}
	}
}

func TestBands(t *testing.T) {
	for _, c := range []struct {
		db   float64
		want int
	}{{-120, 0}, {-36.1, 0}, {-36, 1}, {-33.1, 1}, {-33, 2}, {-0.1, 12}, {0, 13}, {11.9, 16}, {12, 17}, {99, 17}} {
		if got := step(c.db); got != c.want {
			t.Errorf("step(%v) = %d, want %d", c.db, got, c.want)
		}
	}
}
