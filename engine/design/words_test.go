package design

import (
	"testing"

	"hushback/engine"
)

func TestWordsHaveNoMoreDigitsThanCanBeMeasured(t *testing.T) {
	for want, got := range map[string]string{
		"1.91 m":              metres(1.9067),
		"-0.25 m":             metres(-0.251),
		"12.3 m":              metres(12.34),
		"0.00 m":              metres(-0.0001),
		"45 Hz":               hertz(45.01),
		"45.2 Hz":             hertz(45.23),
		"120 Hz":              hertz(120),
		"-7.8 dB":             decibels(-7.81),
		"0.0 dB":              decibels(-0.04),
		"+0.6 dB":             signed(0.61),
		"-0.6 dB":             signed(-0.61),
		"62°":                 degrees(1.0821),
		"1.3 ms":              millis(0.00128),
		"30 to 66.5 Hz":       span(engine.Band{LowHz: 30, HighHz: 66.5}),
		"x 8.0 m, y 0.0 m":    place(engine.Point{X: 8, Y: -0.01, Z: 1}),
		"3.2 dB quieter":      quieter(3.2),
		"0.1 dB quieter":      quieter(0.0501),
		"0.1 dB louder":       quieter(-0.0501),
		"no quieter":          quieter(-0.0499),
		"3.2 dB louder":       quieter(-3.2),
		"as loud as":          against(-0.04),
		"2.0 dB quieter than": against(-2),
		"2.0 dB louder than":  against(2),
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
