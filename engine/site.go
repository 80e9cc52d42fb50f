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

import (
	"fmt"
	"math"
	"slices"
)

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
	Name      string
	Row       Row
	At        Point   // acoustic centre: the middle of the cabinet's front face
	LevelDB   float64 // level relative to the site's other sources, same drive
	Output    int     // the processor output that feeds it
	FacingRad float64 // where the front face looks, counter-clockwise from +x
	Cabinet   string  // one of the site's cabinets; "" has no size and no direction
}

// Cabinet is a kind of loudspeaker: how much room it takes and where it plays.
type Cabinet struct {
	Name                    string
	WidthM, DepthM, HeightM float64
	Directivity             Directivity // the zero value plays the same in all directions
}

// Output is one processor channel that the site uses.
type Output struct {
	Number    int
	Label     string
	MaxGainDB float64 // nothing ever sets this output louder
	Group     string  // the group of the array it belongs to; "" where there is one only

	// Number counts the site's outputs through. Where they are found:
	Processor string // name of the processor; "" is the site's first
	Channel   int    // what that processor counts the output as; 0: the same as Number

	// AsPlaced outputs keep their delays against each other within their row:
	// BendSec, which shapes the row's wavefront (all 0 leaves it to the places).
	// The others are delayed to arrive together at the front microphone.
	AsPlaced bool
	BendSec  float64 // 0 or more
}

// Treatment says how the rows of a group are set against each other.
type Treatment string

// The treatments. All but plain match the rows' levels at the rear microphone.
const (
	TreatNull     Treatment = "null"     // timed to cancel exactly at the target, with the polarity that sums better in front
	TreatEndFire  Treatment = "end-fire" // timed to arrive together in front; the null is where the places put it
	TreatGradient Treatment = "gradient" // rear row reversed, timed to arrive together behind, at all frequencies
	TreatPlain    Treatment = "plain"    // no delay between the rows, no reversal, every output at its loudest
)

// Group is a part of the array that is treated by itself.
type Group struct {
	Name      string
	Treatment Treatment
}

// Wall is a rigid upright wall, a plane through two points without end in
// length or height. Everything stands and listens on one side of it.
type Wall struct {
	Name     string
	From, To Point
}

// Distance is how far a point is from the wall, in metres.
func (w Wall) Distance(p Point) float64 { return math.Abs(w.before(p)) }

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
	Weight  float64 // of a quiet zone against the others where an Aim weighs them; 0 counts as 1
}

// Target is what the array is wanted to do.
type Target struct {
	NullHz     float64 // frequency of the null at the rear microphone
	Range      Band    // operating range: where the sum in front must hold
	OpeningRad float64 // wanted opening angle (-6 dB) at NullHz; 0: none wanted
	SideLobeDB float64 // loudest side lobe allowed against the front, < 0; 0: -6 dB, the edge of coverage
}

// Aim asks for the best settings that a search can find, in place of the
// treatments: the mean over the range of the front microphone's level over the
// quiet zones' is made as great as the headroom allows.
type Aim struct {
	HeadroomDB float64 // headroom cost allowed at every frequency of the range, > 0
	Worst      bool    // the worst frequency and quiet point count instead of the mean
	EvennessDB float64 // most that the audience zones' levels may spread (5th to 95th percentile) at any frequency; 0: no limit
	HoldNull   bool    // the null at the rear microphone stays at the target as a condition
	Robust     bool    // judged over the errors of Tolerance instead of the perfect case
}

// Tolerance is how far the real rig may be from the site file: two standard
// deviations of independent normal errors, so 95 of 100 lie within.
type Tolerance struct {
	PositionM    float64 // of each source along each axis of the ground
	MicrophoneM  float64 // the same of each microphone
	LevelDB      float64 // of each source
	TemperatureC float64 // of the air
}

// Limits are what the measurement must clear before a change counts as proven.
// One that is 0 is open: it is worked out from the Tolerance once the site is
// solved (see package tolerance), and until then nothing can be judged.
type Limits struct {
	NullDepthDB    float64 // rear at least this far below front at the target, > 0
	NullOffsetHz   float64 // measured null within this of the target, > 0
	SumShortfallDB float64 // front sum at most this far below coherent, > 0
}

