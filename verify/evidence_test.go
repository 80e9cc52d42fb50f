package verify

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
)

// fresh is a full set of captures that no other test shares: everything in
// front, the four solos in front, the same at the rear.
func fresh() []Capture {
	return listening(rand.New(rand.NewPCG(1, 20)), quiet).measure(designed())
}

func TestMissingCapturesAreNamed(t *testing.T) {
	for _, c := range []struct {
		name string
		left []Capture
		want string
	}{
		{"everything at the rear", slices.Delete(fresh(), 5, 6), "not measured: everything open at the rear microphone"},
		{"a solo", slices.Delete(fresh(), 3, 4), "not measured: output 3 (centre front) alone at the front microphone"},
		{"two solos", slices.Delete(fresh(), 8, 10), "not measured: output 3 (centre front) alone at the rear microphone; output 4 (right front) alone at the rear microphone"},
		{"all of it", nil, "not measured: everything open at the front microphone; everything open at the rear microphone; output 1"},
	} {
		v := judge(t, c.left)
		if v.Outcome != Undecided || len(v.Reasons) != 1 || !strings.HasPrefix(v.Reasons[0], c.want) {
			t.Errorf("%s: %s %q, want undecided with %q", c.name, v.Outcome, v.Reasons, c.want)
		}
	}
}

// The order in which captures come says nothing.
func TestOrderDoesNotMatter(t *testing.T) {
	back := fresh()
	slices.Reverse(back)
	one, two := judge(t, fresh()), judge(t, back)
	if one.Outcome != two.Outcome || !slices.Equal(one.Reasons, two.Reasons) {
		t.Errorf("%s %q forwards, %s %q backwards", one.Outcome, one.Reasons, two.Outcome, two.Reasons)
	}
}

