package field

import (
	"testing"

	"hushback/engine"
)

// square is the level map that the engine is built for: 300 by 200 points, 32
// sources, 31 frequencies.
func square(points, sources, frequencies int) (engine.Site, engine.Sheet, Area, []float64) {
	site := engine.Site{Air: engine.Air{TemperatureC: 20, Humidity: 0.5, PressurePa: 101325}}
	for i := range sources {
		out := 1 + i%8
		site.Sources = append(site.Sources, engine.Source{Name: "s", Output: out, LevelDB: float64(i%3) - 1,
			At: engine.Point{X: -1.9 * float64(i%2), Y: 0.9 * (float64(i/2) - float64(sources)/4), Z: 0.3}})
	}
	var sheet engine.Sheet
	for out := 1; out <= 8; out++ {
		site.Outputs = append(site.Outputs, engine.Output{Number: out})
		sheet.Settings = append(sheet.Settings, engine.Setting{Output: out, Polarity: 1 - 2*(out%2), DelaySec: 0.0007 * float64(out), GainDB: -float64(out) / 4})
	}
	var freq []float64
	for i := range frequencies {
		freq = append(freq, 30+float64(i))
	}
	return site, sheet, Area{MinX: -40, MaxX: 60, MinY: -30, MaxY: 30, Z: 1.2, NX: 300, NY: points / 300}, freq
}

func BenchmarkMap(b *testing.B) {
	site, sheet, area, freq := square(60000, 32, 31)
	for b.Loop() {
		if _, err := NewMap(site, sheet, area, freq); err != nil {
			b.Fatal(err)
		}
	}
}
