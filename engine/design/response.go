package design

import (
	"errors"
	"math"
	"math/cmplx"

	"hushback/engine"
	"hushback/engine/field"
)

// response is what every output does alone at some points, so that what any
// sheet does there is a weighted sum of it.
type response struct {
	freqHz  []float64
	outputs []int
	alone   [][][]complex128 // [frequency][point][output] at 0 dB, no delay
}

func listen(site engine.Site, at []engine.Point, freqHz []float64) (response, error) {
	alone, err := field.ByOutput(site, at, freqHz)
	return response{freqHz, site.OutputNumbers(), alone}, err
}

// weight is a setting as a factor, 0 where the output is muted or not set.
func weight(sheet engine.Sheet, output int, freqHz float64) complex128 {
	set, ok := sheet.Setting(output)
	if !ok || set.Muted {
		return 0
	}
	return cmplx.Rect(engine.Ratio(set.GainDB)*float64(set.Polarity), -2*math.Pi*freqHz*set.DelaySec)
}

// under is the pressure that a sheet makes, [frequency][point].
func (r response) under(sheet engine.Sheet) [][]complex128 {
	p := make([][]complex128, len(r.freqHz))
	weights := make([]complex128, len(r.outputs))
	for i, f := range r.freqHz {
		for k, output := range r.outputs {
			weights[k] = weight(sheet, output, f)
		}
		p[i] = make([]complex128, len(r.alone[i]))
		for j, alone := range r.alone[i] {
			for k, v := range alone {
				p[i][j] += weights[k] * v
			}
		}
	}
	return p
}

// inPhase is what the outputs would make if each arrived in phase with the
// others, at the amplitude that loud gives it, [frequency][point].
func (r response) inPhase(loud func(output int) float64) [][]float64 {
	p := make([][]float64, len(r.freqHz))
	amplitudes := make([]float64, len(r.outputs))
	for k, output := range r.outputs {
		amplitudes[k] = loud(output)
	}
	for i := range r.freqHz {
		p[i] = make([]float64, len(r.alone[i]))
		for j, alone := range r.alone[i] {
			for k, v := range alone {
				p[i][j] += amplitudes[k] * cmplx.Abs(v)
			}
		}
	}
	return p
}

// loudest is every output at the most it may play at.
func loudest(site engine.Site) func(int) float64 {
	return func(output int) float64 {
		out, _ := site.Output(output)
		return engine.Ratio(out.MaxGainDB)
	}
}

// asSet is every output at the gain of a sheet.
func asSet(sheet engine.Sheet) func(int) float64 {
	return func(output int) float64 { return cmplx.Abs(weight(sheet, output, 0)) }
}

// microphones are the places of the front and the rear one.
func microphones(site engine.Site) ([]engine.Point, error) {
	front, ahead := site.Microphone(engine.RoleFront)
	rear, behind := site.Microphone(engine.RoleRear)
	if !ahead || !behind {
		return nil, errors.New("the site needs a front and a rear microphone")
	}
	return []engine.Point{front.At, rear.At}, nil
}

// behind is rear over front microphone at some frequencies, as amplitudes.
func behind(site engine.Site, sheet engine.Sheet, freqHz ...float64) ([]float64, error) {
	at, err := microphones(site)
	if err != nil {
		return nil, err
	}
	p, err := field.Along(site, sheet, at, freqHz)
	if err != nil {
		return nil, err
	}
	ratio := make([]float64, len(freqHz))
	for i, heard := range p {
		ratio[i] = cmplx.Abs(heard[1]) / cmplx.Abs(heard[0])
		if math.IsNaN(ratio[i]) {
			return nil, errors.New("nothing arrives at the microphones")
		}
	}
	return ratio, nil
}

// A null is looked for from lowest to highest times the target, in steps fine
// enough that none slips through: even a source 15 m behind another nulls only
// every 11 Hz.
const (
	lowestNull  = 0.4
	highestNull = 2.5
	nullSteps   = 240
	nullRatio   = 0.7 // a dip of less than 3 dB is none
)

// rearNull is the lowest frequency at which rear over front has a least value
// of -3 dB or less. None is an error.
func rearNull(site engine.Site, sheet engine.Sheet) (float64, error) {
	freq := geometric(lowestNull*site.Target.NullHz, highestNull*site.Target.NullHz, nullSteps)
	ratio, err := behind(site, sheet, freq...)
	if err != nil {
		return 0, err
	}
	i := firstDip(ratio, nullRatio)
	if i < 0 {
		return 0, errors.New("there is no null at the rear microphone")
	}
	return least(freq[i-1], freq[i+1], func(f float64) (float64, error) {
		r, err := behind(site, sheet, f)
		if err != nil {
			return 0, err
		}
		return r[0], nil
	})
}

// firstDip is the first place, the ends left out, where v is least among its
// neighbours and at most limit; -1 where there is none.
func firstDip(v []float64, limit float64) int {
	for i := 1; i < len(v)-1; i++ {
		if v[i] <= limit && v[i] < v[i-1] && v[i] <= v[i+1] {
			return i
		}
	}
	return -1
}

// goldenCuts narrow a place to 3 parts in a million of where it was looked for.
const goldenCuts = 26

// least narrows the place of a least value between low and high by golden
// sections.
func least(low, high float64, f func(float64) (float64, error)) (float64, error) {
	golden := (math.Sqrt(5) - 1) / 2
	a, b := high-golden*(high-low), low+golden*(high-low)
	fa, err := f(a)
	if err != nil {
		return 0, err
	}
	fb, err := f(b)
	if err != nil {
		return 0, err
	}
	for range goldenCuts {
		if fa < fb {
			high, b, fb = b, a, fa
			a = high - golden*(high-low)
			fa, err = f(a)
		} else {
			low, a, fa = a, b, fb
			b = low + golden*(high-low)
			fb, err = f(b)
		}
		if err != nil {
			return 0, err
		}
	}
	return (low + high) / 2, nil
}

// geometric is n+1 frequencies in equal ratios, both ends included.
func geometric(low, high float64, n int) []float64 {
	freq := make([]float64, n+1)
	for i := range freq {
		freq[i] = low * math.Pow(high/low, float64(i)/float64(n))
	}
	return freq
}

// steps is n+1 values in equal steps, both ends included.
func steps(low, high float64, n int) []float64 {
	v := make([]float64, n+1)
	for i := range v {
		v[i] = low + (high-low)*float64(i)/float64(n)
	}
	return v
}

// rows is what the front and the rear rows do at some points, each by itself.
type rows struct{ front, rear []complex128 }

// listenRows splits what a sheet does into its rows. A row that is silent is an
// error, for nothing can be matched to it.
func listenRows(site engine.Site, sheet engine.Sheet, at []engine.Point, freqHz float64) (rows, error) {
	r, err := listen(site, at, []float64{freqHz})
	if err != nil {
		return rows{}, err
	}
	split := rows{make([]complex128, len(at)), make([]complex128, len(at))}
	for k, output := range r.outputs {
		row := split.front
		if fed := site.Fed(output); len(fed) > 0 && fed[0].Row == engine.RowRear {
			row = split.rear
		}
		for j := range at {
			row[j] += weight(sheet, output, freqHz) * r.alone[0][j][k]
		}
	}
	for j := range at {
		if split.front[j] == 0 || split.rear[j] == 0 {
			return rows{}, errors.New("one of the rows is silent at a microphone")
		}
	}
	return split, nil
}
