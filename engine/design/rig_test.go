package design

import (
	"fmt"
	"math"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
)

// What a processor has: 0.01 ms and 0.1 dB.
var usual = engine.Ranges{DelaySec: engine.Grid{Max: 0.65, Step: 1e-5}, GainDB: engine.Grid{Min: -60, Max: 6, Step: 0.1}}

// c is the speed of sound that the values of common practice go with.
const c = 343.2

// still is air in which sound travels at c, found by halving.
func still(t testing.TB) engine.Air {
	t.Helper()
	a := engine.Air{Humidity: 0.5, PressurePa: 101325}
	low, high := 0.0, 30.0
	for range 60 {
		a.TemperatureC = (low + high) / 2
		if speed, _ := air.SoundSpeed(a); speed < c {
			low = a.TemperatureC
		} else {
			high = a.TemperatureC
		}
	}
	if speed, method := air.SoundSpeed(a); math.Abs(speed-c) > 1e-9 || method != air.Cramer {
		t.Fatalf("found air with %v m/s by %s, want %v", speed, method, c)
	}
	return a
}

// rig is an invented yard with rear and front sources at these places, an
// output each, as placed; the rear ones first. All on the ground in free space.
func rig(t testing.TB, rear, front []engine.Point) engine.Site {
	t.Helper()
	site := engine.Site{
		Job:        "kiln yard (invented)",
		Air:        still(t),
		Target:     engine.Target{NullHz: 45, Range: engine.Band{LowHz: 30, HighHz: 60}},
		Limits:     engine.Limits{NullDepthDB: 20, NullOffsetHz: 1, SumShortfallDB: 3},
		TestSignal: engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
		Wiring:     engine.Wiring{Profile: "plain-eight", Address: "192.0.2.7:8700"},
		Groups:     []engine.Group{{Name: "yard", Treatment: engine.TreatEndFire}},
		Microphones: []engine.Microphone{
			{Name: "desk", Role: engine.RoleFront, At: engine.Point{X: 30}},
			{Name: "gate", Role: engine.RoleRear, At: engine.Point{X: -14}},
		},
		Zones: []engine.Zone{
			{Name: "crowd", Kind: engine.ZoneAudience, Corners: []engine.Point{{X: 8, Y: -9}, {X: 30, Y: -9}, {X: 30, Y: 9}, {X: 8, Y: 9}}},
			{Name: "houses", Kind: engine.ZoneQuiet, Corners: []engine.Point{{X: -40, Y: -9}, {X: -30, Y: -9}, {X: -30, Y: 9}, {X: -40, Y: 9}}},
		},
	}
	add(&site, "yard", engine.RowRear, rear, 0)
	add(&site, "yard", engine.RowFront, front, 0)
	return site
}

// add puts more sources onto a site, an output each.
func add(site *engine.Site, group string, row engine.Row, places []engine.Point, facing float64) {
	for _, at := range places {
		n := len(site.Outputs) + 1
		site.Outputs = append(site.Outputs, engine.Output{Number: n, Group: group, AsPlaced: true})
		site.Sources = append(site.Sources, engine.Source{Name: fmt.Sprint("s", n), Row: row, At: at, Output: n, FacingRad: facing})
	}
}

// three is a front row of three, the outer ones back metres behind the middle
// one and aside metres beside it, depth in front of a single rear source that
// stands on x = -depth.
func three(t testing.TB, depth, back, aside float64) engine.Site {
	return rig(t, []engine.Point{{X: -depth}}, []engine.Point{{X: -back, Y: aside}, {}, {X: -back, Y: -aside}})
}

func worked(t testing.TB, site engine.Site) Report {
	t.Helper()
	r, err := Work(site, usual)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// found is the first finding, or else warning, of a key.
func found(t testing.TB, list []Finding, key string) Finding {
	t.Helper()
	for _, f := range list {
		if f.Key == key {
			return f
		}
	}
	t.Fatalf("nothing was said about %q", key)
	return Finding{}
}

func has(list []Finding, key string) bool {
	for _, f := range list {
		if f.Key == key {
			return true
		}
	}
	return false
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, got, want, tolerance)
	}
}

func treatedAs(t testing.TB, r Report, want engine.Treatment) Treated {
	t.Helper()
	for _, one := range r.Treated {
		if one.Treatment == want {
			return one
		}
	}
	t.Fatalf("%s was not judged", want)
	return Treated{}
}
