// Package verify says whether a rig does what its sheet promised: captures go
// in, a verdict comes out. It is pure; time and samples are handed to it.
package verify

import (
	"fmt"
	"time"

	"hushback/engine"
	"hushback/verify/transfer"
)

// Everything, as a Capture's Solo, means that no output was muted.
const Everything = 0

// Capture is one transfer function from the reference to one microphone,
// taken while one sheet stood and one set of outputs was open.
type Capture struct {
	Microphone  string
	Role        engine.Role
	Solo        int        // the one open output; Everything, too, when a row was open
	Row         engine.Row // the one open row, with Solo at Everything; "" for all rows
	SheetDigest string     // engine.Sheet.Digest of what stood on the processor
	Taken       time.Time
	Air         engine.Air // as far as it was known then

	// Pure delays already taken out of Function: the arrival that the site
	// predicts at this microphone, and on top of it what the processor and the
	// converters take, found once and the same for every capture of a series.
	DelaySec, LatencySec float64

	Function transfer.Function
}

// Subject is the capture in words: "output 3 (centre front) alone at the rear
// microphone".
func (c Capture) Subject(site engine.Site) string {
	what := everythingOpen
	switch {
	case c.Row != "":
		what = fmt.Sprintf("the %s row alone", c.Row)
	case c.Solo != Everything:
		output, _ := site.Output(c.Solo)
		output.Number = c.Solo // also of one that the site does not have
		what = output.Title() + " alone"
	}
	return at(what, c.Role)
}

// Outcome is proven, refuted or undecided.
type Outcome string

// The outcomes. Only Proven may be kept without a person deciding.
const (
	Proven    Outcome = "proven"
	Refuted   Outcome = "refuted"
	Undecided Outcome = "undecided"
)

// ConfidencePercent is how sure the interval is that a claim is decided by. At 90 %
// one rig in twenty that lies on a limit would be proven falsely.
const ConfidencePercent = 99

// NullDepth names the claim that is made whenever the signal was good enough to
// say anything of the array.
const NullDepth = "null depth"

// Claim is one thing the sheet promised, held against what was measured.
type Claim struct {
	Name      string // "null depth", "null frequency", "sum in front", ... (see Judge)
	Outcome   Outcome
	Unit      string // "dB", "Hz" or "°"
	Value     float64
	Low, High float64    // ConfidencePercent interval of Value, by which it is decided; may be ±Inf
	Likely    [2]float64 // LikelyPercent interval, low and high
	Limit     float64
	Margin    float64  // how far Value is on the good side of Limit, in Unit
	Sentence  string   // one plain sentence with the numbers, for a person
	Decide    string   // of an undecided claim: what would decide it
	Evidence  []string // the captures that it rests on

	kind kind
}

// Verdict is the judgement of one change.
type Verdict struct {
	Outcome Outcome
	Claims  []Claim
	Reasons []string       // the sentences of the claims that do not hold; for Proven, of the promises kept
	Summary engine.Summary // as measured; zero when there was nothing to measure it from
}
