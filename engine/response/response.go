// Package response says what a sheet does at the microphones and elsewhere, from
// what every output does there alone, and looks for the nulls and dips in it.
package response

import (
	"errors"
	"math"
	"math/cmplx"

	"hushback/engine"
	"hushback/engine/field"
)

// Response is what every output does alone at some points, so that what any
// sheet does there is a weighted sum of it.
type Response struct {
	FreqHz  []float64
	outputs []int
	alone   [][][]complex128 // [frequency][point][output] at 0 dB, no delay
}

// Listen asks what every output of the site does at some points and frequencies.
// Errors are engine/field's.
func Listen(site engine.Site, at []engine.Point, freqHz []float64) (Response, error) {
	alone, err := field.ByOutput(site, at, freqHz)
	return Response{freqHz, site.OutputNumbers(), alone}, err
}

// weight is a setting as a factor, 0 where the output is muted or not set.
func weight(sheet engine.Sheet, output int, freqHz float64) complex128 {
	set, ok := sheet.Setting(output)
	if !ok || set.Muted {
		return 0
	}
	return set.Factor(freqHz)
}

// Under is the pressure that a sheet makes, [frequency][point].
func (r Response) Under(sheet engine.Sheet) [][]complex128 {
	p := make([][]complex128, len(r.FreqHz))
	weights := make([]complex128, len(r.outputs))
	for i, f := range r.FreqHz {
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

// InPhase is what the outputs would make if each arrived in phase with the
// others, at the amplitude that loud gives it, [frequency][point].
func (r Response) InPhase(loud func(output int) float64) [][]float64 {
	p := make([][]float64, len(r.FreqHz))
	amplitudes := make([]float64, len(r.outputs))
	for k, output := range r.outputs {
		amplitudes[k] = loud(output)
	}
	for i := range r.FreqHz {
		p[i] = make([]float64, len(r.alone[i]))
		for j, alone := range r.alone[i] {
			for k, v := range alone {
				p[i][j] += amplitudes[k] * cmplx.Abs(v)
			}
		}
	}
	return p
}

// Loudest is every output at the most it may play at.
func Loudest(site engine.Site) func(int) float64 {
	return func(output int) float64 {
		out, _ := site.Output(output)
		return engine.Ratio(out.MaxGainDB)
	}
}

// AsSet is every output at the gain of a sheet.
func AsSet(sheet engine.Sheet) func(int) float64 {
	return func(output int) float64 { return cmplx.Abs(weight(sheet, output, 0)) }
}

// Microphones are the places of the front and the rear one.
func Microphones(site engine.Site) ([]engine.Point, error) {
	front, ahead := site.Microphone(engine.RoleFront)
	rear, behind := site.Microphone(engine.RoleRear)
	if !ahead || !behind {
		return nil, errors.New("the site needs a front and a rear microphone")
	}
	return []engine.Point{front.At, rear.At}, nil
}

// Behind is rear over front microphone at some frequencies, as amplitudes.
func Behind(site engine.Site, sheet engine.Sheet, freqHz ...float64) ([]float64, error) {
	at, err := Microphones(site)
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

// RearNull is the lowest frequency at which rear over front has a least value
// of -3 dB or less. None is an error.
func RearNull(site engine.Site, sheet engine.Sheet) (float64, error) {
	freq := geometric(lowestNull*site.Target.NullHz, highestNull*site.Target.NullHz, nullSteps)
	ratio, err := Behind(site, sheet, freq...)
	if err != nil {
		return 0, err
	}
	i := FirstDip(ratio, nullRatio)
	if i < 0 {
		return 0, errors.New("there is no null at the rear microphone")
	}
	return Least(freq[i-1], freq[i+1], func(f float64) (float64, error) {
		r, err := Behind(site, sheet, f)
		if err != nil {
			return 0, err
		}
		return r[0], nil
	})
}

// FirstDip is the first place, the ends left out, where v is least among its
// neighbours and at most limit; -1 where there is none.
func FirstDip(v []float64, limit float64) int {
	for i := 1; i < len(v)-1; i++ {
		if v[i] <= limit && v[i] < v[i-1] && v[i] <= v[i+1] {
			return i
		}
	}
	return -1
}

// goldenCuts narrow a place to 3 parts in a million of where it was looked for.
const goldenCuts = 26

// Least narrows the place of a least value between low and high by golden
// sections.
func Least(low, high float64, f func(float64) (float64, error)) (float64, error) {
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

// Steps is n+1 values in equal steps, both ends included.
func Steps(low, high float64, n int) []float64 {
	v := make([]float64, n+1)
	for i := range v {
		v[i] = low + (high-low)*float64(i)/float64(n)
	}
	return v
}

// Rows is what the front and the rear rows do at some points, each by itself.
type Rows struct{ Front, Rear []complex128 }

// ByRow splits what a sheet does into its rows. A row that is silent is an
// error, for nothing can be matched to it.
func ByRow(site engine.Site, sheet engine.Sheet, at []engine.Point, freqHz float64) (Rows, error) {
	r, err := Listen(site, at, []float64{freqHz})
	if err != nil {
		return Rows{}, err
	}
	split := Rows{make([]complex128, len(at)), make([]complex128, len(at))}
	for k, output := range r.outputs {
		row := split.Front
		if fed := site.Fed(output); len(fed) > 0 && fed[0].Row == engine.RowRear {
			row = split.Rear
		}
		for j := range at {
			row[j] += weight(sheet, output, freqHz) * r.alone[0][j][k]
		}
	}
	for j := range at {
		if split.Front[j] == 0 || split.Rear[j] == 0 {
			return Rows{}, errors.New("one of the rows is silent at a microphone")
		}
	}
	return split, nil
}
