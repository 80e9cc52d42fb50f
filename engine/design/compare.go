package design

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"hushback/engine"
)

// Compare has every site worked out, in the order given, and sets the reports
// side by side. The sites may differ in everything; where they share a test
// signal, the curves of their reports share one axis.
//
// Errors: no site, a name that is missing or there twice, or what work refuses,
// with the name.
func Compare(sites []Named, work func(engine.Site) (Report, error)) (Comparison, error) {
	if len(sites) == 0 {
		return Comparison{}, errors.New("nothing to compare: name at least one layout or treatment")
	}
	var c Comparison
	for _, one := range sites {
		if one.Name == "" || slices.Contains(c.Names, one.Name) {
			return Comparison{}, fmt.Errorf("comparing: the name %q is empty or there twice, every column needs its own", one.Name)
		}
		report, err := work(one.Site)
		if err != nil {
			return Comparison{}, fmt.Errorf("comparing: %s: %w", one.Name, err)
		}
		c.Names = append(c.Names, one.Name)
		c.Reports = append(c.Reports, report)
	}
	return c, nil
}

// Rows is the comparison as a table, one column for each name. Rejections are
// positive when it is quieter behind.
func (c Comparison) Rows() []Row {
	rows := []Row{
		c.row("null-frequency", "quietest behind", "Hz", func(r Report) float64 { return r.Own.NullHz }),
		c.row("null-depth", "rejection there", "dB", func(r Report) float64 { return -r.Own.NullDepthDB }),
		c.row("at-target", "rejection at the target", "dB", func(r Report) float64 { return -r.Own.AtTargetDB }),
		c.row("mean-rejection", "mean rejection in the range", "dB", func(r Report) float64 { return r.Own.MeanRejectDB }),
		c.row("worst-rejection", "worst rejection in the range", "dB", func(r Report) float64 { return r.Own.WorstRejectDB }),
		c.row("sum-shortfall", "short of a full sum in front, worst", "dB", func(r Report) float64 { return r.Own.NotchInRangeDB }),
		c.row("first-notch", "first notch in front", "Hz", func(r Report) float64 { return some(r.Own.FirstNotchHz) }),
		c.row("headroom-cost", "headroom cost", "dB", func(r Report) float64 { return r.Own.HeadroomCostDB }),
		c.row("opening-bottom", "opening at the bottom of the range", "°", func(r Report) float64 { return r.openingDeg(r.Site.Target.Range.LowHz) }),
		c.row("opening-target", "opening at the target", "°", func(r Report) float64 { return r.openingDeg(r.Site.Target.NullHz) }),
		c.row("opening-top", "opening at the top of the range", "°", func(r Report) float64 { return r.openingDeg(r.Site.Target.Range.HighHz) }),
	}
	return append(append(rows, c.zoneRows()...),
		c.row("left-at-10-cm", "rejection at target, rear row 10 cm off", "dB", func(r Report) float64 { return r.Own.LeftAt10CmDB }),
		c.row("left-at-10-degrees", "rejection at target, air 10 °C off", "dB", func(r Report) float64 { return r.Own.LeftAt10CDB }))
}

// zoneRows are the worst of the zones of a kind; the mean is that of the zone
// that fares worst.
func (c Comparison) zoneRows() []Row {
	audience, quiet := engine.ZoneAudience, engine.ZoneQuiet
	return []Row{
		c.row("audience-mean", "audience, mean below everything in phase", "dB", func(r Report) float64 { return r.worst(audience, func(z Zone) float64 { return -z.MeanDB }) }),
		c.row("audience-spread", "audience, 90 of 100 places within", "dB", func(r Report) float64 { return r.worst(audience, func(z Zone) float64 { return z.SpreadDB }) }),
		c.row("audience-dip", "audience, deepest dip", "dB", func(r Report) float64 { return r.worst(audience, func(z Zone) float64 { return -z.WorstDB }) }),
		c.row("quiet-mean", "quiet zones, mean rejection", "dB", func(r Report) float64 { return -r.worst(quiet, func(z Zone) float64 { return z.MeanDB }) }),
		c.row("quiet-worst", "quiet zones, worst rejection", "dB", func(r Report) float64 { return -r.worst(quiet, func(z Zone) float64 { return z.WorstDB }) }),
	}
}

// row reads one value from every report; NaN is none.
func (c Comparison) row(key, label, unit string, value func(Report) float64) Row {
	row := Row{Key: key, Label: label, Unit: unit}
	for _, r := range c.Reports {
		v := value(r)
		has := !math.IsNaN(v)
		if !has {
			v = 0
		}
		row.Values = append(row.Values, v)
		row.Has = append(row.Has, has)
	}
	return row
}

// some turns the 0 that stands for nothing into NaN.
func some(v float64) float64 {
	if v == 0 {
		return math.NaN()
	}
	return v
}

func (r Report) openingDeg(hz float64) float64 {
	o, ok := r.opening(hz)
	if !ok {
		return math.NaN()
	}
	return o.AngleRad * 180 / math.Pi
}

// worst is the greatest value among the zones of a kind, NaN where there is
// none.
func (r Report) worst(kind engine.ZoneKind, value func(Zone) float64) float64 {
	greatest := math.NaN()
	for _, z := range r.Zones {
		if v := value(z); z.Kind == kind && !(v <= greatest) {
			greatest = v
		}
	}
	return greatest
}
