package configs

import (
	"fmt"

	"hushback/control/processor"
	"hushback/engine"
)

// Fit holds a site's file, by path or example name, against the profile of its
// processor: what belongs to neither file alone. The error is a Problems with
// the places in the site's file, or says why the file cannot be read.
func Fit(name string, p processor.Profile) error {
	_, err := open("site", siteFolder, name, func(path string, data []byte) (engine.Site, error) {
		return load(path, data, readSite, func(s engine.Site) []engine.Problem { return misfits(s, p) })
	})
	return err
}

// misfits lists the outputs that a processor does not have, and the gains that
// it cannot be set to.
func misfits(site engine.Site, p processor.Profile) []engine.Problem {
	var problems []engine.Problem
	gain := p.Ranges().GainDB
	for i, o := range site.Outputs {
		path := fmt.Sprintf("outputs[%d]", i)
		if o.Number < 1 || o.Number > p.Outputs {
			problems = append(problems, engine.Problem{
				Path: path + ".number",
				Got:  fmt.Sprint(o.Number),
				Want: fmt.Sprintf("1 to %d, the outputs of a %s", p.Outputs, p.Name),
			})
		}
		if !(o.MaxGainDB >= gain.Min && o.MaxGainDB <= gain.Max) {
			problems = append(problems, engine.Problem{
				Path: path + ".max_gain",
				Got:  fmt.Sprintf("%g dB", o.MaxGainDB),
				Want: fmt.Sprintf("%g to %g dB, the gain of a %s", gain.Min, gain.Max, p.Name),
			})
		}
	}
	return problems
}