func TestWrongCapturesAreErrors(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(captures []Capture) []Capture
		want  string
	}{
		{"other sheet", func(c []Capture) []Capture { c[7].SheetDigest = "0123456789"; return c }, "output 2 (left front) alone at the rear microphone: taken under sheet 01234567, others under sheet"},
		{"twice", func(c []Capture) []Capture { return append(c, c[2]) }, "output 2 (left front) alone at the front microphone: it is there twice"},
		{"no such output", func(c []Capture) []Capture { c[2].Solo = 9; return c }, "output 9 alone at the front microphone: the site has no such output"},
		{"role", func(c []Capture) []Capture { c[2].Role = "side"; return c }, `microphone role "side"`},
		{"other axis", func(c []Capture) []Capture {
			f := slices.Clone(c[2].Function.FreqHz)
			f[0] = 19
			c[2].Function.FreqHz = f
			return c
		}, "its frequencies differ"},
		{"lengths", func(c []Capture) []Capture { c[2].Function.H = c[2].Function.H[1:]; return c }, "51 frequencies with 50 values"},
		{"coherence", func(c []Capture) []Capture { c[2].Function.Coherence = nil; return c }, "51 errors and 0 coherences"},
		{"empty", func(c []Capture) []Capture { return []Capture{{Role: engine.RoleFront}} }, "0 frequencies"},
		{"one average", func(c []Capture) []Capture { c[2].Function.Averages = 1; return c }, "1 averages, want more than 1"},
		{"endless averages", func(c []Capture) []Capture { c[2].Function.Averages = math.Inf(1); return c }, "+Inf averages"},
		{"not a number", func(c []Capture) []Capture { c[2].Function.H[4] = complex(math.NaN(), 0); return c }, "at 28 Hz: value (NaN+0i)"},
		{"infinite", func(c []Capture) []Capture { c[2].Function.H[4] = complex(0, math.Inf(1)); return c }, "at 28 Hz"},
		{"error below zero", func(c []Capture) []Capture { c[2].Function.Sigma[5] = -1; return c }, "at 30 Hz"},
		{"error not a number", func(c []Capture) []Capture { c[2].Function.Sigma[5] = math.NaN(); return c }, "at 30 Hz"},
		{"falling axis", func(c []Capture) []Capture {
			for i := range c {
				f := slices.Clone(c[i].Function.FreqHz)
				f[3], f[4] = f[4], f[3]
				c[i].Function.FreqHz = f
			}
			return c
		}, "frequency 26 Hz after 28 Hz"},
		{"front silent but for the solos", func(c []Capture) []Capture { clear(c[0].Function.H); return c }, "in front"},
	} {
		_, err := Judge(site(), prediction(), c.spoil(fresh()))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

// A limit that nobody has worked out yet is one that anything would clear.
func TestOpenLimitsJudgeNothing(t *testing.T) {
	for _, open := range []func(*engine.Limits){
		func(l *engine.Limits) { l.NullDepthDB = 0 },
		func(l *engine.Limits) { l.NullOffsetHz = 0 },
		func(l *engine.Limits) { l.SumShortfallDB = 0 },
	} {
		some := site()
		open(&some.Limits)
		v, err := Judge(some, prediction(), fresh())
		if err == nil || !strings.HasPrefix(err.Error(), "limits: ") || v.Outcome == Proven {
			t.Errorf("limits %+v: %s, error %v", some.Limits, v.Outcome, err)
		}
	}
}

func TestPredictionMustCoverTheCaptures(t *testing.T) {
	short := prediction()
	short.Solos = short.Solos[:3]
	if _, err := Judge(site(), short, fresh()); err == nil || !strings.Contains(err.Error(), "prediction: nothing for output 4") {
		t.Errorf("three solos: error %v", err)
	}
	narrow := prediction()
	narrow.Solos[1].Rear.FreqHz, narrow.Solos[1].Rear.P = narrow.Solos[1].Rear.FreqHz[:20], narrow.Solos[1].Rear.P[:20] // to 58 Hz
	if _, err := Judge(site(), narrow, fresh()); err == nil || !strings.Contains(err.Error(), "no level at 60 Hz for output 2 (left front) alone at the rear") {
		t.Errorf("narrow: error %v", err)
	}
	still := prediction()
	still.Solos[0].Front.P = slices.Clone(still.Solos[0].Front.P)
	still.Solos[0].Front.P[6] = 0
	if _, err := Judge(site(), still, fresh()); err == nil || !strings.Contains(err.Error(), "no level at 32 Hz for output 1 (rear) alone at the front") {
		t.Errorf("still: error %v", err)
	}
	away := site()
	away.Target.Range = engine.Band{LowHz: 200, HighHz: 300}
	if _, err := Judge(away, prediction(), fresh()); err == nil || !strings.Contains(err.Error(), "no frequency inside the operating range 200 to 300 Hz") {
		t.Errorf("range: error %v", err)
	}
	finer := prediction() // a finer axis than the captures' will do
	for i := range finer.Solos {
		for _, c := range []*engine.Curve{&finer.Solos[i].Front, &finer.Solos[i].Rear} {
			var f []float64
			var p []complex128
			for k := range c.FreqHz {
				f, p = append(f, c.FreqHz[k]-1, c.FreqHz[k]+1e-8), append(p, 1, c.P[k])
			}
			c.FreqHz, c.P = f, p
		}
	}
	if v, err := Judge(site(), finer, fresh()); err != nil || v.Outcome != Proven {
		t.Errorf("finer axis: %s, %v", v.Outcome, err)
	}
}

func TestZeroValuesAreSafe(t *testing.T) {
	v, err := Judge(engine.Site{}, engine.Prediction{}, nil)
	if err != nil || v.Outcome != Undecided {
		t.Errorf("nothing judged as %+v, %v", v, err)
	}
	if _, err := Judge(engine.Site{}, engine.Prediction{}, fresh()); err == nil {
		t.Error("captures of another site were taken")
	}
}
