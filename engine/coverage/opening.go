// Package coverage works out how wide an array plays, and what arc, delay or
// spacing it takes to make it play wider, narrower or without side lobes.
package coverage

// Opening is the width of coverage at one frequency: the angle between the
// directions on both sides of the axis where the level has fallen 6 dB below
// the level on it.
type Opening struct {
	FreqHz   float64
	AngleRad float64 // 2π where it never falls that far: no control
}
