package verify

import (
	"fmt"
	"math"
	"math/cmplx"

	"hushback/engine"
)

// array.go judges the array as a whole: the null and the sum.

// ratio is rear over front at every frequency of the axis. Of (a+eA)/(b+eB) - a/b
// = (eA - eB·a/b)/(b+eB) the errors eA and eB make the standard error; b counts as
// two of its own too small.
func (e *evidence) ratio() values {
	front, rear := e.everything.front.Function, e.everything.rear.Function
	v := values{freq: e.freq, degrees: math.Min(front.DegreesOfFreedom(), rear.DegreesOfFreedom()), tied: front.Tied || rear.Tied}
	for i := range e.freq {
		z, rest := rear.H[i]/front.H[i], cmplx.Abs(front.H[i])-2*front.Sigma[i]
		sigma := math.Inf(1)
		if rest > 0 {
			sigma = math.Hypot(rear.Sigma[i], front.Sigma[i]*cmplx.Abs(z)) / rest
		}
		v.z, v.sigma = append(v.z, z), append(v.sigma, sigma)
	}
	return v
}

// smoothed is the ratio, at every frequency read off the lines around it.
func (e *evidence) smoothed() []fit {
	v := e.ratio()
	for i := len(e.fits); i < len(e.freq); i++ {
		e.fits = append(e.fits, v.read(e.freq[i]))
	}
	return e.fits
}

// behind is the curve at the rear microphone that the smoothed ratio makes of the
// one in front.
func (e *evidence) behind() engine.Curve {
	c := engine.Curve{FreqHz: e.freq}
	front, rear := e.everything.front.Function, e.everything.rear.Function
	for i, p := range e.smoothed() {
		c.P = append(c.P, p.value*front.H[i])
		if cmplx.IsNaN(c.P[i]) { // nothing in front, which Summarise has words for
			c.P[i] = rear.H[i]
		}
	}
	return c
}

// asDeepAsNoiseTells holds the depth of the measured null at what the noise
// and the shape of the curve let anybody say: a line through noisy values of a
// bent curve may cross 0 by chance.
func (e *evidence) asDeepAsNoiseTells(s engine.Summary) engine.Summary {
	p := e.ratio().read(s.NullHz)
	s.NullDepthDB = math.Max(math.Max(s.NullDepthDB, engine.DB(cmplx.Abs(p.value))), engine.DB(p.radius(e.doubt/2)))
	return s
}

func (e *evidence) nullDepth(s engine.Summary) Claim {
	target := e.site.Target.NullHz
	p := e.ratio().read(target)
	depth := cmplx.Abs(p.value)
	c := Claim{
		Name: NullDepth, Unit: "dB", Value: s.AtTargetDB, Limit: -e.site.Limits.NullDepthDB,
		Low:  math.Min(s.AtTargetDB, decibels(depth-p.radius(e.doubt/2))),
		High: math.Max(s.AtTargetDB, decibels(depth+p.below(e.doubt/2))),
	}
	c.Outcome = atMost(c.Low, c.High, c.Limit)
	c.Sentence = fmt.Sprintf("at %.1f Hz the rear is %s the front (%s); at least %.1f dB below are wanted",
		target, against(c.Value), betweenLevels(c.Low, c.High), -c.Limit)
	return c
}

// nullFrequency judges where rear over front is lowest inside the range. The
// place is as uncertain as z along its own slope there; every other frequency
// that may be the lowest for all the noise tells widens the interval to itself.
func (e *evidence) nullFrequency(s engine.Summary) Claim {
	fits := e.smoothed()
	near := e.doubt / 4                        // half for the place, which is missed on either side,
	far := e.doubt / float64(2*len(e.inRange)) // and half for all its rivals
	size := func(i int) float64 { return cmplx.Abs(fits[i].value) }
	lowest := e.inRange[0]
	for _, i := range e.inRange {
		if size(i) < size(lowest) {
			lowest = i
		}
	}
	i := min(max(lowest, 1), len(fits)-2)
	null, slope := e.turningPoint(fits, i)
	slope -= (fits[i-1].below(near) + fits[i+1].below(near)) / (e.freq[i+1] - e.freq[i-1])
	half := math.Inf(1)
	if slope > 0 {
		half = math.Max(fits[i-1].below(near), math.Max(fits[i].below(near), fits[i+1].below(near))) / slope
	}
	low, high := math.Min(null-half, s.NullHz), math.Max(null+half, s.NullHz)
	for _, j := range e.inRange {
		if (j < i-1 || j > i+1) && size(j)-fits[j].radius(far) <= size(lowest)+fits[lowest].radius(far) {
			low, high = math.Min(low, e.freq[j]), math.Max(high, e.freq[j])
		}
	}
	target := e.site.Target
	low, high = math.Max(low, target.Range.LowHz), math.Min(high, target.Range.HighHz)
	c := Claim{
		kind: isWithin, Name: "null frequency", Unit: "Hz", Limit: e.site.Limits.NullOffsetHz,
		Value: s.NullHz - target.NullHz, Low: low - target.NullHz, High: high - target.NullHz,
	}
	c.Outcome = within(c.Low, c.High, c.Limit)
	c.Sentence = fmt.Sprintf("the rear is quietest against the front at %.2f Hz (%s); wanted within %.2f Hz of %.1f Hz",
		s.NullHz, between(low, high, 2, c.Unit), c.Limit, target.NullHz)
	return c
}