// Open reports whether one of them is still to be worked out.
func (l Limits) Open() bool {
	return l.NullDepthDB == 0 || l.NullOffsetHz == 0 || l.SumShortfallDB == 0
}

// SignalKind is what a test signal sounds like.
type SignalKind string

// The kinds. The zero value is SignalMultisine.
const (
	SignalMultisine SignalKind = "multisine" // all lines at once, again every period
	SignalSweep     SignalKind = "sweep"     // rising through the band, again every SweepPeriods periods
	SignalNoise     SignalKind = "noise"     // never the same again
)

// SweepPeriods is how many periods of the lines a sweep takes.
const SweepPeriods = 8

// TestSignal is what the captures are taken with. They are read at the multiples
// of 1/PeriodSec inside Band, which are the only frequencies that a multisine has.
type TestSignal struct {
	Kind      SignalKind
	PeriodSec float64
	Band      Band
}

// Series says which outputs are heard by themselves while measuring, beside all
// together: the more there are, the more can be said, and the longer it takes.
type Series string

// The series. The zero value is SeriesOutputs.
const (
	SeriesOutputs Series = "outputs" // each output
	SeriesRows    Series = "rows"    // each row
	SeriesBoth    Series = "both"    // each row, then each output
)

// Rows reports whether a series hears each row by itself.
func (s Series) Rows() bool { return s == SeriesRows || s == SeriesBoth }

// Outputs reports whether it hears each output by itself.
func (s Series) Outputs() bool { return s != SeriesRows }

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

// Wiring says which processor outputs belong to.
type Wiring struct {
	Name    string // what outputs call it by; "" for the site's first
	Profile string // name of a processor profile
	Address string // host:port the processor listens at
}

// Site describes one job. It is read once, checked by Problems and never
// changed afterwards.
type Site struct {
	Job         string
	Air         Air
	Ground      float64 // pressure reflection of the plane z = 0, from 0 (none, free space) to 1 (rigid)
	Walls       []Wall
	Target      Target
	Limits      Limits
	Tolerance   Tolerance
	Aim         *Aim // nil: the groups' treatments set the outputs
	TestSignal  TestSignal
	Series      Series
	Wiring      Wiring    // the first processor
	Further     []Wiring  // the others, by their names
	Groups      []Group   // none: one group, treated for the null
	Outputs     []Output  // ascending by number
	Cabinets    []Cabinet // the kinds that the sources name
	Sources     []Source
	Microphones []Microphone
	Zones       []Zone
}

// Wirings lists every processor of the site, the first one first.
func (s Site) Wirings() []Wiring { return append([]Wiring{s.Wiring}, s.Further...) }

// On lists the outputs of one processor, ascending.
func (s Site) On(processor string) []Output {
	var on []Output
	for _, o := range s.Outputs {
		if o.Processor == processor {
			on = append(on, o)
		}
	}
	return on
}

// RowOutputs are the outputs that feed a row, ascending.
func (s Site) RowOutputs(row Row) []int {
	var outputs []int
	for _, o := range s.Outputs {
		if slices.ContainsFunc(s.Sources, func(src Source) bool { return src.Row == row && src.Output == o.Number }) {
			outputs = append(outputs, o.Number)
		}
	}
	return outputs
}

// Title names the output for a person: "output 3 (centre front)", or "output 3"
// where it has no label.
func (o Output) Title() string {
	if o.Label == "" {
		return fmt.Sprintf("output %d", o.Number)
	}
	return fmt.Sprintf("output %d (%s)", o.Number, o.Label)
}

// OnChannel is what the output's processor counts it as.
func (o Output) OnChannel() int {
	if o.Channel == 0 {
		return o.Number
	}
	return o.Channel
}

// Cabinet finds a kind of cabinet by its name.
func (s Site) Cabinet(name string) (Cabinet, bool) {
	for _, c := range s.Cabinets {
		if c.Name == name {
			return c, true
		}
	}
	return Cabinet{}, false
}

// Treatment is how a group of outputs is treated, TreatNull where the site
// does not say.
func (s Site) Treatment(group string) Treatment {
	for _, g := range s.Groups {
		if g.Name == group {
			return g.Treatment
		}
	}
	return TreatNull
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
