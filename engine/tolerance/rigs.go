package tolerance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"

	"gonum.org/v1/gonum/stat"

	"hushback/engine"
)

// Rigs is how many rigs an interval rests on.
const Rigs = 4000

// seed makes the rigs the same every time.
const seed = 45

// trial builds Rigs rigs and says what each does; built may be nil.
func (m model) trial(built func()) ([]engine.Summary, error) {
	errors := m.draw(rand.New(rand.NewPCG(seed, 0)))
	rigs := make([]engine.Summary, Rigs)
	// A part is a run of rigs; which goroutine does what never shows in them.
	parts := min(Rigs, runtime.GOMAXPROCS(0))
	failed := make([]error, parts)
	var done sync.WaitGroup
	for part := range parts {
		done.Go(func() {
			for i := part * Rigs / parts; i < (part+1)*Rigs/parts && failed[part] == nil; i++ {
				var err error
				if rigs[i], err = m.summary(errors[i]); err != nil {
					failed[part] = fmt.Errorf("rig %d of %d: %w", i+1, Rigs, err)
				}
				if built != nil {
					built()
				}
			}
		})
	}
	done.Wait()
	for _, err := range failed {
		if err != nil {
			return nil, err
		}
	}
	return rigs, nil
}

// draw makes one error for each rig and cause. Tolerances of 0 draw as well,
// so that changing one tolerance leaves the other errors as they were.
func (m model) draw(random *rand.Rand) [][]float64 {
	errors := make([][]float64, Rigs)
	for i := range errors {
		errors[i] = make([]float64, len(m.causes))
		for k, c := range m.causes {
			if c.kind == DelayStep {
				errors[i][k] = c.tolerance * (2*random.Float64() - 1)
			} else {
				errors[i][k] = c.tolerance / 2 * random.NormFloat64()
			}
		}
	}
	return errors
}

// spread fills in what the rigs have in common.
func (r *Report) spread(rigs []engine.Summary) {
	sorted := func(value func(engine.Summary) float64) []float64 {
		values := make([]float64, len(rigs))
		for i, s := range rigs {
			values[i] = value(s)
		}
		slices.Sort(values)
		return values
	}
	r.NullHz = interval(sorted(func(s engine.Summary) float64 { return s.NullHz }))
	r.NullDepthDB = interval(sorted(func(s engine.Summary) float64 { return s.NullDepthDB }))
	r.AtTargetDB = interval(sorted(func(s engine.Summary) float64 { return s.AtTargetDB }))
	r.SumShortfallDB = interval(sorted(func(s engine.Summary) float64 { return s.SumShortfallDB }))
	offsets := sorted(func(s engine.Summary) float64 { return math.Abs(s.NullHz - r.TargetHz) })
	r.NullOffsetHz = stat.Quantile(0.95, stat.Empirical, offsets, nil)
}

// interval takes the percentiles of values that ascend. Each is a value of a
// rig, so that rigs without errors have intervals without width.
func interval(values []float64) Interval {
	at := func(p float64) float64 { return stat.Quantile(p, stat.Empirical, values, nil) }
	return Interval{Low: at(0.05), Median: at(0.5), High: at(0.95)}
}
