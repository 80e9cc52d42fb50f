// Package engine holds the nouns that every other package shares: the site
// (what stands where), the sheet (what each processor output is set to) and
// the prediction (what the microphones should then hear).
//
// Conventions, everywhere in hushback: SI units; decibels only where a person
// reads or writes a value; x points to the audience, y to the left, z up;
// angles counter-clockwise from +x. The time factor is e^{+jωt}, so a delay τ
// is e^{-jωτ} and a point source in free space is e^{-jkr}/r. Polarity is ±1.
//
// The package is pure: no I/O, no clock, no logging.
package engine

import "math"

// Point is a position in metres.
type Point struct{ X, Y, Z float64 }

// Distance is the straight line between p and q, in metres.
func (p Point) Distance(q Point) float64 {
	return math.Sqrt((p.X-q.X)*(p.X-q.X) + (p.Y-q.Y)*(p.Y-q.Y) + (p.Z-q.Z)*(p.Z-q.Z))
}

// Band is a closed range of frequencies in hertz.
type Band struct{ LowHz, HighHz float64 }

// Contains reports whether f lies in the band, ends included.
func (b Band) Contains(f float64) bool { return f >= b.LowHz && f <= b.HighHz }

// Air is what sets the speed of sound.
type Air struct {
	TemperatureC float64 // degrees Celsius
	Humidity     float64 // relative, 0 to 1
	PressurePa   float64 // pascals
}

// Row says which part of the array a source belongs to. Level is matched
// between the rows behind the array, phase between them in front of it.
type Row string

// The rows of an array with depth.
const (
	RowFront Row = "front" // nearest the audience
	RowRear  Row = "rear"  // behind, there to cancel backwards
)

// Source is one loudspeaker, or one stack that acts as one, seen as a point.
type Source struct {
	Name    string
	Row     Row
	At      Point   // acoustic centre
	LevelDB float64 // level relative to the site's other sources, same drive
	Output  int     // the processor output that feeds it
}

// Output is one processor channel that the site uses.
type Output struct {
	Number    int
	Label     string
	MaxGainDB float64 // nothing ever sets this output louder
}

// Role says what a microphone is there to prove.
type Role string

// The two places that the loop listens at.
const (
	RoleFront Role = "front" // where the array must sum
	RoleRear  Role = "rear"  // where it must cancel
)

// Microphone is one measuring position.
type Microphone struct {
	Name string
	Role Role
	At   Point
}

// ZoneKind says what a zone is for.
type ZoneKind string

// The kinds of zone.
const (
	ZoneAudience ZoneKind = "audience" // wants level
	ZoneQuiet    ZoneKind = "quiet"    // wants none
)

// Zone is a flat polygon of ground; its corners share one height.
type Zone struct {
	Name    string
	Kind    ZoneKind
	Corners []Point
}

// Target is what the array is wanted to do.
type Target struct {
	NullHz float64 // frequency of the null at the rear microphone
	Range  Band    // operating range: where the sum in front must hold
}

// Limits are what the measurement must clear before a change counts as proven.
type Limits struct {
	NullDepthDB    float64 // rear at least this far below front at the target, > 0
	NullOffsetHz   float64 // measured null within this of the target, > 0
	SumShortfallDB float64 // front sum at most this far below coherent, > 0
}

// TestSignal is the periodic multisine that the captures are taken with: one
// sine at every multiple of 1/PeriodSec inside Band.
type TestSignal struct {
	PeriodSec float64
	Band      Band
}

// SampleRate is the rate, in samples per second, that test signal and captures
// run at.
const SampleRate = 48000

// Lines lists the frequencies of the test signal's sines in hertz, ascending.
// They are the axis that prediction and measurement share. A signal that
// Problems refuses may have none.
func (t TestSignal) Lines() []float64 {
	const nearly = 1e-9 // so that 20 Hz at 0.5 s is line 10 and not just missed
	low := math.Ceil(t.Band.LowHz*t.PeriodSec - nearly)
	high := math.Floor(t.Band.HighHz*t.PeriodSec + nearly)
	if !(t.PeriodSec > 0) || !(high-low < SampleRate) {
		return nil
	}
	var lines []float64
	for k := math.Max(1, low); k <= high; k++ {
		lines = append(lines, k/t.PeriodSec)
	}
	return lines
}

// Wiring says which processor the outputs belong to.
type Wiring struct {
	Profile string // name of a processor profile
	Address string // host:port the processor listens at
}

// Site describes one job. It is read once, checked by Problems and never
// changed afterwards.
type Site struct {
	Job         string
	Air         Air
	Target      Target
	Limits      Limits
	TestSignal  TestSignal
	Wiring      Wiring
	Outputs     []Output // ascending by number
	Sources     []Source
	Microphones []Microphone
	Zones       []Zone
}

// OutputNumbers lists the outputs the site uses, ascending.
func (s Site) OutputNumbers() []int {
	numbers := make([]int, len(s.Outputs))
	for i, o := range s.Outputs {
		numbers[i] = o.Number
	}
	return numbers
}

// Output finds an output by its number.
func (s Site) Output(number int) (Output, bool) {
	for _, o := range s.Outputs {
		if o.Number == number {
			return o, true
		}
	}
	return Output{}, false
}

// Fed lists the sources wired to an output.
func (s Site) Fed(output int) []Source {
	var fed []Source
	for _, src := range s.Sources {
		if src.Output == output {
			fed = append(fed, src)
		}
	}
	return fed
}

// Microphone finds the microphone with a role; Problems makes sure that each
// role has exactly one.
func (s Site) Microphone(role Role) (Microphone, bool) {
	for _, m := range s.Microphones {
		if m.Role == role {
			return m, true
		}
	}
	return Microphone{}, false
}
