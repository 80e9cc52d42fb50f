package design

import (
	"fmt"
	"math"
	"slices"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/array"
	"hushback/engine/band"
	"hushback/engine/coverage"
	"hushback/engine/design/places"
	"hushback/engine/field"
	"hushback/engine/response"
	"hushback/engine/solve"
)

// worker is one site on its way to a report.
type worker struct {
	site     engine.Site
	ranges   engine.Ranges
	speed    float64 // of sound, m/s
	method   string  // how that was found
	arrays   []array.Array
	axis     []float64 // frequencies over the range, in equal steps
	sheet    engine.Sheet
	report   *Report
	findings notes
	warnings notes
}

// Work works out everything there is to say about a site that has no Problems,
// for a processor with these ranges. Same site, same ranges: same report, bit
// for bit.
//
// Errors are those of solving and predicting the site as it stands, each with
// its own object. A treatment that the site does not ask for and that does not
// fit is a warning.
func Work(site engine.Site, r engine.Ranges) (Report, error) {
	sheet, err := solve.Solve(site, r)
	if err != nil {
		return Report{}, fmt.Errorf("working out the design: %w", err)
	}
	return WorkWith(site, sheet, r)
}

// WorkWith is Work with a sheet that was found already, such as that of a
// site's Aim.
func WorkWith(site engine.Site, sheet engine.Sheet, r engine.Ranges) (Report, error) {
	return work(site, sheet, r, (*worker).predict, (*worker).judgeRest, (*worker).explain, (*worker).explainRest)
}

// Quick is the part of WorkWith that is there in some milliseconds, for a site that
// is being tried out: prediction, own settings, coverage, what follows from where
// the cabinets stand, and the warnings. It says nothing of other treatments, zones,
// bands and sides.
func Quick(site engine.Site, sheet engine.Sheet, r engine.Ranges) (Report, error) {
	return work(site, sheet, r, (*worker).predict, (*worker).explain)
}

// work takes the steps of a report and ends with the warnings.
func work(site engine.Site, sheet engine.Sheet, r engine.Ranges, steps ...func(*worker) error) (Report, error) {
	report := Report{Site: site, Sheet: sheet}
	w := &worker{site: site, ranges: r, sheet: sheet, report: &report, arrays: array.Of(site), axis: rangeAxis(site.Target.Range)}
	w.speed, w.method = air.SoundSpeed(site.Air)
	for _, step := range steps {
		if err := step(w); err != nil {
			return Report{}, fmt.Errorf("working out the design: %w", err)
		}
	}
	w.warn()
	report.Findings, report.Warnings = w.findings, w.warnings
	return report, nil
}

// The range is walked in steps of about rangeStepHz, between rangeLeast and
// rangeMost of them.
const (
	rangeStepHz = 2
	rangeLeast  = 4
	rangeMost   = 24
)

func rangeAxis(b engine.Band) []float64 {
	n := int(math.Ceil((b.HighHz - b.LowHz) / rangeStepHz))
	return response.Steps(b.LowHz, b.HighHz, max(rangeLeast, min(rangeMost, n)))
}

// predict fills in what the site's own sheet does.
func (w *worker) predict() (err error) {
	r := w.report
	if r.Prediction, err = field.Predict(w.site, w.sheet); err != nil {
		return err
	}
	if r.Own, err = w.judge(own(w.site), w.sheet, r.Prediction); err != nil {
		return err
	}
	r.Openings, err = w.openings()
	return err
}

// judgeRest fills in the other treatments, and what is heard elsewhere.
func (w *worker) judgeRest() (err error) {
	r := w.report
	if r.Treated, err = w.treated(); err != nil {
		return err
	}
	if r.Zones, err = places.Judge(w.site, w.sheet, w.axis); err != nil {
		return err
	}
	if r.Bands, err = band.Levels(w.site, w.sheet); err != nil {
		return err
	}
	r.Sides, err = places.Interplay(w.site, w.sheet, w.arrays)
	return err
}

// openings is the coverage of the first array, about its own axis: of a left
// and a right one of the two, for what they do together is Sides.
func (w *worker) openings() ([]coverage.Opening, error) {
	if len(w.arrays) == 0 {
		return nil, nil
	}
	a := w.arrays[0]
	freq := append(slices.Clone(w.axis), w.site.Target.NullHz)
	slices.Sort(freq)
	return coverage.Openings(a.Alone(w.site), w.sheet, a.AxisRad, slices.Compact(freq))
}

// opening is the report's coverage at one of its frequencies.
func (r Report) opening(hz float64) (coverage.Opening, bool) {
	for _, o := range r.Openings {
		if o.FreqHz == hz {
			return o, true
		}
	}
	return coverage.Opening{}, false
}

// lost reports whether coverage goes all the way round.
func lost(o coverage.Opening) bool { return o.AngleRad > 2*math.Pi-1e-6 }

// explain writes the findings that follow from where the cabinets stand.
func (w *worker) explain() error {
	several := array.Distinct(w.arrays)
	for _, a := range several {
		name := w.called(a, len(several))
		w.depth(a, name)
		w.spacings(a, name)
	}
	w.coverage()
	for _, a := range several {
		name := w.called(a, len(several))
		w.arcs(a, name)
		w.offset(a, name)
	}
	return nil
}

// explainRest writes the findings about settings and places.
func (w *worker) explainRest() error {
	if err := w.levels(); err != nil {
		return err
	}
	w.costs()
	w.places()
	return nil
}

// called is how a text begins that is about one of several arrays.
func (w *worker) called(a array.Array, several int) string {
	if several == 1 || a.Name == "" {
		return ""
	}
	return a.Name + ": "
}
