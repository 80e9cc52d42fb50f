package model

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
	"hushback/verify"
)

// take is one capture as the model wants it: delays put back in, lines thinned.
type take struct {
	mic        int    // 0 front, 1 rear, as the capture says
	open       []bool // by place in site.Outputs
	solo       int    // the one open output's place, -1 where several are open
	everything bool
	row        engine.Row
	h          []complex128
	noise2     []float64 // variance of the real and of the imaginary part of h, each
	size2      []float64 // power that errors of the model are counted from
	log        float64   // what stands in the density of h beside variances and misfit
}

// maxLines is how many lines are looked at: more say little that is new of
// delays, levels and places, and cost time.
const maxLines = 20

// lines are the captures' lines inside the operating range, thinned evenly.
func lines(freqHz []float64, band engine.Band) []int {
	var inside []int
	for i, f := range freqHz {
		if band.Contains(f) {
			inside = append(inside, i)
		}
	}
	n := len(inside)
	if n <= maxLines {
		return inside
	}
	kept := make([]int, maxLines)
	for k := range kept {
		kept[k] = inside[(k*(n-1)+(maxLines-1)/2)/(maxLines-1)]
	}
	return kept
}

// read checks the captures, by themselves and against the first, and takes
// their lines.
func (m *Model) read(sheet engine.Sheet, captures []verify.Capture) error {
	if len(captures) == 0 {
		return errors.New("captures: got none, want everything open and each output alone at both microphones")
	}
	first := &captures[0]
	if err := first.Function.Check(); err != nil {
		return fmt.Errorf("capture of %s: %w", first.Subject(m.site), err)
	}
	kept := lines(first.Function.FreqHz, m.site.Target.Range)
	if len(kept) < 3 {
		return fmt.Errorf("captures: %d frequencies inside the operating range %g to %g Hz, want at least 3", len(kept), m.site.Target.Range.LowHz, m.site.Target.Range.HighHz)
	}
	for _, i := range kept {
		m.FreqHz = append(m.FreqHz, first.Function.FreqHz[i])
	}
	for i := range captures {
		c := &captures[i]
		if err := m.enter(c, first, sheet.Digest(), kept); err != nil {
			return fmt.Errorf("capture of %s: %w", c.Subject(m.site), err)
		}
	}
	m.sizes(m.takes[0])
	m.takes[1] = inverted(m.takes[0])
	m.sizes(m.takes[1])
	return nil
}

func (m *Model) enter(c, first *verify.Capture, digest string, kept []int) error {
	switch {
	case c.SheetDigest != first.SheetDigest:
		return fmt.Errorf("taken under sheet %.8s, others under sheet %.8s: measure again", c.SheetDigest, first.SheetDigest)
	case c.SheetDigest != digest:
		return fmt.Errorf("taken under sheet %.8s, the diagnosis is asked for sheet %.8s", c.SheetDigest, digest)
	case !slices.Equal(c.Function.FreqHz, first.Function.FreqHz):
		return errors.New("its frequencies differ from the other captures'")
	case c.Role != engine.RoleFront && c.Role != engine.RoleRear:
		return fmt.Errorf("microphone role %q, want %q or %q", c.Role, engine.RoleFront, engine.RoleRear)
	}
	if err := c.Function.Check(); err != nil {
		return err
	}
	t := take{solo: -1, open: make([]bool, len(m.site.Outputs))}
	if c.Role == engine.RoleRear {
		t.mic = 1
	}
	if err := m.opened(&t, c); err != nil {
		return err
	}
	raw := c.Function.Advance(-c.DelaySec - c.LatencySec)
	for _, i := range kept {
		t.h = append(t.h, raw.H[i])
		t.noise2 = append(t.noise2, pooled(raw.Sigma, i))
	}
	m.takes[0] = append(m.takes[0], t)
	m.signal(t.mic, c, kept)
	return nil
}

// opened says which outputs a capture had open, and refuses a second of a kind.
func (m *Model) opened(t *take, c *verify.Capture) error {
	open := m.site.RowOutputs(c.Row)
	switch {
	case c.Row == "" && c.Solo == verify.Everything:
		open, t.everything = m.site.OutputNumbers(), true
	case c.Row == "":
		open = []int{c.Solo}
	}
	for _, number := range open {
		k := slices.IndexFunc(m.site.Outputs, func(o engine.Output) bool { return o.Number == number })
		if k < 0 {
			return errors.New("the site has no such output")
		}
		t.open[k] = true
		t.solo = k
	}
	if len(open) == 0 {
		return errors.New("the site has no such row")
	}
	if len(open) > 1 || t.everything {
		t.solo = -1
	}
	for i := range m.takes[0] {
		other := &m.takes[0][i]
		if other.mic == t.mic && other.everything == t.everything && other.row == c.Row && slices.Equal(other.open, t.open) {
			return errors.New("it is there twice")
		}
	}
	t.row = c.Row
	return nil
}

// pooled is the variance around a line: Sigma itself is an estimate, of few
// averages for a solo, and noise is much the same from one line to the next.
func pooled(sigma []float64, i int) float64 {
	const reach = 3
	from, to := max(0, i-reach), min(len(sigma), i+reach+1)
	sum := 0.0
	for _, s := range sigma[from:to] {
		sum += s * s
	}
	return sum / float64(to-from)
}

// sizes sets what errors of the model are counted from: the mean power of what
// the open outputs do alone, for at a null the sum itself is next to nothing. A
// mean over the lines, less the noise's own, does not follow the noise of a line.
func (m *Model) sizes(takes []take) {
	loudest := 0.0
	means := make([]float64, len(takes))
	for i := range takes {
		t := &takes[i]
		for j := range t.h {
			means[i] += (power(t.h[j]) - 2*t.noise2[j]) / float64(len(t.h))
			loudest = math.Max(loudest, power(t.h[j]))
		}
		means[i] = math.Max(0, means[i])
	}
	for i := range takes {
		t := &takes[i]
		size := means[i]
		for other := range takes {
			if o := &takes[other]; t.solo < 0 && o.solo >= 0 && o.mic == t.mic && t.open[o.solo] {
				size += means[other]
			}
		}
		t.size2 = make([]float64, len(t.h))
		for j := range t.h {
			t.size2[j] = size
			t.noise2[j] += loudest * 1e-16 // nothing is known to better than a float64 can tell
		}
	}
}

// inverted is what the captures would be had reference and microphone not been
// exchanged: 1/H, with the errors and the density that follow from it.
func inverted(takes []take) []take {
	all := slices.Clone(takes)
	for i := range all {
		t := &all[i]
		h, noise2 := t.h, t.noise2
		t.h, t.noise2, t.log = make([]complex128, len(h)), make([]float64, len(h)), 0
		for j := range h {
			p := math.Max(power(h[j]), 1e-300)
			t.h[j] = cmplx.Conj(h[j]) / complex(p, 0)
			t.noise2[j] = noise2[j] / (p * p)
			t.log -= 2 * math.Log(p)
		}
	}
	return all
}

func power(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }
