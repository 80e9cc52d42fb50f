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
// MaxGainDB arriving in phase, worst line inside the range.
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
	c, err := speed(site.Air)
	if err != nil {
		return engine.Prediction{}, err
	}
	front, err := heard(site, sheet, engine.RoleFront, c)
	if err != nil {
		return engine.Prediction{}, err
	}
	rear, err := heard(site, sheet, engine.RoleRear, c)
	if err != nil {
		return engine.Prediction{}, err
	}
	freq := site.TestSignal.Lines()
	p := engine.Prediction{SoundSpeed: c, Front: response(front, freq), Rear: response(rear, freq)}
	coherent := make([]float64, len(freq))
	for _, output := range site.OutputNumbers() {
		solo := engine.Solo{
			Output: output,
			Front:  response(of(front, output), freq),
			Rear:   response(of(rear, output), freq),
		}
		for i, v := range solo.Front.P {
			coherent[i] += cmplx.Abs(v)
		}
		p.Solos = append(p.Solos, solo)
	}
	p.Summary, err = engine.Summarise(p.Front.Advance(centre(front)), p.Rear.Advance(centre(rear)), coherent, site.Target)
	if err != nil {
		return engine.Prediction{}, err
	}
	p.HeadroomCostDB = headroomCost(site, p.Front)
	p.QuietDB, err = quiet(site, sheet, c)
	return p, err
}

func heard(site engine.Site, sheet engine.Sheet, role engine.Role, c float64) ([]path, error) {
	mic, ok := site.Microphone(role)
	if !ok {
		return nil, fmt.Errorf("the site has no %s microphone", role)
	}
	return paths(site, sheet, mic.At, c)
}

// headroomCost expects the front microphone and lines inside the range, which
// the curves and the summary could not have been made without.
func headroomCost(site engine.Site, front engine.Curve) float64 {
	mic, _ := site.Microphone(engine.RoleFront)
	var loudest float64
	for _, src := range site.Sources {
		out, _ := site.Output(src.Output)
		loudest += engine.Ratio(src.LevelDB+out.MaxGainDB) / math.Max(minRangeM, src.At.Distance(mic.At))
	}
	worst := math.Inf(1)
	for i, f := range front.FreqHz {
		if site.Target.Range.Contains(f) {
			worst = math.Min(worst, cmplx.Abs(front.P[i]))
		}
	}
	return engine.DB(loudest / worst)
}
