package response

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/field"
)

// lane is an invented site of rear and front sources on the x axis, the
// microphones very far to both sides of it.
func lane(rear, front []float64) engine.Site {
	site := engine.Site{
		Air:    engine.Air{TemperatureC: 12, Humidity: 0.6, PressurePa: 101e3},
		Target: engine.Target{NullHz: 45, Range: engine.Band{LowHz: 30, HighHz: 60}},
		Microphones: []engine.Microphone{
			{Name: "ahead", Role: engine.RoleFront, At: engine.Point{X: 1e5}},
			{Name: "behind", Role: engine.RoleRear, At: engine.Point{X: -1e5}},
		},
	}
	for i, x := range append(append([]float64{}, rear...), front...) {
		row := engine.RowFront
		if i < len(rear) {
			row = engine.RowRear
		}
		site.Outputs = append(site.Outputs, engine.Output{Number: i + 1, MaxGainDB: float64(-i)})
		site.Sources = append(site.Sources, engine.Source{Name: fmt.Sprint("s", i), Row: row, At: engine.Point{X: x}, Output: i + 1})
	}
	return site
}

func at(site engine.Site, delays ...float64) engine.Sheet {
	var sheet engine.Sheet
	for i, sec := range delays {
		sheet.Settings = append(sheet.Settings, engine.Setting{Output: i + 1, DelaySec: sec, Polarity: 1})
	}
	return sheet
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, got, want, tolerance)
	}
}

// A weighted sum of outputs is what the field makes of the whole sheet, on any
// sheet and with walls and ground.
func TestUnderASheetIsTheFieldOfThatSheet(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 8))
	site := lane([]float64{-3, -2}, []float64{0, 1.5, 2})
	site.Sources[3].Output = 3 // two sources on one output
	site.Outputs = append(site.Outputs[:3], site.Outputs[4])
	site.Ground = 0.8
	site.Walls = []engine.Wall{{Name: "shed", From: engine.Point{X: -9, Y: 30}, To: engine.Point{X: 9, Y: 33}}}
	points := []engine.Point{{X: 20, Y: 3, Z: 1}, {X: -9, Y: -4, Z: 2}, {X: 5, Y: 11}}
	freq := []float64{31, 45.5, 80}
	r, err := Listen(site, points, freq)
	if err != nil {
		t.Fatal(err)
	}
	for range 20 {
		var sheet engine.Sheet
		for _, output := range site.OutputNumbers() {
			sheet.Settings = append(sheet.Settings, engine.Setting{
				Output: output, DelaySec: 0.02 * random.Float64(), Polarity: 1 - 2*random.IntN(2), GainDB: -20 * random.Float64(), Muted: random.IntN(4) == 0,
			})
		}
		whole, err := field.Along(site, sheet, points, freq)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range r.Under(sheet) {
			for j, v := range p {
				near(t, "pressure", cmplx.Abs(v-whole[i][j]), 0, 1e-12)
			}
		}
	}
	if p := r.Under(engine.Sheet{}); p[0][0] != 0 {
		t.Errorf("a sheet that sets nothing makes %v, want silence", p[0][0])
	}
}

func TestInPhaseIsTheSumOfAmplitudes(t *testing.T) {
	site := lane([]float64{-2}, []float64{0, 2})
	r, err := Listen(site, []engine.Point{{X: 8}}, []float64{50})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "loudest", r.InPhase(Loudest(site))[0][0], 1.0/10+engine.Ratio(-1)/8+engine.Ratio(-2)/6, 1e-12)
	sheet := at(site, 0, 0.003, 0.001)
	sheet.Settings[0].GainDB, sheet.Settings[1].Polarity, sheet.Settings[2].Muted = -6, -1, true
	near(t, "as set", r.InPhase(AsSet(sheet))[0][0], engine.Ratio(-6)/10+1.0/8, 1e-12)
}

