package whatif

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"hushback/engine"
	"hushback/engine/design"
)

// Choice is one layout that can be looked at.
type Choice struct {
	Name   string // "" is the array as it runs
	Site   engine.Site
	Locked string // why it cannot be adopted, a sentence; "" if it can
}

// Choices are the array as it runs and the layouts of its file, in their order; one
// without a name is the file's only one.
func Choices(running engine.Site, layouts []Named) []Choice {
	all := []Choice{{Site: running}}
	for _, l := range layouts {
		if l.Name != "" {
			all = append(all, Choice{l.Name, l.Site, locked(running, l.Site)})
		}
	}
	return all
}

// Find is the choice of a name.
func Find(choices []Choice, name string) (Choice, error) {
	var names []string
	for _, c := range choices {
		if c.Name == name {
			return c, nil
		}
		if c.Name != "" {
			names = append(names, c.Name)
		}
	}
	return Choice{}, fmt.Errorf("there is no layout %q: the site file has %s", name, strings.Join(names, ", "))
}

// locked says what of a layout does not fit the wiring that runs: what each cable
// carries, what is measured, and where.
func locked(running, site engine.Site) string {
	const how = "; write it into the site file as the layout in use and start again to work with it"
	outputs := func(s engine.Site) (all []engine.Output) {
		for _, o := range s.Outputs {
			all = append(all, engine.Output{Number: o.Number, MaxGainDB: o.MaxGainDB, Processor: o.Processor, Channel: o.OnChannel()})
		}
		return all
	}
	switch {
	case len(site.Outputs) != len(running.Outputs):
		return fmt.Sprintf("this layout takes %d processor outputs, %d are running%s", len(site.Outputs), len(running.Outputs), how)
	case !slices.Equal(outputs(site), outputs(running)) || !reflect.DeepEqual(site.Wirings(), running.Wirings()):
		return "this layout has its cabinets on other processor outputs than those that are running" + how
	case !slices.Equal(site.RowOutputs(engine.RowFront), running.RowOutputs(engine.RowFront)) || !slices.Equal(site.RowOutputs(engine.RowRear), running.RowOutputs(engine.RowRear)):
		return "this layout has other outputs in front and behind than those that are running" + how
	case site.Series != running.Series || !slices.Equal(site.Microphones, running.Microphones):
		return "this layout is measured at other places" + how
	}
	return ""
}

// Named is a site under the name of its layout.
type Named = design.Named

// Bench is what arrangements are tried out with.
type Bench struct {
	Layouts []Named       // of the site file, in its order
	Ranges  engine.Ranges // of all its processors
	Snap    Snap
}
