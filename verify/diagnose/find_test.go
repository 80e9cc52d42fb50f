package diagnose

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/verify"
)

// bench is an invented null arc without a ground, and what is measured of it.
type bench struct {
	site     engine.Site
	sheet    engine.Sheet
	rig      rig
	channels [2]channel
	rng      *rand.Rand
}

func newBench() bench {
	rng := rand.New(rand.NewPCG(5, 5))
	l := layouts()[0]
	b := bench{site: l.site(rng), rng: rng, channels: [2]channel{{0.3, 0.011}, {-0.7, 0.017}}}
	b.site.Ground, b.site.Walls = 0, nil
	b.site.Tolerance = engine.Tolerance{PositionM: 0.04, MicrophoneM: 0.1, LevelDB: 0.5, TemperatureC: 1}
	b.sheet = l.sheet(b.site, rng)
	b.rig = rig{site: b.site, sheet: b.sheet, signalDB: 45}.clone()
	return b
}

func (b bench) captures(t *testing.T) []verify.Capture {
	t.Helper()
	captures, err := b.rig.strayed(b.rng).measure(b.sheet, b.channels, b.rng)
	if err != nil {
		t.Fatal(err)
	}
	return captures
}

func (b bench) find(t *testing.T) Diagnosis {
	t.Helper()
	d, err := Find(b.site, b.sheet, b.captures(t))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// Every kind: named first, with its amount near the true one, and in words.
func TestSentences(t *testing.T) {
	for i, c := range []struct {
		kind           Kind
		spoil          func(*rig)
		amount, within float64
		sentence       string
		evidence       string
	}{
		{Polarity, func(r *rig) { r.sheet.Settings[1].Polarity *= -1 }, 0, 0, "output 2 (two) plays with its polarity reversed", "rear microphone, output 2 (two) alone: 1"},
		{Dead, func(r *rig) { r.sheet.Settings[2].Muted = true }, 0, 0, "output 3 (three) is not heard", "dB below prediction"},
		{Swapped, func(r *rig) {
			s := r.site.Sources
			s[1].Output, s[2].Output = s[2].Output, s[1].Output
		}, 0, 0, "output 2 (two) and output 3 (three) are swapped", "off the other's"},
		{Delay, func(r *rig) { r.sheet.Settings[1].DelaySec -= 0.004 }, -4, 0.2, "ms earlier than its sheet says", "ms early"},
		{Level, func(r *rig) { r.sheet.Settings[3].GainDB -= 6 }, -6, 0.6, "output 4 (four) is ", "dB quieter"},
		{DelayUnit, func(r *rig) {
			for i := range r.sheet.Settings {
				r.sheet.Settings[i].DelaySec /= 48
			}
		}, 1 / 48., 1e-9, "as if milliseconds were read as samples at 48 kHz", "%"},
		{Position, func(r *rig) { r.site.Sources[0].At.X -= 0.6 }, -0.6, 0.1, "m further from the audience", "late"},
		{Misplaced, func(r *rig) { r.site.Microphones[1].At.Y += 3 }, 0, 0.5, "m further to the left", "%"},
		{Exchanged, func(r *rig) { r.exchanged = true }, 0, 0, "what is called mixing place stands at back fence", "%"},
		{Inverted, func(r *rig) { r.inverted = true }, 0, 0, "reference and microphone are exchanged", "%"},
		{Reference, func(r *rig) { r.filter = filter(62, 1.2, true) }, 12, 6, "all captures share a response", "%"},
		{Limiter, func(r *rig) { r.limitDB = 4 }, 4, 0.2, "a limiter acts", "%"},
		{Noise, func(r *rig) { r.signalDB = 0 }, 0, 6, "hear too much noise: play", "above the noise"},
	} {
		if i%every != 0 {
			continue
		}
		b := newBench()
		c.spoil(&b.rig)
		d := b.find(t)
		if len(d.Causes) == 0 {
			t.Errorf("%s: nothing found, healthy %.3f", c.kind, d.Healthy)
			continue
		}
		first := d.Causes[0]
		if first.Kind != c.kind || !(first.Probability > 0.9) || d.Healthy > 0.05 {
			t.Errorf("%s: found %+v, healthy %.3f", c.kind, first, d.Healthy)
			continue
		}
		if c.within > 0 && math.Abs(first.Amount-c.amount) > c.within {
			t.Errorf("%s: amount %.4g, want %.4g within %g", c.kind, first.Amount, c.amount, c.within)
		}
		if !strings.Contains(first.Sentence, c.sentence) || !strings.Contains(first.Evidence, c.evidence) {
			t.Errorf("%s: got %q because %q", c.kind, first.Sentence, first.Evidence)
		}
	}
}

// Two outputs of which one is late: nobody can say which, and no more is claimed.
func TestWhatCannotBeToldIsNotClaimed(t *testing.T) {
	b := newBench()
	b.site.Outputs, b.site.Sources = b.site.Outputs[:2], b.site.Sources[:2]
	b.sheet.Settings = b.sheet.Settings[:2]
	b.rig.site, b.rig.sheet = b.site, b.sheet
	b.rig = b.rig.clone()
	b.rig.sheet.Settings[0].Polarity *= -1
	d := b.find(t)
	if len(d.Causes) < 2 || d.Causes[0].Kind != Polarity || d.Causes[1].Kind != Polarity || d.Causes[0].Probability > 0.6 {
		t.Fatalf("one of two reversed: %+v", d.Causes)
	}
	for i, c := range d.Causes {
		if c.Probability < 0.5 && !strings.HasPrefix(c.Sentence, "most likely ") && !strings.HasPrefix(c.Sentence, "possibly ") {
			t.Errorf("cause %d, %.2f probable, is stated as a fact: %q", i, c.Probability, c.Sentence)
		}
	}
}

// What the loudspeakers all do is no fault, nor what a microphone's channel does.
func TestNoFault(t *testing.T) {
	for i, c := range []struct {
		name  string
		spoil func(*bench)
	}{
		{"as drawn", func(*bench) {}},
		{"own response", func(b *bench) { b.rig.filter = filter(26, 0.7, true) }},
		{"late, reversed and loud microphones", func(b *bench) { b.channels = [2]channel{{-30, 0.15}, {1e-3, 0.001}} }},
	} {
		if i%every != 0 {
			continue
		}
		b := newBench()
		c.spoil(&b)
		if d := b.find(t); d.Healthy < 0.8 {
			t.Errorf("%s: healthy %.3f, causes %+v", c.name, d.Healthy, d.Causes)
		}
	}
}

// An echo that the site does not have is not taken for health, and does not hide a
// reversed output.
func TestEchoesThatNobodyDrew(t *testing.T) {
	b := newBench()
	b.rig.site.Walls = []engine.Wall{{Name: "hall", From: point(-20, 9, 0), To: point(40, 11, 0)}}
	if every == 1 {
		if d := b.find(t); d.Healthy > 0.05 || len(d.Causes) == 0 {
			t.Errorf("a wall: healthy %.3f, causes %+v", d.Healthy, d.Causes)
		}
	}
	b.rig.sheet.Settings[2].Polarity *= -1
	d := b.find(t)
	if d.Healthy > 0.05 {
		t.Errorf("a wall and output 3 reversed: healthy %.3f", d.Healthy)
	}
	found := false
	for _, c := range d.Causes[:min(2, len(d.Causes))] {
		found = found || c.Kind == Polarity && c.Output == 3
	}
	if !found {
		t.Errorf("a wall and output 3 reversed: %+v", d.Causes)
	}
}

// Rows and everything instead of outputs: less can be told, but a reversed row can.
func TestRowsAlone(t *testing.T) {
	b := newBench()
	b.rig.sheet.Settings[0].Polarity *= -1 // all of the rear row
	captures := b.captures(t)
	rows := captures[:2:2]
	for mic := range 2 {
		front := captures[4+mic]
		front.Solo, front.Row = 0, engine.RowFront
		h := make([]complex128, len(front.Function.H))
		for _, k := range []int{4, 6, 8} {
			for i, v := range captures[k+mic].Function.H {
				h[i] += v
			}
		}
		front.Function.H = h
		rear := captures[2+mic]
		rear.Solo, rear.Row = 0, engine.RowRear
		rows = append(rows, front, rear)
	}
	d, err := Find(b.site, b.sheet, rows)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Causes) == 0 || d.Causes[0].Kind != Polarity || d.Causes[0].Output != 1 {
		t.Errorf("rear row reversed: healthy %.3f, %+v", d.Healthy, d.Causes)
	}
}

