package engine

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"math/cmplx"
	"strings"
)

// Setting is everything hushback ever sets on one processor output.
type Setting struct {
	Output   int
	DelaySec float64
	Polarity int // +1 or -1
	GainDB   float64
	Muted    bool
}

// Factor is what the setting does to a sound at a frequency in hertz, muting left
// out: gain times polarity times e^{-jωτ}.
func (s Setting) Factor(freqHz float64) complex128 {
	return cmplx.Rect(Ratio(s.GainDB)*float64(s.Polarity), -2*math.Pi*freqHz*s.DelaySec)
}

// Sheet is the settings of every output a site uses, ascending by output.
type Sheet struct{ Settings []Setting }

// Setting finds the setting of one output.
func (s Sheet) Setting(output int) (Setting, bool) {
	for _, set := range s.Settings {
		if set.Output == output {
			return set, true
		}
	}
	return Setting{}, false
}

// Digest is a SHA-256 over a canonical spelling of the settings, in hex. Two
// sheets share a digest only when every setting is the same bit for bit.
func (s Sheet) Digest() string {
	var b strings.Builder
	for _, set := range s.Settings {
		fmt.Fprintf(&b, "%d %x %d %x %t\n", set.Output,
			math.Float64bits(set.DelaySec), set.Polarity, math.Float64bits(set.GainDB), set.Muted)
	}
	sum := sha256.Sum256([]byte(b.String()))
	return hex.EncodeToString(sum[:])
}

// Grid is a range of values in equal steps, both ends allowed.
type Grid struct{ Min, Max, Step float64 }

// Nearest is the grid value closest to v, held inside the range.
func (g Grid) Nearest(v float64) float64 {
	v = math.Max(g.Min, math.Min(g.Max, v))
	return math.Min(g.Max, g.Min+math.Round((v-g.Min)/g.Step)*g.Step)
}

// UpTo is the part of the grid that lies at or below most; false where none does.
func (g Grid) UpTo(most float64) (Grid, bool) {
	steps := math.Floor((math.Min(most, g.Max)-g.Min)/g.Step + 1e-9)
	g.Max = g.Min + steps*g.Step
	return g, steps >= 0
}

// Same reports whether a and b are the same setting as far as this grid can
// tell: less than half a step apart.
func (g Grid) Same(a, b float64) bool { return math.Abs(a-b) < g.Step/2 }

// Ranges are what a processor can be set to.
type Ranges struct {
	DelaySec Grid
	GainDB   Grid
}
