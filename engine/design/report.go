// Package design does the sums a system engineer does by hand when an array is
// set up (spacings, arc, forward offset, levels, what each treatment costs)
// and gives each answer with its reason.
package design

import (
	"hushback/engine"
	"hushback/engine/coverage"
)

// Report is everything there is to say about one site before anything is sent.
// All of it follows from the site and the processor's ranges.
type Report struct {
	Site       engine.Site
	Sheet      engine.Sheet
	Prediction engine.Prediction
	Findings   []Finding // what was worked out, in the order a reader wants it
	Warnings   []Finding // what should be changed, or at least known
	Openings   []coverage.Opening
	Triangle   *Triangle // nil without a bent front row and a rear one
	Zones      []Zone
	Sides      []Sides // only of an array with a left and a right
	Treated    []Treated
}

// Finding is one number with what it means. The text is one or two plain
// sentences that name the value, its unit, its reason and, where there is
// one, the rule or source.
type Finding struct {
	Key   string  // stable name for programs: "depth-spacing"
	Value float64 // SI; NaN-free. Meaningless where Unit is "", the text says it all
	Unit  string  // "m", "Hz", "dB", "°", "s" or ""
	Text  string
}

// Triangle is how the forward offset of a bent front row was found. The rear
// source, the front row's foremost point and an outer source are its corners.
type Triangle struct {
	NullBeforeHz float64 // with the row where the site says, were it moved back by OffsetM
	NullAfterHz  float64
	DepthM       float64 // rear source to the row's foremost point, before
	OuterM       float64 // rear source to the outer source along the axis, before
	AsideM       float64 // the outer source's distance from the axis
	OffsetM      float64 // the whole front row goes forward by this
}

// Zone is what one zone hears over the operating range (energy mean over its
// points and over the range), against the audience for a quiet one.
type Zone struct {
	Name     string
	Kind     engine.ZoneKind
	MeanDB   float64 // audience: against every source arriving in phase at its loudest; quiet: below the audience's mean, negative is quieter
	SpreadDB float64 // audience: between the 5th and the 95th percentile of its points
	WorstDB  float64 // audience: deepest dip against its mean; quiet: loudest point against the audience's mean
	WorstAt  engine.Point
	WorstHz  float64
}

// Sides is the interplay of a left and a right at one frequency: where along
// the width of the audience the two cancel, and how deep.
type Sides struct {
	FreqHz float64
	DipDB  float64 // against the level on the axis at the same distance
	DipAt  engine.Point
}

// Treated is what one treatment does with the cabinets where they stand.
type Treated struct {
	Treatment      engine.Treatment
	Sheet          engine.Sheet
	RejectionDB    []float64 // front over rear microphone at FreqHz, positive is quieter behind
	SumDB          []float64 // front sum against every output arriving in phase, at FreqHz
	FreqHz         []float64
	WorstRejectDB  float64 // within the range
	MeanRejectDB   float64 // power mean of rear over front, within the range
	HeadroomCostDB float64
	FirstNotchHz   float64 // lowest frequency of a dip in front; 0: none up to the band's end
	NotchInRangeDB float64 // how far down the front is at the worst place of the range
	Shift10CmDB    float64 // rejection at the target lost when the rear row stands 10 cm off
	Shift10CDB     float64 // the same when the air is 10 °C warmer
}

// Named is a site under the name of its layout or treatment.
type Named struct {
	Name string
	Site engine.Site
}

// Comparison sets treatments or layouts side by side.
type Comparison struct {
	Names   []string
	Reports []Report
}
