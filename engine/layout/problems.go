package layout

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"hushback/engine"
)

// What a layout may hold. The limits keep slips of the pen from becoming
// settings, and keep every loop bounded.
const (
	maxCabinets = 64 // as many as a site may have sources
	maxBlocks   = 64
	maxOutput   = 9999
	maxAwayM    = 1000
	minApartM   = 0.1
	maxApartM   = 100
	maxLevelDB  = 60
)

// checker gathers problems; finding one does not end the search.
type checker struct{ found []engine.Problem }

func (c *checker) add(path, got, want string) {
	c.found = append(c.found, engine.Problem{Path: path, Got: got, Want: want})
}

// number holds a value to a closed range. It also refuses NaN.
func (c *checker) number(path string, v, low, high float64, unit string) {
	if !(v >= low && v <= high) {
		c.add(path, num(v)+unit, num(low)+" to "+num(high)+unit)
	}
}

func (c *checker) count(path string, n, least, most int) bool {
	ok := n >= least && n <= most
	if !ok {
		c.add(path, strconv.Itoa(n), fmt.Sprintf("%d to %d", least, most))
	}
	return ok
}

func (c *checker) blocks(blocks []Block, cabinets []engine.Cabinet) {
	if len(blocks) == 0 || len(blocks) > maxBlocks {
		c.add("blocks", strconv.Itoa(len(blocks)), fmt.Sprintf("1 to %d blocks", maxBlocks))
		return
	}
	total := 0
	for i, b := range blocks {
		path := fmt.Sprintf("blocks[%d]", i)
		c.naming(path, b, blocks[:i], cabinets)
		before := len(c.found)
		c.shape(path, b)
		if len(c.found) == before {
			total += b.cabinets()
		}
		c.treated(path, b)
	}
	if total > maxCabinets {
		c.add("blocks", fmt.Sprintf("%d cabinets in all", total), fmt.Sprintf("at most %d", maxCabinets))
	}
}

// cabinets is how many the block has.
func (b Block) cabinets() int {
	if b.Shape == Free {
		return len(b.Free)
	}
	front := max(1, b.Count)
	n := front
	if b.Depth > 1 {
		further := front
		if b.RowCount > 0 {
			further = b.RowCount
		}
		n += (b.Depth - 1) * further
	}
	if b.Mirrored {
		n *= 2
	}
	return n
}

func (c *checker) naming(path string, b Block, before []Block, cabinets []engine.Cabinet) {
	switch {
	case b.Name == "":
		c.add(path+".name", "nothing", "a name")
	case slices.ContainsFunc(before, func(o Block) bool { return o.Name == b.Name }):
		c.add(path+".name", strconv.Quote(b.Name)+" a second time", "a name of its own")
	}
	if b.Cabinet != "" && !slices.ContainsFunc(cabinets, func(k engine.Cabinet) bool { return k.Name == b.Cabinet }) {
		c.add(path+".cabinet", strconv.Quote(b.Cabinet), "one of the names listed under cabinets")
	}
	c.number(path+".max_gain", b.MaxGainDB, -maxLevelDB, maxLevelDB, " dB")
}

// shape checks what says where the cabinets are.
func (c *checker) shape(path string, b Block) {
	switch b.Shape {
	case Single, Line, Arc, DelayedArc:
		c.stand(path, b)
		c.rowOf(path, b)
		c.behind(path, b)
	case Free:
		c.free(path, b)
	default:
		c.add(path+".shape", strconv.Quote(string(b.Shape)), `"single", "line", "arc", "delayed-arc" or "free"`)
	}
}

func (c *checker) stand(path string, b Block) {
	for _, v := range []float64{b.At.X, b.At.Y, b.At.Z} {
		if !(math.Abs(v) <= maxAwayM) {
			c.add(path+".at", num(v)+" m", fmt.Sprintf("within %d m of the origin along each axis", maxAwayM))
			break
		}
	}
	if !(math.Abs(b.FacingRad) <= 2*math.Pi) {
		c.add(path+".facing", degrees(b.FacingRad), "-360° to 360°")
	}
	c.number(path+".level", b.LevelDB, -maxLevelDB, maxLevelDB, " dB")
	if b.Mirrored && b.At.Y <= 0 {
		c.add(path+".at", "a mirrored block at y = "+num(b.At.Y)+" m", "the left one, y more than 0 m")
	}
	if b.FirstOutput < 0 || b.FirstOutput > maxOutput {
		c.add(path+".first_output", strconv.Itoa(b.FirstOutput), fmt.Sprintf("0 (on from the block before) to %d", maxOutput))
	}
	if b.PerRow && b.Shape == DelayedArc {
		c.add(path+".per_row", "one output a row for an arc made by delay", "an output for each cabinet")
	}
}