func TestRefusals(t *testing.T) {
	b := newBench()
	good := b.captures(t)
	for _, c := range []struct {
		name  string
		spoil func(c []verify.Capture) []verify.Capture
		want  string
	}{
		{"none", func([]verify.Capture) []verify.Capture { return nil }, "captures: got none"},
		{"two sheets", func(c []verify.Capture) []verify.Capture { c[3].SheetDigest = "otherwise"; return c }, "capture of output 1 (one) alone at the rear microphone: taken under sheet otherwis"},
		{"another sheet", func(c []verify.Capture) []verify.Capture {
			for i := range c {
				c[i].SheetDigest = "otherwise"
			}
			return c
		}, "the diagnosis is asked for sheet"},
		{"twice", func(c []verify.Capture) []verify.Capture { return append(c, c[2]) }, "it is there twice"},
		{"no such output", func(c []verify.Capture) []verify.Capture { c[2].Solo = 9; return c }, "the site has no such output"},
		{"no such row", func(c []verify.Capture) []verify.Capture { c[2].Solo, c[2].Row = 0, "middle"; return c }, "the site has no such row"},
		{"no such role", func(c []verify.Capture) []verify.Capture { c[2].Role = "side"; return c }, `microphone role "side"`},
		{"not finite", func(c []verify.Capture) []verify.Capture { c[2].Function.H[3] = cmplx.NaN(); return c }, "want finite numbers"},
		{"another axis", func(c []verify.Capture) []verify.Capture {
			f := append([]float64(nil), c[2].Function.FreqHz...)
			f[0] += 0.1
			c[2].Function.FreqHz = f
			return c
		}, "its frequencies differ"},
		{"short", func(c []verify.Capture) []verify.Capture { c[2].Function.Sigma = nil; return c }, "0 errors"},
	} {
		captures := append([]verify.Capture(nil), good...)
		captures[2].Function.H = append([]complex128(nil), good[2].Function.H...)
		_, err := Find(b.site, b.sheet, c.spoil(captures))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
	away := b.site
	away.Target.Range = engine.Band{LowHz: 300, HighHz: 400}
	if _, err := Find(away, b.sheet, good); err == nil || !strings.Contains(err.Error(), "0 frequencies inside the operating range") {
		t.Errorf("away: error %v", err)
	}
	if _, err := Find(engine.Site{}, b.sheet, good); err == nil {
		t.Error("captures of an empty site were taken")
	}
	if _, err := Find(b.site, engine.Sheet{}, good); err == nil || !strings.Contains(err.Error(), "no setting for output 1") {
		t.Errorf("empty sheet: error %v", err)
	}
}
