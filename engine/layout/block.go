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
// In brackets: how a Problem's path spells a field where the name differs.
type Block struct {
	Name      string       // also the name of the group it becomes
	At        engine.Point // middle of the front row; of an arc, the line its foremost cabinets stand on
	FacingRad float64      // [facing] of the whole block: its rows stand square to it
	Mirrored  bool         // a second one on the other side of the x axis, turned the other way; At is left
	Cabinet   string       // "" has no size and no direction
	LevelDB   float64      // [level] of each cabinet, same drive

	Shape    Shape
	Count    int     // cabinets in the front row; of a Single 0 or 1
	SpacingM float64 // [spacing] between neighbours, in a straight line
	ArcRad   float64 // [arc] of the arc, between its outermost cabinets

	Depth     int              // [rows] rows, the front one included; 0 and 1: no depth
	DepthM    float64          // [depth] from row to row
	RowCount  int              // [row_count] cabinets in each further row; 0: as in the front row
	ForwardM  float64          // [forward] the front row is moved forward by this, away from the others (it brings the null of an arc back)
	Treatment engine.Treatment // "": null with depth, plain without

	Free []engine.Source // [sources] of a Free block: name, row, place and so on; outputs are given here too

	FirstOutput int     // [first_output] outputs are numbered from here; 0: on from the block before
	PerRow      bool    // [per_row] one output for each row (and side) instead of one for each cabinet
	MaxGainDB   float64 // [max_gain]
}