// turningPoint is where the parabola around index i comes closest to 0 within
// its three values and the range, and how fast it moves through the plane there.
func (e *evidence) turningPoint(fits []fit, i int) (null, slope float64) {
	const steps = 1000
	from := math.Max(e.freq[i-1], e.site.Target.Range.LowHz)
	to := math.Min(e.freq[i+1], e.site.Target.Range.HighHz)
	v := values{freq: e.freq[i-1 : i+2]}
	for _, p := range fits[i-1 : i+2] {
		v.z, v.sigma = append(v.z, p.value), append(v.sigma, p.sigma)
	}
	parabola := func(f float64) complex128 { return v.parabola(f).value }
	null = from
	for k := range steps + 1 {
		f := from + (to-from)*float64(k)/steps
		if cmplx.Abs(parabola(f)) < cmplx.Abs(parabola(null)) {
			null = f
		}
	}
	span := e.freq[i+1] - e.freq[i-1]
	return null, cmplx.Abs(parabola(null+span/4)-parabola(null-span/4)) / (span / 2)
}

func (e *evidence) sum(s engine.Summary) Claim {
	miss := e.doubt / float64(len(e.inRange)*(1+len(e.parts)))
	front := e.everything.front.Function
	frontReach := reach(front, miss)
	soloReach := make([]float64, len(e.freq)) // of the coherent sum
	for _, p := range e.parts {
		for i, r := range reach(p.front.Function, miss) {
			soloReach[i] = math.Hypot(soloReach[i], r)
		}
	}
	coherent := e.coherent()
	c := Claim{
		Name: "sum in front", Unit: "dB", Value: s.SumShortfallDB, Limit: e.site.Limits.SumShortfallDB,
		Low: math.Inf(-1), High: math.Inf(-1),
	}
	for _, i := range e.inRange {
		level := cmplx.Abs(front.H[i])
		c.Low = math.Max(c.Low, decibels((coherent[i]-soloReach[i])/(level+frontReach[i])))
		c.High = math.Max(c.High, decibels((coherent[i]+soloReach[i])/math.Max(0, level-frontReach[i])))
	}
	c.Outcome = atMost(c.Low, c.High, c.Limit)
	where := ""
	if c.Outcome != Proven { // of a sum that holds, the noise picks the place
		where = fmt.Sprintf(", at %.1f Hz", s.ShortfallAtHz)
	}
	c.Sentence = fmt.Sprintf("in front the sum falls up to %.2f dB short of all outputs in phase%s (%s); at most %.2f dB are wanted",
		c.Value, where, between(c.Low, c.High, 2, c.Unit), c.Limit)
	return c
}

// between spells an interval; an end that is not finite is left out.
func between(low, high float64, digits int, unit string) string {
	switch noLow, noHigh := math.IsInf(low, -1), math.IsInf(high, 1); {
	case noLow && noHigh:
		return "it could be anything"
	case noLow:
		return fmt.Sprintf("below %s %s", engine.Fixed(high, digits), unit)
	case noHigh:
		return fmt.Sprintf("above %s %s", engine.Fixed(low, digits), unit)
	}
	// Outwards, so that what is read never promises more than what was found.
	scale := math.Pow10(digits)
	from, to := math.Floor(low*scale+rounding)/scale, math.Ceil(high*scale-rounding)/scale
	return fmt.Sprintf("between %s and %s %s", engine.Fixed(from, digits), engine.Fixed(to, digits), unit)
}

// rounding is what the last bits of a number may add to it, in last digits shown.
const rounding = 1e-6

// against says a level relative to another in words.
func against(db float64) string {
	if db > 0 {
		return engine.Fixed(db, 1) + " dB above"
	}
	return engine.Fixed(-db, 1) + " dB below"
}

// betweenLevels spells an interval of levels relative to another.
func betweenLevels(low, high float64) string {
	switch {
	case math.IsInf(high, 1):
		return between(low, high, 1, "dB")
	case high <= 0 && math.IsInf(low, -1):
		return fmt.Sprintf("at least %s dB below", engine.Fixed(-high, 1))
	case high <= 0:
		return between(-high, -low, 1, "dB")
	}
	return fmt.Sprintf("%s to %s", against(low), against(high))
}
