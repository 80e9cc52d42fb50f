package field

import (
	"fmt"
	"math"
	"math/cmplx"

	"hushback/engine"
)

// Predict computes what a sheet should do on a site that has no Problems.
//
// The curves run along the lines of the test signal, with their true phase.
// The coherent sum that the shortfall is held against is the sum over the
// outputs of what each does alone in front, the same that solo captures give.
// HeadroomCostDB compares the front sum with every source at its output's
// MaxGainDB, what each does there with its reflections arriving in phase with
// the others: worst line inside the range. A source's own echoes cost no headroom,
// as no setting of the outputs could change them.
//
// Errors: a microphone role without a microphone, an output that the sheet
// does not set, air without a speed of sound, a test signal without lines, or
// a sum that engine.Summarise refuses, such as silence in front.
func Predict(site engine.Site, sheet engine.Sheet) (engine.Prediction, error) {
	p, err := predict(site, sheet)
	if err != nil {
		return engine.Prediction{}, fmt.Errorf("prediction: %w", err)
	}
	return p, nil
}

func predict(site engine.Site, sheet engine.Sheet) (engine.Prediction, error) {
	ahead, behind, err := microphones(site)
	if err != nil {
		return engine.Prediction{}, err
	}
	freq := site.TestSignal.Lines()
	r, err := openAt(site, sheet, freq)
	if err != nil {
		return engine.Prediction{}, err
	}
	p := engine.Prediction{SoundSpeed: r.c, Front: r.curve(ahead), Rear: r.curve(behind)}
	coherent := make([]float64, len(freq))
	numbers := site.OutputNumbers()
	for i, part := range r.byOutput(numbers) {
		solo := engine.Solo{Output: numbers[i], Front: part.curve(ahead), Rear: part.curve(behind)}
		for i, v := range solo.Front.P {
			coherent[i] += cmplx.Abs(v)
		}
		p.Solos = append(p.Solos, solo)
	}
	p.Summary, err = engine.Summarise(p.Front.Advance(r.arrival(ahead, site.Target.NullHz)),
		p.Rear.Advance(r.arrival(behind, site.Target.NullHz)), coherent, site.Target)
	if err != nil {
		return engine.Prediction{}, err
	}
	if p.HeadroomCostDB, err = headroomCost(site, ahead, p.Front); err != nil {
		return engine.Prediction{}, err
	}
	p.QuietDB, err = quiet(site, sheet)
	return p, err
}

// microphones are the places that the loop listens at.
func microphones(site engine.Site) (ahead, behind engine.Point, err error) {
	if ahead, err = microphone(site, engine.RoleFront); err == nil {
		behind, err = microphone(site, engine.RoleRear)
	}
	return ahead, behind, err
}

func microphone(site engine.Site, role engine.Role) (engine.Point, error) {
	mic, ok := site.Microphone(role)
	if !ok {
		return engine.Point{}, fmt.Errorf("the site has no %s microphone", role)
	}
	return mic.At, placed(mic)
}

func placed(mic engine.Microphone) error {
	if err := places([]engine.Point{mic.At}); err != nil {
		return fmt.Errorf("microphone %q: %w", mic.Name, err)
	}
	return nil
}

// curve is the pressure at a point along the rig's axis.
func (r *rig) curve(at engine.Point) engine.Curve {
	curve := engine.Curve{FreqHz: r.axis.freqHz, P: make([]complex128, len(r.axis.freqHz))}
	r.axis.add(curve.P, r.paths(nil, at))
	return curve
}

// headroomCost expects lines inside the range, which the summary could not
// have been made without.
func headroomCost(site engine.Site, ahead engine.Point, front engine.Curve) (float64, error) {
	r, err := openAt(site, as(site, func(o engine.Output) float64 { return o.MaxGainDB }), front.FreqHz)
	if err != nil {
		return 0, err
	}
	full := make([]float64, len(front.FreqHz))
	for _, part := range r.bySource() {
		for i, v := range part.curve(ahead).P {
			full[i] += cmplx.Abs(v)
		}
	}
	var worst float64
	for i, f := range front.FreqHz {
		if site.Target.Range.Contains(f) {
			worst = math.Max(worst, full[i]/cmplx.Abs(front.P[i]))
		}
	}
	return engine.DB(worst), nil
}

// Arrival is when sound arrives at a microphone, in seconds: the mean over the
// open sources and their images, each counted by its amplitude there, at the
// target frequency where that depends on it. Taken out of a curve with
// Curve.Advance, predicted or measured, it leaves a phase that turns slowly,
// which is what engine.Summarise wants; the same delay must come out of both.
// It is 0 when everything is muted.
func Arrival(site engine.Site, sheet engine.Sheet, mic engine.Microphone) (float64, error) {
	r, err := open(site, sheet)
	if err != nil {
		return 0, err
	}
	if err := placed(mic); err != nil {
		return 0, err
	}
	return r.arrival(mic.At, site.Target.NullHz), nil
}

func (r *rig) arrival(at engine.Point, freqHz float64) float64 {
	ways := r.paths(nil, at)
	var weight, moment float64
	for i := range ways {
		w := ways[i].loudest(freqHz)
		weight += w
		moment += w * ways[i].sec
	}
	if weight == 0 {
		return 0
	}
	return moment / weight
}