// rowOf checks the row itself.
func (c *checker) rowOf(path string, b Block) {
	least, most := 1, maxCabinets
	switch b.Shape {
	case Single:
		least, most = 0, 1
	case Arc, DelayedArc:
		least = 3 // two make no arc
	}
	if !c.count(path+".count", b.Count, least, most) {
		return
	}
	c.only(path+".spacing", b.Count > 1 || b.RowCount > 1, b.SpacingM, "a row of one cabinet")
	if b.Shape == Single || b.Shape == Line {
		if b.ArcRad != 0 {
			c.add(path+".arc", degrees(b.ArcRad), "none in a straight row; the shapes with one are arc and delayed-arc")
		}
		return
	}
	// Further than this the ends meet: the circle is full.
	if full := 2 * math.Pi * (1 - 1/float64(b.Count)); !(b.ArcRad > 0 && b.ArcRad <= full*(1+1e-12)) {
		c.add(path+".arc", degrees(b.ArcRad), fmt.Sprintf("more than 0° and at most %s, where %d cabinets close the circle", degrees(full), b.Count))
	}
}

// behind checks the rows behind the front one.
func (c *checker) behind(path string, b Block) {
	if !c.count(path+".rows", b.Depth, 0, maxCabinets) {
		return
	}
	c.only(path+".depth", b.Depth > 1, b.DepthM, "a single row")
	switch {
	case b.Depth <= 1 && b.RowCount != 0:
		c.add(path+".row_count", strconv.Itoa(b.RowCount), "none with a single row")
	default:
		c.count(path+".row_count", b.RowCount, 0, maxCabinets)
	}
	if b.Depth > 1 {
		c.number(path+".forward", b.ForwardM, 0, maxApartM, " m")
	} else if b.ForwardM != 0 {
		c.add(path+".forward", num(b.ForwardM)+" m", "none with a single row")
	}
}

// only wants a distance where it is needed and none where it would do nothing.
func (c *checker) only(path string, needed bool, v float64, where string) {
	switch {
	case needed:
		c.number(path, v, minApartM, maxApartM, " m")
	case v != 0:
		c.add(path, num(v)+" m", "none with "+where)
	}
}

func (c *checker) free(path string, b Block) {
	if len(b.Free) == 0 || len(b.Free) > maxCabinets {
		c.add(path+".sources", strconv.Itoa(len(b.Free)), fmt.Sprintf("1 to %d", maxCabinets))
	}
	for i, src := range b.Free[:min(len(b.Free), maxCabinets)] {
		c.count(fmt.Sprintf("%s.sources[%d].output", path, i), src.Output, 1, maxOutput)
	}
	unused := []struct {
		field string
		said  bool
	}{
		{"at", b.At != engine.Point{}}, {"facing", b.FacingRad != 0}, {"mirrored", b.Mirrored}, {"cabinet", b.Cabinet != ""},
		{"level", b.LevelDB != 0}, {"count", b.Count != 0}, {"spacing", b.SpacingM != 0}, {"arc", b.ArcRad != 0}, {"rows", b.Depth != 0},
		{"depth", b.DepthM != 0}, {"row_count", b.RowCount != 0}, {"forward", b.ForwardM != 0}, {"first_output", b.FirstOutput != 0}, {"per_row", b.PerRow},
	}
	for _, u := range unused {
		if u.said {
			c.add(path+"."+u.field, "a value", "none in a free block, whose sources say it themselves")
		}
	}
}

func (c *checker) treated(path string, b Block) {
	path += ".treatment"
	switch t := b.Treatment; t {
	case "", engine.TreatPlain:
	case engine.TreatNull, engine.TreatEndFire, engine.TreatGradient:
		switch {
		case b.Shape == Free && !b.deep():
			c.add(path, strconv.Quote(string(t))+" for sources of one row", "sources in both rows, or plain")
		case b.Shape != Free && (b.Depth == 0 || b.Depth == 1):
			c.add(path, strconv.Quote(string(t))+" for a single row", "two rows or more, or plain")
		case t == engine.TreatGradient && b.Depth > 2:
			c.add(path, fmt.Sprintf("%q for %d rows", t, b.Depth), "exactly two rows")
		}
	default:
		c.add(path, strconv.Quote(string(t)), `"null", "end-fire", "gradient" or "plain"`)
	}
}

// joins checks that a placed block shares neither an output nor the name of a
// source with the blocks before it.
func (c *checker) joins(i int, b Block, before, one Placed) {
	path := fmt.Sprintf("blocks[%d]", i)
	for _, out := range one.Outputs {
		if k := slices.IndexFunc(before.Outputs, func(o engine.Output) bool { return o.Number == out.Number }); k >= 0 {
			field := ".first_output"
			if b.Shape == Free {
				field = ".sources"
			}
			c.add(path+field, fmt.Sprintf("output %d, which block %q uses", out.Number, before.Outputs[k].Group), "outputs of its own")
			break
		}
	}
	for _, src := range one.Sources {
		if slices.ContainsFunc(before.Sources, func(s engine.Source) bool { return s.Name == src.Name }) {
			c.add(path+".name", fmt.Sprintf("%q, which makes a second source named %q", b.Name, src.Name), "another name")
			break
		}
	}
}

func num(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

func degrees(rad float64) string { return num(rad*180/math.Pi) + "°" }
