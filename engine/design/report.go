// Package design does the sums a system engineer does by hand when an array is
// set up (spacings, arc, forward offset, levels, what each treatment costs)
// and gives each answer with its reason.
package design

import (
	"hushback/engine"
	"hushback/engine/band"
	"hushback/engine/coverage"
	"hushback/engine/design/places"
)

// Report is everything there is to say about one site before anything is sent.
// All of it follows from the site and the processor's ranges.
type Report struct {
	Site       engine.Site
	Sheet      engine.Sheet
	Prediction engine.Prediction
	Own        Treated            // Sheet, judged like the treatments; its Treatment is "" where the groups differ or an Aim sets the outputs
	Findings   []Finding          // what was worked out, in the order a reader wants it
	Warnings   []Finding          // what should be changed, or at least known
	Openings   []coverage.Opening // ascending, bottom and top of the range and the target among them
	Triangles  []Triangle         // one for each bent front row with a rear one behind it
	Zones      []Zone             // in the site's order
	Bands      []band.Level       // by thirds of an octave in the range, ascending
	Sides      []Sides            // only of an array with a left and a right
	Treated    []Treated          // null, end-fire, gradient, plain: those that the processor can be set to
}

// Finding is one number with what it means. The text is one or two plain
// sentences that name the value, its unit, its reason and, where there is
// one, the rule or source.
type Finding struct {
	Key   string  `json:"key"`   // stable name for programs: "depth-spacing"
	Value float64 `json:"value"` // in Unit. Never NaN or infinite; 0 and without meaning where Unit is "", the text says it all
	Unit  string  `json:"unit"`  // "m", "Hz", "dB", "°", "s" or ""
	Text  string  `json:"text"`
}

// Triangle is how the forward offset of a bent front row was found. The
// rearmost source, the front row's foremost point and an outer source of it are
// its corners. Nulls are those at the rear microphone of the end-fire as this
// program sets it, whose rows arrive together in front in the mean; those by
// tape of one whose front row waits for the way from the rear source to its
// foremost point, as it is set up by hand.
type Triangle struct {
	Array        string  `json:"array"`          // the part of the array, "" where there is one only
	StraightHz   float64 `json:"straight_hz"`    // null of the same depth with a straight front row and far microphones, c/4d
	NullBeforeHz float64 `json:"null_before_hz"` // null with the row where the site says
	NullAfterHz  float64 `json:"null_after_hz"`  // null once the whole row has gone forward by OffsetM
	DepthM       float64 `json:"depth_m"`        // rear source to the row's foremost point, along the axis, as the site says
	OuterM       float64 `json:"outer_m"`        // rear source to the outer source along the axis, as the site says
	AsideM       float64 `json:"aside_m"`        // outer source from the axis
	SlantM       float64 `json:"slant_m"`        // rear source to the outer source, straight, as the site says
	OffsetM      float64 `json:"offset_m"`       // the whole front row goes forward by this; negative: back
	SlantAfterM  float64 `json:"slant_after_m"`  // rear source to the outer source once the row is there

	TapeBeforeHz float64 `json:"tape_before_hz"` // the same by tape
	TapeAfterHz  float64 `json:"tape_after_hz"`  // once the row has gone forward by TapeOffsetM
	TapeOffsetM  float64 `json:"tape_offset_m"`
}

// Zone is what one zone hears over the operating range, Sides the interplay of a
// left and a right along the width of the audience.
type (
	Zone  = places.Zone
	Sides = places.Sides
)

// Treated is what one sheet does with the cabinets where they stand.
type Treated struct {
	Treatment      engine.Treatment `json:"treatment"`
	Sheet          engine.Sheet     `json:"sheet"`
	FreqHz         []float64        `json:"freq_hz"`               // the lines of the test signal
	RejectionDB    []float64        `json:"rejection_db"`          // front over rear microphone, positive is quieter behind
	SumDB          []float64        `json:"sum_db"`                // front sum against every output arriving in phase; 0 or less
	NullHz         float64          `json:"null_hz"`               // where the rejection is greatest, within the range
	NullDepthDB    float64          `json:"null_depth_db"`         // rear over front there, negative is quieter behind
	AtTargetDB     float64          `json:"at_target_db"`          // rear over front at the target
	WorstRejectDB  float64          `json:"worst_rejection_db"`    // least rejection within the range
	MeanRejectDB   float64          `json:"mean_rejection_db"`     // power mean of rear over front within the range, as a rejection
	HeadroomCostDB float64          `json:"headroom_cost_db"`      // front sum below everything at its loudest in phase, worst in the range
	FirstNotchHz   float64          `json:"first_notch_hz"`        // lowest frequency, from the bottom of the range, of a dip in front of 6 dB or more; 0: none up to 300 Hz
	FirstNotchDB   float64          `json:"first_notch_db"`        // the front sum there against every output arriving in phase, 0 or less
	NotchInRangeDB float64          `json:"notch_in_range_db"`     // how far down the front sum is at the worst place of the range, 0 or more
	NotchInRangeHz float64          `json:"notch_in_range_hz"`     // where that is
	LeftAt10CmDB   float64          `json:"left_at_10_cm_db"`      // rejection at the target that is left when the rear row stands 10 cm off
	LeftAt10CDB    float64          `json:"left_at_10_degrees_db"` // the same when the air is 10 °C off; the worse of warmer and colder
}

// Named is a site under the name of its layout or treatment.
type Named struct {
	Name string
	Site engine.Site
}

// Comparison sets treatments or layouts side by side, in the order given.
type Comparison struct {
	Names   []string
	Reports []Report
}

// Row is one line of a comparison's table: one value for each name.
type Row struct {
	Key    string    `json:"key"`   // stable name for programs: "null-frequency"
	Label  string    `json:"label"` // for people
	Unit   string    `json:"unit"`  // "Hz", "dB" or "°"
	Values []float64 `json:"values"`
	Has    []bool    `json:"has"` // false: there is no such value, as of a notch that is not there
}