// An end-fire pair nulls at c/4d and its odd multiples: the lowest is found.
func TestRearNullOfAnEndFire(t *testing.T) {
	for _, d := range []float64{1.2, 1.9, 3.1} {
		site := lane([]float64{0}, []float64{d})
		c, _ := air.SoundSpeed(site.Air)
		null, err := RearNull(site, at(site, 0, d/c))
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("null of %g m", d), null, c/4/d, 1e-4)
		ratio, err := Behind(site, at(site, 0, d/c), null, c/2/d)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "rear over front at the null", ratio[0], 0, 1e-4)
		near(t, "rear over front an octave up", ratio[1], 1, 1e-4)
	}
}

func TestWhatHasNoNullSaysSo(t *testing.T) {
	site := lane(nil, []float64{0})
	if _, err := RearNull(site, at(site, 0)); err == nil || !strings.Contains(err.Error(), "no null") {
		t.Errorf("one source: got %v", err)
	}
	muted := at(site, 0)
	muted.Settings[0].Muted = true
	if _, err := Behind(site, muted, 45); err == nil || !strings.Contains(err.Error(), "nothing arrives") {
		t.Errorf("silence: got %v", err)
	}
	site.Microphones = site.Microphones[:1]
	for _, err := range []error{
		second(Microphones(site)), second(Behind(site, at(site, 0), 45)), second(RearNull(site, at(site, 0))),
	} {
		if err == nil || !strings.Contains(err.Error(), "rear microphone") {
			t.Errorf("no rear microphone: got %v", err)
		}
	}
}

func second[T any](_ T, err error) error { return err }

func TestRowsAreWhatTheirOutputsDo(t *testing.T) {
	site := lane([]float64{-2, -1}, []float64{0, 2})
	sheet := at(site, 0, 0.001, 0.002, 0.003)
	point := []engine.Point{{X: 9, Y: 4}}
	rows, err := ByRow(site, sheet, point, 52)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := field.Pressure(site, sheet, point[0], 52)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "both rows", cmplx.Abs(rows.Front[0]+rows.Rear[0]-whole), 0, 1e-12)
	sheet.Settings[2].Muted, sheet.Settings[3].Muted = true, true
	rear, err := field.Pressure(site, sheet, point[0], 52)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "rear row", cmplx.Abs(rows.Rear[0]-rear), 0, 1e-12)
	if _, err := ByRow(site, sheet, point, 52); err == nil || !strings.Contains(err.Error(), "silent") {
		t.Errorf("a muted row: got %v", err)
	}
}

func TestFirstDip(t *testing.T) {
	for _, one := range []struct {
		v     []float64
		limit float64
		want  int
	}{
		{[]float64{1, 0.5, 1}, 0.7, 1},
		{[]float64{1, 0.8, 1, 0.3, 1}, 0.7, 3},
		{[]float64{0.1, 0.5, 1}, 0.7, -1}, // an end is no dip
		{[]float64{1, 0.4, 0.4, 1}, 0.7, 1},
		{[]float64{1, 0.9, 1}, 0.7, -1},
		{nil, 0.7, -1},
	} {
		if got := FirstDip(one.v, one.limit); got != one.want {
			t.Errorf("%v: dip at %d, want %d", one.v, got, one.want)
		}
	}
}

func TestLeast(t *testing.T) {
	for _, bottom := range []float64{2, 2.7, 3.999, 5} {
		got, err := Least(2, 5, func(x float64) (float64, error) { return math.Abs(x - bottom), nil })
		if err != nil {
			t.Fatal(err)
		}
		near(t, "least", got, bottom, 2e-5)
	}
	calls := 0
	_, err := Least(0, 1, func(float64) (float64, error) {
		if calls++; calls > 5 {
			return 0, errors.New("gone")
		}
		return 1, nil
	})
	if err == nil || calls != 6 {
		t.Errorf("after a failure it asked on: %d calls, error %v", calls, err)
	}
}

func TestStepsHaveBothEnds(t *testing.T) {
	if v := Steps(2, 4, 4); fmt.Sprint(v) != "[2 2.5 3 3.5 4]" {
		t.Errorf("steps %v", v)
	}
	v := geometric(10, 40, 2)
	near(t, "first", v[0], 10, 1e-12)
	near(t, "middle", v[1], 20, 1e-12)
	near(t, "last", v[2], 40, 1e-12)
}
