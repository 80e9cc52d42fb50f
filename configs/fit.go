package configs

import (
	"fmt"

	"hushback/control/processor"
	"hushback/engine"
)

// Fit holds a site's file, by path or example name, against the profile of its
// processor: what belongs to neither file alone. Every layout has to fit. The error is a Problems with
// the places in the site's file, or says why the file cannot be read.
func Fit(name string, p processor.Profile) error {
	_, err := openSites(name, func(s engine.Site) []engine.Problem { return misfits(s, p) })
	return err
}

// misfits lists the outputs that a processor does not have, and the gains and
// delays that it cannot be set to.
func misfits(site engine.Site, p processor.Profile) []engine.Problem {
	var problems []engine.Problem
	gain, delay := p.Ranges().GainDB, p.Ranges().DelaySec
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
		if !(o.BendSec <= delay.Max-delay.Min) {
			problems = append(problems, engine.Problem{
				Path: path + ".bend",
				Got:  fmt.Sprintf("%g ms", 1000*o.BendSec),
				Want: fmt.Sprintf("at most %g ms, the delay of a %s", 1000*(delay.Max-delay.Min), p.Name),
			})
		}
	}
	return problems
}
