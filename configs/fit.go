package configs

import (
	"fmt"

	"hushback/control/processor"
	"hushback/engine"
)

// Fit holds a site's file, by path or example name, against the profiles of its
// processors, in the order of engine.Site.Wirings: what belongs to neither file
// alone. Every layout has to fit. The error is a Problems with the places in the
// site's file, or says why the file cannot be read.
func Fit(name string, profiles ...processor.Profile) error {
	_, err := openSites(name, func(s engine.Site) []engine.Problem { return misfits(s, profiles) })
	return err
}

// misfits lists the outputs that a processor does not have, and the gains and
// delays that it cannot be set to.
func misfits(site engine.Site, profiles []processor.Profile) []engine.Problem {
	var problems []engine.Problem
	for i, o := range site.Outputs {
		for k, w := range site.Wirings() {
			if w.Name == o.Processor && k < len(profiles) {
				problems = append(problems, misfit(fmt.Sprintf("outputs[%d]", i), o, profiles[k])...)
			}
		}
	}
	return problems
}

func misfit(path string, o engine.Output, p processor.Profile) []engine.Problem {
	var problems []engine.Problem
	gain, delay := p.Ranges().GainDB, p.Ranges().DelaySec
	if n := o.OnChannel(); n < 1 || n > p.Outputs {
		field := ".number"
		if o.Channel != 0 {
			field = ".channel"
		}
		problems = append(problems, engine.Problem{
			Path: path + field,
			Got:  fmt.Sprint(n),
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
	return problems
}
