package layout

import (
	"fmt"
	"math"

	"hushback/engine"
)

// row is the cabinets of a block that stand side by side, on the block's own
// ground: the origin where the front row's middle is, x along the facing.
type row struct {
	name   string // "" where it is the only one
	row    engine.Row
	places []engine.Point
	bend   []float64 // seconds
}

// rows lists the rows of a block that is not Free, the front one first.
func (b Block) rows(speed float64) []row {
	rows := make([]row, max(1, b.Depth))
	for k := range rows {
		rows[k] = b.row(k, len(rows), speed)
	}
	return rows
}

func (b Block) row(k, of int, speed float64) row {
	count, arc := max(1, b.Count), b.ArcRad
	if k > 0 && b.RowCount > 0 {
		// The same curve: as much angle from neighbour to neighbour.
		arc *= float64(b.RowCount-1) / math.Max(1, float64(count-1))
		count = b.RowCount
	}
	r := row{row: engine.RowFront, name: rowName(k, of), bend: make([]float64, count)}
	if k > 0 && k == of-1 {
		r.row = engine.RowRear
	}
	if b.Shape == DelayedArc && usable(speed) {
		r.bend = Bend(count, b.SpacingM, arc, speed)
		arc = 0
	}
	r.places = Row(count, b.SpacingM, arc)
	for i := range r.places {
		r.places[i].X += b.along(k)
		if b.treatment() != engine.TreatPlain && usable(speed) {
			r.bend[i] += math.Max(0, b.along(k)-b.along(max(0, of-2))) / speed // in step with the rearmost front row; 0 for the rear row
		}
	}
	return r
}

// along is how far row k stands before the front row's place, negative behind.
func (b Block) along(k int) float64 {
	if k == 0 {
		return b.ForwardM
	}
	return -float64(k) * b.DepthM
}

func rowName(k, of int) string {
	switch {
	case of == 1:
		return ""
	case k == 0:
		return "front"
	case k == of-1:
		return "rear"
	}
	return fmt.Sprintf("row %d", k+1)
}

// onSite takes a place of the block to where it is on the site.
func (b Block) onSite(p engine.Point) engine.Point {
	sin, cos := math.Sincos(b.FacingRad)
	return engine.Point{X: b.At.X + p.X*cos - p.Y*sin, Y: b.At.Y + p.X*sin + p.Y*cos, Z: b.At.Z + p.Z}
}

func usable(speed float64) bool { return speed > 0 && !math.IsInf(speed, 1) }
