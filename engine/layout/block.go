// Package layout turns a few lines that describe an array (an arc of three, a
// row behind it) into the places of its cabinets, and those into a list to
// stake them out by.
package layout

import "hushback/engine"

// Shape is how the cabinets of one row stand.
type Shape string

// The shapes of a row.
const (
	Single     Shape = "single"      // one cabinet
	Line       Shape = "line"        // straight, side by side
	Arc        Shape = "arc"         // on a circle, the middle foremost, all facing as the block does
	DelayedArc Shape = "delayed-arc" // straight, bent by delay to sound like the arc
	Free       Shape = "free"        // each cabinet where it is said to be
)

// Layout is one way to set up the array: blocks that play together.
type Layout struct {
	Name   string
	Blocks []Block
}

// Block is a row of cabinets, its copies behind it, and how they are driven.
type Block struct {
	Name      string
	At        engine.Point // middle of the front row; of an arc, its foremost point
	FacingRad float64
	Mirrored  bool // a second one on the other side of the x axis, turned the other way
	Cabinet   string
	LevelDB   float64

	Shape    Shape
	Count    int     // cabinets in the row
	SpacingM float64 // between neighbours, in a straight line
	ArcRad   float64 // of the arc, between its outermost cabinets

	Depth     int     // rows, the front one included; 0 and 1: no depth
	DepthM    float64 // from row to row
	RowCount  int     // cabinets in each further row; 0: as in the front row
	ForwardM  float64 // the front row is moved forward by this (see design: it brings the null of an arc back)
	Treatment engine.Treatment

	Free []engine.Source // of a Free block: name, row, place and so on; outputs are given here too

	FirstOutput int  // outputs are numbered from here
	PerRow      bool // one output for each row instead of one for each cabinet
	MaxGainDB   float64
}
