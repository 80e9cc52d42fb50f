package diagnose

import (
	"hushback/engine"
	"hushback/verify/diagnose/model"
)

type words struct {
	site    engine.Site
	sheet   engine.Sheet
	m       *model.Model
	guesses []guess
}

func (w words) diagnosis() Diagnosis {
	all, healthy := suspects(w.guesses)
	d := Diagnosis{Healthy: healthy}
	for _, s := range all {
		if s.probability >= leastProbability {
			d.Causes = append(d.Causes, Cause{Kind: s.fault.kind, Probability: s.probability})
		}
	}
	return d
}
