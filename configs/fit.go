package configs

import (
	"fmt"

	"hushback/control/processor"
	"hushback/engine"
)

// Fit holds a site against the profile of the processor it is wired to: what
// neither file can know alone. The error is Problems with the paths of the
// site file, without line and column.
func Fit(site engine.Site, p processor.Profile) error {
	var problems Problems
	gain := p.Ranges().GainDB
	for i, o := range site.Outputs {
		path := fmt.Sprintf("outputs[%d]", i)
		if o.Number < 1 || o.Number > p.Outputs {
			problems = append(problems, Problem{Problem: engine.Problem{
				Path: path + ".number",
				Got:  fmt.Sprint(o.Number),
				Want: fmt.Sprintf("1 to %d, the outputs of a %s", p.Outputs, p.Name),
			}})
		}
		if !(o.MaxGainDB >= gain.Min && o.MaxGainDB <= gain.Max) {
			problems = append(problems, Problem{Problem: engine.Problem{
				Path: path + ".max_gain",
				Got:  fmt.Sprintf("%g dB", o.MaxGainDB),
				Want: fmt.Sprintf("%g to %g dB, the gain of a %s", gain.Min, gain.Max, p.Name),
			}})
		}
	}
	if len(problems) > 0 {
		return problems
	}
	return nil
}
