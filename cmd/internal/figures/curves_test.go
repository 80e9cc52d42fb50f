package figures

import (
	"math"
	"testing"

	"hushback/engine"
	"hushback/verify"
	"hushback/verify/transfer"
)

// Whoever draws by other means gets the lines of the chart, and intervals that are
// the function's own, moved as the line was.
func TestCurvesAreTheLinesOfTheChart(t *testing.T) {
	freq := []float64{30, 40, 50}
	predicted := engine.Prediction{
		Front: engine.Curve{FreqHz: freq, P: []complex128{2, 2, 2}},
		Rear:  engine.Curve{FreqHz: freq, P: []complex128{1, 0.1, 1}},
	}
	heard := func(role engine.Role, h ...complex128) verify.Capture {
		return verify.Capture{Role: role, Function: transfer.Function{FreqHz: freq, H: h, Sigma: []float64{0.02, 0.02, 0.02}, Coherence: []float64{1, 1, 1}, Averages: 6}}
	}
	captures := []verify.Capture{heard(engine.RoleFront, 4, 4, 4), heard(engine.RoleRear, 2, 0.2, 0.001)}
	curves := Curves(predicted, captures, engine.Band{LowHz: 30, HighHz: 50}, 90)
	if len(curves) != 4 {
		t.Fatalf("%d curves, want front and rear predicted and measured", len(curves))
	}
	for i, want := range [][]float64{{0, 0, 0}, {-6.0206, -26.0206, -6.0206}, {0, 0, 0}, {-6.0206, -26.0206, -72.0412}} {
		for k, db := range curves[i].DB {
			if !(math.Abs(db-want[k]) < 1e-4) && db != want[k] {
				t.Errorf("curve %d at %g Hz: %g dB, want %g", i, freq[k], db, want[k])
			}
		}
	}
	if curves[0].Measured || curves[1].Low != nil || !curves[3].Measured || curves[3].Role != engine.RoleRear {
		t.Errorf("told of the wrong lines: %+v", curves)
	}
	low, high := captures[1].Function.LevelInterval(1, 90)
	by := 20 * math.Log10(1./4)
	if math.Abs(curves[3].Low[1]-low-by) > 1e-9 || math.Abs(curves[3].High[1]-high-by) > 1e-9 || !(low < 20*math.Log10(0.2) && 20*math.Log10(0.2) < high) {
		t.Errorf("interval %g to %g dB, want %g to %g moved by %g", curves[3].Low[1], curves[3].High[1], low, high, by)
	}
	if !math.IsInf(curves[3].Low[2], -1) || math.IsInf(curves[3].High[2], 0) {
		t.Errorf("of what is lost in the noise: %g to %g dB", curves[3].Low[2], curves[3].High[2])
	}
}
