package verify

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"hushback/verify/transfer"
)

// The closed form against gonum's F distribution, and its limit for many
// averages against the Rayleigh distribution's.
func TestRadiusIsFishersF(t *testing.T) {
	for _, degrees := range []float64{1, 2, 4, 10, 31.7, 200} {
		for _, miss := range []float64{0.1, 0.01, 1e-4} {
			q := radius(degrees, miss)
			if got := 1 - (distuv.F{D1: 2, D2: degrees}).CDF(q*q/2); math.Abs(got-miss) > 1e-9 {
				t.Errorf("%g degrees: radius %g is missed with chance %g, want %g", degrees, q, got, miss)
			}
		}
	}
	if got, want := radius(1e9, 0.01), math.Sqrt(-2*math.Log(0.01)); math.Abs(got-want) > 1e-6 {
		t.Errorf("radius for a known Sigma %.7f, want %.7f", got, want)
	}
}

// By simulation with as few averages as a solo has.
func TestRadiusMissesAsOftenAsItSays(t *testing.T) {
	const seed, trials, averages, miss = 3, 20000, 3, 0.05
	rng := rand.New(rand.NewPCG(seed, 1))
	f := transfer.Function{Averages: averages, Sigma: make([]float64, 1)}
	missed := 0
	for range trials {
		var square float64
		for range 2 * (averages - 1) {
			v := rng.NormFloat64()
			square += v * v
		}
		f.Sigma[0] = math.Sqrt(square / f.DegreesOfFreedom())
		if math.Hypot(rng.NormFloat64(), rng.NormFloat64()) > reach(f, miss)[0] {
			missed++
		}
	}
	if share := float64(missed) / trials; math.Abs(share-miss) > 0.006 { // four binomial standard errors
		t.Errorf("seed %d: missed in %.4f of the trials, want %g", seed, share, miss)
	}
}

func TestOutcomes(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		low, high, limit float64
		most, both       Outcome
	}{
		{-1, 1, 2, Proven, Proven},
		{-1, 2, 2, Proven, Proven},
		{-1, 3, 2, Undecided, Undecided},
		{2, 3, 2, Undecided, Undecided},
		{2.1, 3, 2, Refuted, Refuted},
		{-9, -3, 2, Proven, Refuted},
		{-9, 1, 2, Proven, Undecided},
		{-inf, 1, 2, Proven, Undecided},
		{-inf, inf, 2, Undecided, Undecided},
		{3, inf, 2, Refuted, Refuted},
		{nan, nan, 2, Undecided, Undecided},
		{0, 1, nan, Undecided, Undecided},
	} {
		if got := atMost(c.low, c.high, c.limit); got != c.most {
			t.Errorf("%g to %g, at most %g: %s, want %s", c.low, c.high, c.limit, got, c.most)
		}
		if got := within(c.low, c.high, c.limit); got != c.both {
			t.Errorf("%g to %g, within %g: %s, want %s", c.low, c.high, c.limit, got, c.both)
		}
	}
}

func TestConclude(t *testing.T) {
	claims := func(outcomes ...Outcome) (list []Claim) {
		for _, o := range outcomes {
			list = append(list, Claim{Outcome: o, Sentence: string(o)})
		}
		return list
	}
	for _, c := range []struct {
		promises, claims []Claim
		want             Outcome
		reasons          int
	}{
		{claims(Proven, Proven), claims(Proven), Proven, 2},
		{claims(Proven), claims(Undecided), Undecided, 1},
		{claims(Refuted, Undecided), claims(Proven), Refuted, 2},
		{claims(Undecided), claims(Refuted, Undecided), Refuted, 3},
		{nil, claims(Undecided), Undecided, 1},
	} {
		if v := conclude(c.promises, c.claims, prediction().Summary); len(v.Claims) != len(c.promises)+len(c.claims) || v.Outcome != c.want || len(v.Reasons) != c.reasons {
			t.Errorf("%v: %s with %d reasons, want %s with %d", c.claims, v.Outcome, len(v.Reasons), c.want, c.reasons)
		}
	}
}

func TestLevelsAgainstEachOther(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		low, high float64
		want      string
	}{
		{-42.7, -41.2, "between 41.2 and 42.7 dB"},
		{-inf, -41.2, "at least 41.2 dB below"},
		{-1, 2, "1.0 dB below to 2.0 dB above"},
		{-1, inf, "above -1.0 dB"},
		{-inf, inf, "it could be anything"},
	} {
		if got := betweenLevels(c.low, c.high); got != c.want {
			t.Errorf("%g to %g: %q, want %q", c.low, c.high, got, c.want)
		}
	}
}

func TestSpelling(t *testing.T) {
	inf := math.Inf(1)
	for want, got := range map[string]string{
		"between -3.2 and 4.0 dB":    between(-3.2, 4, 1, "dB"),
		"below 4.00 Hz":              between(-inf, 4, 2, "Hz"),
		"above 0.0 dB":               between(-0.04, inf, 1, "dB"),
		"it could be anything":       between(-inf, inf, 1, "dB"),
		"between -0.2 and 0.0 dB":    between(-0.11, -0.09, 1, "dB"),
		"between 48.07 and 48.08 Hz": between(48.071, 48.074, 2, "Hz"),
		"between 0.29 and 0.58 dB":   between(0.29, 0.58, 2, "dB"),
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if got := median([]float64{9, 1, 5}); got != 5 {
		t.Errorf("median of 9, 1, 5 is %g", got)
	}
	if got := median([]float64{9, 1, 5, 2}); got != 3.5 {
		t.Errorf("median of 9, 1, 5, 2 is %g", got)
	}
	if got := median(nil); got != 0 {
		t.Errorf("median of nothing is %g", got)
	}
}
