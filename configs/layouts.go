package configs

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"hushback/configs/document"
	"hushback/configs/quantity"
	"hushback/engine"
	"hushback/engine/layout"
)

// readLayouts reads layouts by name, in the order of the file.
func readLayouts(v document.Value) []layout.Layout {
	names, values := v.Entries("layouts by name, each a list of blocks")
	layouts := make([]layout.Layout, len(names))
	for i, name := range names {
		layouts[i] = layout.Layout{Name: name, Blocks: document.Each(values[i], "a list of blocks", readBlock)}
	}
	return layouts
}

// readBlock reads a row of cabinets and what stands behind it. Which keys go
// with a block follows from its shape.
func readBlock(v document.Value) layout.Block {
	f := v.Section("name", "shape", "at", "facing", "mirrored", "cabinet", "level", "count", "spacing", "arc",
		"depth", "treatment", "sources", "outputs", "max_gain")
	b := layout.Block{
		Name:      f["name"].Text(),
		Shape:     document.Choice(f["shape"], layout.Single, layout.Line, layout.Arc, layout.DelayedArc, layout.Free),
		MaxGainDB: f["max_gain"].Number(quantity.Level()),
	}
	keepOwnKeys(f, b.Shape)
	b.At = readPoint(f["at"])
	b.FacingRad = f["facing"].NumberOr(0, quantity.Angle())
	optional(f["mirrored"], &b.Mirrored, document.Value.Truth)
	b.Cabinet = f["cabinet"].TextOrNone()
	b.LevelDB = f["level"].NumberOr(0, quantity.Level())
	b.Count = readCount(f["count"], b.Shape)
	if b.Shape != layout.Single || f["spacing"].Given() {
		b.SpacingM = f["spacing"].Number(quantity.Length())
	}
	b.ArcRad = f["arc"].Number(quantity.Angle())
	b.Free = document.Each(f["sources"], "a list of sources", readSource)
	optional(f["treatment"], &b.Treatment, readTreatment)
	readDepth(f["depth"], &b)
	readNumbering(f["outputs"], &b)
	return b
}

// keepOwnKeys takes away the keys that mean nothing for a shape, and tells if
// one of them was written.
func keepOwnKeys(f map[string]document.Value, shape layout.Shape) {
	row := []string{"at", "facing", "mirrored", "cabinet", "level", "depth", "outputs"}
	bent := []string{"count", "spacing", "arc"}
	own := map[layout.Shape][]string{
		layout.Single:     append(row[:len(row):len(row)], "spacing"), // of a wider row behind
		layout.Line:       append(row[:len(row):len(row)], "count", "spacing"),
		layout.Arc:        append(row[:len(row):len(row)], bent...),
		layout.DelayedArc: append(row[:len(row):len(row)], bent...),
		layout.Free:       {"sources"},
	}[shape]
	for _, key := range slices.Concat(row, bent, []string{"sources"}) {
		if slices.Contains(own, key) {
			continue
		}
		if shape != "" && f[key].Given() {
			f[key].Reject("no " + key + " with the shape " + string(shape))
		}
		delete(f, key)
	}
}

// readCount reads how many cabinets stand in a row.
func readCount(v document.Value, shape layout.Shape) int {
	count := v.Count()
	if shape == layout.Line && v.Given() && count == 1 {
		v.Reject("2 or more; one cabinet is the shape single")
	}
	return count
}

// readDepth reads the rows behind the front one.
func readDepth(v document.Value, b *layout.Block) {
	if !v.Given() {
		return
	}
	f := v.Section("rows", "spacing", "count", "forward")
	b.Depth = f["rows"].Count()
	b.DepthM = f["spacing"].Number(quantity.Length())
	b.ForwardM = f["forward"].NumberOr(0, quantity.Length())
	optional(f["count"], &b.RowCount, document.Value.Count)
}

// readNumbering reads which processor outputs feed the block.
func readNumbering(v document.Value, b *layout.Block) {
	if !v.Given() {
		return
	}
	f := v.Section("from", "one_for")
	optional(f["from"], &b.FirstOutput, document.Value.Count)
	optional(f["one_for"], &b.PerRow, func(v document.Value) bool { return document.Choice(v, "cabinet", "row") == "row" })
}

// expansion is a layout worked out on a site.
type expansion struct {
	layout layout.Layout
	site   engine.Site
}

// expand works a layout out. The problems have paths of the file.
func expand(common engine.Site, l layout.Layout) (expansion, []engine.Problem) {
	placed, problems := layout.Expand(l, common.Cabinets, common.Air)
	for i := range problems {
		problems[i].Path = blockPath(l.Name, problems[i].Path)
	}
	common.Groups, common.Outputs, common.Sources = placed.Groups, placed.Outputs, placed.Sources
	return expansion{l, common}, problems
}

// blockPath turns a path that starts at a layout, "blocks[0].row_count", into
// the file's own, "layouts.wide[0].depth.count".
func blockPath(name, path string) string {
	block, field, _ := strings.Cut(strings.TrimPrefix(path, "blocks"), ".")
	switch field {
	case "":
		return "layouts." + name + block
	case "rows", "forward":
		field = "depth." + field
	case "depth":
		field = "depth.spacing"
	case "row_count":
		field = "depth.count"
	case "first_output":
		field = "outputs.from"
	case "per_row":
		field = "outputs.one_for"
	}
	return "layouts." + name + block + "." + field
}

// blame moves a problem of what was worked out (a group, an output, a source)
// to the block that made it, the only place where it can be put right. The
// words then say which of the block's outputs or sources it is about.
func (e expansion) blame(p engine.Problem) engine.Problem {
	list, rest, _ := strings.Cut(p.Path, "[")
	number, field, _ := strings.Cut(rest, "]")
	if !slices.Contains([]string{"groups", "outputs", "sources"}, list) {
		return p
	}
	i, err := strconv.Atoi(number)
	if err != nil { // the list itself
		p.Path = "layouts." + e.layout.Name
		return p
	}
	var group, about string
	switch list {
	case "groups":
		group = e.site.Groups[i].Name
	case "outputs":
		group, about = e.site.Outputs[i].Group, fmt.Sprint("output ", e.site.Outputs[i].Number)
	case "sources":
		out, _ := e.site.Output(e.site.Sources[i].Output)
		group, about = out.Group, strconv.Quote(e.site.Sources[i].Name)
	}
	block := slices.IndexFunc(e.layout.Blocks, func(b layout.Block) bool { return b.Name == group })
	written := slices.IndexFunc(e.layout.Blocks[block].Free, func(s engine.Source) bool { return strconv.Quote(s.Name) == about })
	p.Path = fmt.Sprintf("layouts.%s[%d]", e.layout.Name, block)
	switch {
	case written >= 0:
		p.Path += fmt.Sprintf(".sources[%d]%s", written, field)
	case list == "groups" || field == ".max_gain":
		p.Path += field
	case strings.Contains(p.Got, about):
	case field == ".number":
		p.Got = about + strings.TrimPrefix(p.Got, strconv.Itoa(e.site.Outputs[i].Number))
	default:
		p.Got = about + " with " + p.Got
	}
	return p
}
