package design

import (
	"fmt"
	"math"
	"strings"

	"hushback/engine"
)

// What people read: no more digits than a tape, a thermometer and a microphone
// can tell.

func metres(v float64) string {
	if math.Abs(v) >= 10 {
		return trimmed(v, 1) + " m"
	}
	return engine.Fixed(v, 2) + " m"
}

func hertz(v float64) string    { return trimmed(v, 1) + " Hz" }
func decibels(v float64) string { return engine.Fixed(v, 1) + " dB" }
func signed(v float64) string {
	if s := decibels(v); v < 0 || s == decibels(0) {
		return s
	}
	return "+" + decibels(v)
}
func millis(sec float64) string { return engine.Fixed(sec*1e3, 1) + " ms" }
func degrees(rad float64) string {
	return engine.Fixed(rad*180/math.Pi, 0) + "°"
}

// trimmed is engine.Fixed, but 45 stays 45.
func trimmed(v float64, digits int) string {
	return strings.TrimSuffix(engine.Fixed(v, digits), "."+strings.Repeat("0", digits))
}

func span(b engine.Band) string {
	return trimmed(b.LowHz, 1) + " to " + hertz(b.HighHz)
}

func place(p engine.Point) string {
	return fmt.Sprintf("x %s m, y %s m", engine.Fixed(p.X, 1), engine.Fixed(p.Y, 1))
}

// notes collects findings in the order they are added.
type notes []Finding

func (n *notes) add(key string, value float64, unit, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	*n = append(*n, Finding{Key: key, Value: value, Unit: unit, Text: strings.ToUpper(text[:1]) + text[1:]})
}
